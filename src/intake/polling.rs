//! Whether a folder must be polled: network shares send no events for what others write.

use std::path::Path;

/// Kinds of file systems, by the names that Linux and macOS give them, which other machines write to behind this one's back.
#[cfg(any(target_os = "linux", target_os = "macos", test))]
const NETWORK: [&str; 13] =
    ["nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "davfs", "vboxsf", "afpfs", "webdav", "ftp"];
/// Drivers of the user's own, which mostly lead to another machine. `fuseblk` is a local disk.
#[cfg(any(target_os = "linux", target_os = "macos", test))]
const BY_A_USER: [&str; 4] = ["fuse.", "macfuse", "osxfuse", "fusefs"];

/// Whether a folder lies on a network share, as far as the system tells. Where it doesn't, the configuration must.
pub fn is_network_share(folder: &Path) -> bool {
    folder.canonicalize().is_ok_and(|real| lies_on_a_share(&real))
}

#[cfg(target_os = "linux")]
fn lies_on_a_share(folder: &Path) -> bool {
    std::fs::read("/proc/self/mountinfo").is_ok_and(|mounts| mount_is_network(&mounts, folder))
}

#[cfg(target_os = "macos")]
fn lies_on_a_share(folder: &Path) -> bool {
    let name = |disk: rustix::fs::StatFs| disk.f_fstypename.map(|letter| letter as u8);
    rustix::fs::statfs(folder).is_ok_and(|disk| is_network(until_nul(&name(disk))))
}

#[cfg(windows)]
fn lies_on_a_share(folder: &Path) -> bool {
    folder.to_str().is_some_and(is_on_a_server)
}

#[cfg(not(any(target_os = "linux", target_os = "macos", windows)))]
fn lies_on_a_share(_: &Path) -> bool {
    false
}

#[cfg(any(target_os = "linux", target_os = "macos", test))]
fn is_network(kind: &str) -> bool {
    NETWORK.contains(&kind) || BY_A_USER.iter().any(|driver| kind.starts_with(driver))
}

/// A name in a field of fixed length, as statfs(2) of macOS gives it.
#[cfg(any(target_os = "macos", test))]
fn until_nul(field: &[u8]) -> &str {
    let end = field.iter().position(|byte| *byte == 0).unwrap_or(field.len());
    std::str::from_utf8(&field[..end]).unwrap_or_default()
}

/// Whether Windows' real path of a folder begins with a server's name: a drive that stands for a share is resolved in it.
#[cfg(any(windows, test))]
fn is_on_a_server(real: &str) -> bool {
    match real.strip_prefix(r"\\?\") {
        Some(verbatim) => verbatim.get(..4).is_some_and(|kind| kind.eq_ignore_ascii_case(r"UNC\")),
        None => real.starts_with(r"\\") && !real.starts_with(r"\\.\"),
    }
}

/// Reads the kernel's table (proc_pid_mountinfo(5)): field 5 is the mount point, the type follows
/// the lone hyphen. What is mounted last over a point is what shows.
#[cfg(any(target_os = "linux", test))]
fn mount_is_network(mounts: &[u8], folder: &Path) -> bool {
    let folder = folder.as_os_str().as_encoded_bytes();
    let text = String::from_utf8_lossy(mounts);
    let deepest = mounts
        .split(|byte| *byte == b'\n')
        .zip(text.lines())
        .filter_map(|(bytes, line)| {
            let point = unescaped(bytes.split(|byte| *byte == b' ').nth(4)?);
            let (_, right) = line.split_once(" - ")?;
            let kind = right.split(' ').next()?;
            is_below(folder, &point).then(|| (point.len(), kind.to_owned()))
        })
        .max_by_key(|(depth, _)| *depth);
    deepest.is_some_and(|(_, kind)| is_network(&kind))
}

#[cfg(any(target_os = "linux", test))]
fn is_below(folder: &[u8], point: &[u8]) -> bool {
    let rest = folder.strip_prefix(point);
    rest.is_some_and(|rest| rest.is_empty() || rest.starts_with(b"/") || point.ends_with(b"/"))
}

/// The table has spaces, tabs, line ends and backslashes as a backslash and three octal digits.
#[cfg(any(target_os = "linux", test))]
fn unescaped(mut field: &[u8]) -> Vec<u8> {
    let mut plain = Vec::with_capacity(field.len());
    loop {
        match field {
            [] => return plain,
            [b'\\', a @ b'0'..=b'3', b @ b'0'..=b'7', c @ b'0'..=b'7', rest @ ..] => {
                plain.push(((a - b'0') << 6) + ((b - b'0') << 3) + (c - b'0'));
                field = rest;
            }
            [byte, rest @ ..] => {
                plain.push(*byte);
                field = rest;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CHECK: format of /proc/self/mountinfo, proc_pid_mountinfo(5).
    #[test]
    fn the_deepest_mount_decides() {
        let mounts = b"22 1 8:1 / / rw - ext4 /dev/sda1 rw\n\
                      40 22 0:30 / /mnt/set\\040two rw,relatime shared:1 - cifs //nas/set rw\n\
                      41 22 0:31 / /media/disk rw - fuseblk /dev/sdb1 rw\n\
                      42 22 0:32 / /mnt/tab\\011and\\134back\\012line rw - nfs4 nas:/a\\040b rw\n\
                      43 22 0:33 / /mnt/\xff rw - nfs nas:/c rw\n\
                      44 22 0:34 / /mnt/later rw - ext4 /dev/sdc1 rw\n\
                      45 44 0:35 / /mnt/later rw - nfs nas:/d rw\n";
        let is_share = |folder: &str| mount_is_network(mounts, Path::new(folder));
        assert!(is_share("/mnt/set two/today"));
        assert!(!is_share("/mnt/set twofold"), "a neighbour whose name begins alike");
        assert!(!is_share("/home/set"));
        assert!(!is_share("/media/disk/today"), "a local disk by a user-space driver");
        assert!(is_share("/mnt/tab\tand\\back\nline"));
        assert!(is_share("/mnt/later/today"), "what was mounted over it");
    }

    #[cfg(unix)]
    #[test]
    fn a_mount_whose_name_is_no_text_is_found() {
        use std::os::unix::ffi::OsStrExt;
        let mounts = b"22 1 8:1 / / rw - ext4 /dev/sda1 rw\n43 22 0:33 / /mnt/\xff rw - nfs nas:/c rw\n";
        assert!(mount_is_network(mounts, Path::new(std::ffi::OsStr::from_bytes(b"/mnt/\xff/today"))));
    }

    /// CHECK: the forms of paths in Microsoft's "File path formats on Windows systems" and "Maximum Path Length Limitation"
    /// (from memory).
    #[test]
    fn windows_names_the_server_of_a_share() {
        for share in [r"\\?\UNC\nas\set\today", r"\\?\unc\nas\set", r"\\nas\set\today"] {
            assert!(is_on_a_server(share), "{share}");
        }
        for local in [r"\\?\C:\capture", r"C:\capture", r"\\?\Volume{b75e2c83-0000}\capture", r"\\.\C:\capture", ""] {
            assert!(!is_on_a_server(local), "{local}");
        }
    }

    /// CHECK: `f_fstypename` of statfs(2) on macOS, and the kinds that its mount_*(8) make (from memory).
    #[test]
    fn macos_names_the_kind_of_a_disk() {
        for (field, shared) in
            [(&b"smbfs\0\0\0"[..], true), (b"nfs\0", true), (b"webdav", true), (b"apfs\0", false), (b"exfat\0x", false)]
        {
            assert_eq!(is_network(until_nul(field)), shared, "{field:?}");
        }
        assert!(is_network("macfuse") && is_network("fuse.sshfs") && !is_network("fuseblk"));
    }
}
