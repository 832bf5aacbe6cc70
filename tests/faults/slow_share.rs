//! A share of the tests' own: a flat folder of files in memory, served through the kernel, that can go slow or hang.
//!
//! It hangs in three ways. *Whole*: it takes no more questions, as a dead share with all its cables out; whoever asks can
//! still be killed. *One file*: a question for its bytes was taken and is never answered; the system lets not even a killed
//! process go. *Slow*: every read takes its time.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::path::Path;
use std::sync::{Arc, Condvar, Mutex};
use std::time::{Duration, SystemTime};

use fuser::{
    BackgroundSession, Config, Errno, FileAttr, FileHandle, FileType, Filesystem, FopenFlags, Generation, INodeNo,
    LockOwner, MountOption, OpenFlags, ReplyAttr, ReplyData, ReplyDirectory, ReplyEntry, ReplyOpen, Request,
};

const NO_TIME: Duration = Duration::ZERO;
/// Asking for this name makes the whole share hang.
const STOP: &str = ".stop-answering";

#[derive(Default)]
struct Content {
    /// By number, from 2.
    files: BTreeMap<u64, (String, Vec<u8>, SystemTime)>,
    is_whole_stopped: bool,
    stopped_file: Option<String>,
    each_read_takes: Duration,
}

#[derive(Default)]
struct Shared {
    content: Mutex<Content>,
    changed: Condvar,
}

pub struct Share {
    shared: Arc<Shared>,
    at: std::path::PathBuf,
    session: Option<BackgroundSession>,
}

impl Share {
    pub fn mount(at: &Path) -> Result<Share, String> {
        let shared = Arc::new(Shared::default());
        let mut config = Config::default();
        config.mount_options = vec![MountOption::FSName("a-share".to_owned()), MountOption::RO];
        let session = fuser::spawn_mount(Served(Arc::clone(&shared)), at, &config)
            .map_err(|e| format!("a file system of the test's own can't be mounted: {e}"))?;
        Ok(Share { shared, at: at.to_owned(), session: Some(session) })
    }

    /// A file lands on it, whole and at once.
    pub fn put(&self, name: &str, bytes: Vec<u8>) {
        let mut content = self.shared.content.lock().unwrap();
        let number = 2 + content.files.len() as u64;
        content.files.insert(number, (name.to_owned(), bytes, SystemTime::now()));
    }

    pub fn stop_whole(&self) {
        self.shared.content.lock().unwrap().is_whole_stopped = true;
        // The one question whose answer waits; all later ones are not even taken.
        let path = self.at.join(STOP);
        std::thread::spawn(move || drop(std::fs::symlink_metadata(path)));
        std::thread::sleep(Duration::from_millis(100));
    }

    pub fn stop_file(&self, name: &str) {
        self.shared.content.lock().unwrap().stopped_file = Some(name.to_owned());
    }

    pub fn slow_down(&self, each_read_takes: Duration) {
        self.shared.content.lock().unwrap().each_read_takes = each_read_takes;
    }

    /// It answers again, what was asked meanwhile first.
    pub fn come_back(&self) {
        let mut content = self.shared.content.lock().unwrap();
        content.is_whole_stopped = false;
        content.stopped_file = None;
        content.each_read_takes = NO_TIME;
        drop(content);
        self.shared.changed.notify_all();
    }
}

impl Drop for Share {
    fn drop(&mut self) {
        self.come_back();
        // Whoever still has it open must not keep the test.
        let _ = std::process::Command::new("umount").arg("-l").arg(&self.at).output();
        drop(self.session.take());
    }
}

struct Served(Arc<Shared>);

impl Shared {
    fn file(&self, number: INodeNo) -> Option<FileAttr> {
        let content = self.content.lock().unwrap();
        let (_, bytes, at) = content.files.get(&u64::from(number))?;
        Some(attributes(number, FileType::RegularFile, bytes.len() as u64, *at))
    }
}

fn attributes(ino: INodeNo, kind: FileType, size: u64, at: SystemTime) -> FileAttr {
    let perm = if kind == FileType::Directory { 0o755 } else { 0o644 };
    let (blocks, nlink, uid, gid, rdev, flags, blksize) = (size.div_ceil(512), 1, 0, 0, 0, 0, 4096);
    let (atime, mtime, ctime, crtime) = (at, at, at, at);
    FileAttr { ino, size, blocks, atime, mtime, ctime, crtime, kind, perm, nlink, uid, gid, rdev, blksize, flags }
}

impl Filesystem for Served {
    fn lookup(&self, _: &Request, _: INodeNo, name: &OsStr, reply: ReplyEntry) {
        let mut content = self.0.content.lock().unwrap();
        if name == STOP {
            while content.is_whole_stopped {
                content = self.0.changed.wait(content).unwrap();
            }
        }
        let number = content.files.iter().find(|(_, file)| name == file.0.as_str()).map(|(n, _)| INodeNo(*n));
        drop(content);
        match number.and_then(|n| self.0.file(n)) {
            Some(attributes) => reply.entry(&NO_TIME, &attributes, Generation(0)),
            None => reply.error(Errno::ENOENT),
        }
    }

    fn getattr(&self, _: &Request, number: INodeNo, _: Option<FileHandle>, reply: ReplyAttr) {
        if number == INodeNo::ROOT {
            let latest = self.0.content.lock().unwrap().files.values().map(|f| f.2).max();
            let at = latest.unwrap_or(SystemTime::UNIX_EPOCH);
            return reply.attr(&NO_TIME, &attributes(number, FileType::Directory, 0, at));
        }
        match self.0.file(number) {
            Some(attributes) => reply.attr(&NO_TIME, &attributes),
            None => reply.error(Errno::ENOENT),
        }
    }

    fn open(&self, _: &Request, _: INodeNo, _: OpenFlags, reply: ReplyOpen) {
        reply.opened(FileHandle(0), FopenFlags::FOPEN_DIRECT_IO);
    }

    fn read(
        &self,
        _: &Request,
        number: INodeNo,
        _: FileHandle,
        offset: u64,
        size: u32,
        _: OpenFlags,
        _: Option<LockOwner>,
        reply: ReplyData,
    ) {
        let shared = Arc::clone(&self.0);
        // In a thread of its own, so that one file may wait while others are served.
        std::thread::spawn(move || {
            let mut content = shared.content.lock().unwrap();
            let Some((name, bytes, _)) = content.files.get(&u64::from(number)).cloned() else {
                return reply.error(Errno::ENOENT);
            };
            while content.stopped_file.as_ref() == Some(&name) {
                content = shared.changed.wait(content).unwrap();
            }
            let takes = content.each_read_takes;
            drop(content);
            std::thread::sleep(takes);
            let from = (offset as usize).min(bytes.len());
            reply.data(&bytes[from..(from + size as usize).min(bytes.len())]);
        });
    }

    fn readdir(&self, _: &Request, _: INodeNo, _: FileHandle, offset: u64, mut reply: ReplyDirectory) {
        let content = self.0.content.lock().unwrap();
        let own = [".", ".."].map(|name| (INodeNo::ROOT, FileType::Directory, name.to_owned()));
        let files = content.files.iter().map(|(n, file)| (INodeNo(*n), FileType::RegularFile, file.0.clone()));
        for (k, (number, kind, name)) in own.into_iter().chain(files).enumerate().skip(offset as usize) {
            if reply.add(number, k as u64 + 1, kind, name) {
                break;
            }
        }
        reply.ok();
    }
}
