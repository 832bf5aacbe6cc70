//! Whether a folder must be polled: network shares send no events for what others write.

use std::path::Path;

/// Mount types that other machines write to behind this one's back.
const NETWORK: [&str; 10] = ["nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "davfs", "vboxsf"];

/// Whether a folder lies on a network share, as far as the system tells. Elsewhere than on Linux
/// it doesn't tell, and the configuration must.
pub fn is_network_share(folder: &Path) -> bool {
    let Ok(folder) = folder.canonicalize() else {
        return false;
    };
    std::fs::read_to_string("/proc/self/mountinfo").is_ok_and(|mounts| mount_is_network(&mounts, &folder))
}

/// Reads the kernel's table (proc_pid_mountinfo(5)): field 5 is the mount point, the type follows
/// the lone hyphen.
fn mount_is_network(mounts: &str, folder: &Path) -> bool {
    let deepest = mounts
        .lines()
        .filter_map(|line| {
            let (left, right) = line.split_once(" - ")?;
            let point = left.split(' ').nth(4)?.replace("\\040", " ");
            let kind = right.split(' ').next()?;
            folder.starts_with(&point).then(|| (point.len(), kind.to_owned()))
        })
        .max_by_key(|(depth, _)| *depth);
    deepest.is_some_and(|(_, kind)| NETWORK.contains(&kind.as_str()) || kind.starts_with("fuse."))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CHECK: format of /proc/self/mountinfo, proc_pid_mountinfo(5).
    #[test]
    fn the_deepest_mount_decides() {
        let mounts = "22 1 8:1 / / rw - ext4 /dev/sda1 rw\n\
                      40 22 0:30 / /mnt/set\\040two rw,relatime shared:1 - cifs //nas/set rw\n\
                      41 22 0:31 / /media/disk rw - fuseblk /dev/sdb1 rw\n";
        assert!(mount_is_network(mounts, Path::new("/mnt/set two/today")));
        assert!(!mount_is_network(mounts, Path::new("/home/set")));
        assert!(!mount_is_network(mounts, Path::new("/media/disk/today")), "a local disk by a user-space driver");
    }
}
