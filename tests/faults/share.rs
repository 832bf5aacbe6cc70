//! A share that is slow, or hangs in the middle of a file, or altogether: status is answered, what else can be read is
//! metered, and what hung is taken up when the share is back.

use std::time::Duration;

use crate::effort::FOUND_WITHIN;
use crate::pictures::Picture;
use crate::process::Process;
use crate::sitting::{Sitting, skip};
use crate::slow_share::Share;

fn on_a_share(name: &'static str) -> Option<(Sitting, Share)> {
    let sitting = Sitting::new(name);
    match Share::mount(&sitting.place.folder) {
        Ok(share) => Some((sitting, share)),
        Err(why) => {
            skip(name, &why);
            None
        }
    }
}

fn put(sitting: &mut Sitting, share: &Share, picture: Picture) {
    for (name, bytes) in picture.files() {
        share.put(&name, bytes);
    }
    sitting.whole.push(picture);
}

fn put_some(sitting: &mut Sitting, share: &Share, count: u32) {
    for _ in 0..count {
        let picture = sitting.fresh();
        put(sitting, share, picture);
    }
}

#[test]
fn a_share_that_hangs_altogether() {
    let Some((mut sitting, share)) = on_a_share("a share that hangs") else { return };
    sitting.start();
    put_some(&mut sitting, &share, 3);
    sitting.wait_for_all();
    for _ in 0..sitting.effort.up_to(3).div_ceil(2) {
        put_some(&mut sitting, &share, 3);
        std::thread::sleep(Duration::from_secs_f64(sitting.random.between(0.0, 3.0)));
        share.stop_whole();
        std::thread::sleep(sitting.effort.wait(4, 45));
        share.come_back();
        put_some(&mut sitting, &share, 2);
        sitting.wait_for_all();
    }
    // Asked to end while it hangs.
    put_some(&mut sitting, &share, 2);
    std::thread::sleep(Duration::from_millis(1_500));
    share.stop_whole();
    std::thread::sleep(Duration::from_secs(1));
    sitting.end();
    share.come_back();
    sitting.start();
    sitting.wait_for_all();
    sitting.done_on(share);
}

#[test]
fn one_file_that_hangs_in_the_middle() {
    let Some((mut sitting, share)) = on_a_share("a file that hangs") else { return };
    sitting.start();
    put_some(&mut sitting, &share, 2);
    sitting.wait_for_all();
    let hung = sitting.fresh_jpeg();
    share.stop_file(&hung.files()[0].0);
    let mut others = std::mem::take(&mut sitting.whole);
    put(&mut sitting, &share, hung);
    sitting.whole.clear();
    std::thread::sleep(Duration::from_secs(1));
    // The others pass it by.
    put_some(&mut sitting, &share, 6);
    sitting.wait_for_all();
    std::thread::sleep(sitting.effort.wait(2, 40));
    let early = sitting.log().has(&hung);
    sitting.promise(!early, "a file of which nothing could be read has a frame");
    others.push(hung);
    others.append(&mut sitting.whole);
    sitting.whole = others;
    // Asked to end while it hangs. Its reader can't be killed before the share lets it go, and must be gone then.
    let readers: Vec<Process> = sitting.daemon().workers();
    sitting.workers_may_stay = true;
    sitting.end();
    sitting.workers_may_stay = false;
    share.come_back();
    let stuck = readers.iter().filter(|r| !r.is_gone_within(Duration::from_secs(5))).count();
    sitting.promise(stuck == 0, format!("{stuck} readers outlived the daemon and the share's trouble"));
    sitting.start();
    sitting.wait_for_all();
    sitting.done_on(share);
}

#[test]
fn a_share_that_is_slow() {
    let Some((mut sitting, share)) = on_a_share("a slow share") else { return };
    sitting.start();
    share.slow_down(if sitting.effort.is_whole() { Duration::from_secs(1) } else { Duration::from_millis(100) });
    put_some(&mut sitting, &share, 3);
    sitting.wait_for_all_within(FOUND_WITHIN * 3);
    share.come_back();
    sitting.done_on(share);
}
