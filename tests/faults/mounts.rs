//! Mounts that are taken away again, whatever the test comes to.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn run(program: &str, words: &[&str]) -> Result<(), String> {
    let failed = |why: String| format!("{program} {}: {why}", words.join(" "));
    let Output { status, stderr, .. } =
        Command::new(program).args(words).output().map_err(|e| failed(e.to_string()))?;
    if status.success() { Ok(()) } else { Err(failed(String::from_utf8_lossy(&stderr).trim().to_owned())) }
}

pub struct Mount {
    at: PathBuf,
    mounted: bool,
}

impl Mount {
    /// A file system in memory that holds so much.
    pub fn memory(at: &Path, kib: u64) -> Result<Mount, String> {
        let at = at.to_owned();
        run("mount", &["-t", "tmpfs", "-o", &format!("size={kib}k,mode=755"), "tmpfs", text(&at)])?;
        Ok(Mount { at, mounted: true })
    }

    /// A folder shown at another place, too.
    pub fn of(folder: &Path, at: &Path) -> Result<Mount, String> {
        run("mount", &["--bind", text(folder), text(at)])?;
        Ok(Mount { at: at.to_owned(), mounted: true })
    }

    pub fn change(&self, options: &str) -> Result<(), String> {
        run("mount", &["-o", &format!("remount,{options}"), text(&self.at)])
    }

    /// Taken away at once, as a cable that is pulled: what is open stays open.
    pub fn pull(mut self) -> Result<(), String> {
        self.mounted = false;
        run("umount", &["-l", text(&self.at)])
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        if self.mounted {
            let _ = run("umount", &["-l", text(&self.at)]);
        }
    }
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// Whether a program can be run here.
pub fn has(program: &str) -> bool {
    Command::new("sh").args(["-c", &format!("command -v {program}")]).output().is_ok_and(|o| o.status.success())
}
