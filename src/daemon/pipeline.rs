//! From the intake to the session: frames are metered beside both, and come out in the order in which they went in.

use std::sync::Arc;

use tokio::sync::{Semaphore, mpsc, oneshot, watch};
use tokio::task::{JoinHandle, spawn_blocking};

use super::{Pictures, Ready};
use crate::frame::{Frame, Small};
use crate::intake::{Arrival, FileState, FolderNews, FolderState};
use crate::session::{FrameInput, Input, Landed, MeteringPlan};

/// Frames metered at one time: it is work for the processor, not for the disk.
const METERED_AT_ONCE: usize = 2;
/// Frames being metered that wait for those before them.
const RESULTS_WAITING: usize = 4;

/// What the session takes, one after the other.
pub(super) struct Work {
    pub what: What,
    /// The intake is told when it is done with.
    pub counted: bool,
}

pub(super) enum What {
    Input(Input),
    Frame {
        input: Box<FrameInput>,
        small: Option<Small>,
    },
    /// A frame that could not be metered, which is a defect.
    NotMetered {
        name: String,
        state: FileState,
        why: String,
    },
    Mark {
        token: u64,
        waiting: Vec<String>,
        silent: Vec<String>,
        folder: FolderState,
    },
}

/// A frame on the way through the meter, and what is known of it should that fail.
struct OnTheMeter {
    task: JoinHandle<(FrameInput, Option<Small>)>,
    name: String,
    state: FileState,
}

enum Step {
    Ready(Box<Work>),
    MeteringPlan(OnTheMeter),
}

/// Starts both halves; what they give ends when the intake does.
pub(super) fn begin(
    arrivals: mpsc::UnboundedReceiver<Arrival<Frame>>,
    metering: watch::Receiver<Arc<MeteringPlan>>,
    pictures: Pictures,
    ready: Option<(oneshot::Sender<Ready>, Ready)>,
) -> (mpsc::Receiver<Work>, [JoinHandle<()>; 2]) {
    let (steps, in_work) = mpsc::channel(RESULTS_WAITING);
    let (done, works) = mpsc::channel(1);
    let dispatching = tokio::spawn(dispatch(arrivals, steps, metering, pictures, ready));
    let ordering = tokio::spawn(in_order(in_work, done));
    (works, [dispatching, ordering])
}

/// Hands frames to the meter.
async fn dispatch(
    mut arrivals: mpsc::UnboundedReceiver<Arrival<Frame>>,
    steps: mpsc::Sender<Step>,
    metering: watch::Receiver<Arc<MeteringPlan>>,
    pictures: Pictures,
    mut ready: Option<(oneshot::Sender<Ready>, Ready)>,
) {
    let seats = Arc::new(Semaphore::new(METERED_AT_ONCE));
    while let Some(arrival) = arrivals.recv().await {
        let counted = arrival.is_counted();
        let what = match arrival {
            Arrival::Frame { name, kind, state, fingerprint, found_at_start, passed, found } => {
                let Ok(seat) = Arc::clone(&seats).acquire_owned().await else { return };
                let metering = Arc::clone(&metering.borrow());
                let file =
                    Landed { name: name.clone(), is_raw: kind.is_raw(), state, fingerprint, found_at_start, passed };
                let task = spawn_blocking(move || {
                    let _seat = seat;
                    meter(file, found, &metering, pictures)
                });
                if steps.send(Step::MeteringPlan(OnTheMeter { task, name, state })).await.is_err() {
                    return;
                }
                continue;
            }
            Arrival::Rewritten { name, was, state } => What::Input(Input::Rewritten { name, was, state }),
            Arrival::Gone { names } => What::Input(Input::Gone(names)),
            Arrival::Known { files, last } => What::Input(Input::Known { files, last }),
            Arrival::Skipped { name, why, state } => What::Input(Input::Skipped { name, why, state }),
            Arrival::Silent { name } => {
                What::Input(Input::Warning(format!("{name}: its disk or share gives no bytes; greyhold tries again")))
            }
            Arrival::Mark { token, waiting, silent, folder } => What::Mark { token, waiting, silent, folder },
            Arrival::Folder(news) => {
                if matches!(news, FolderNews::Watching { .. })
                    && let Some((tell, ready)) = ready.take()
                {
                    let _ = tell.send(ready);
                }
                match warning_of(&news) {
                    Some(text) => What::Input(Input::Warning(text)),
                    None => continue,
                }
            }
        };
        if steps.send(Step::Ready(Box::new(Work { what, counted }))).await.is_err() {
            return;
        }
    }
}

/// Reads nothing: the frame was decoded by the worker that read its file.
fn meter(file: Landed, frame: Frame, metering: &MeteringPlan, pictures: Pictures) -> (FrameInput, Option<Small>) {
    let seen = frame.picture.as_ref().or(frame.embedded.as_ref()).filter(|_| pictures == Pictures::Kept);
    let small = seen.map(|picture| picture.small());
    (FrameInput { file, outcome: Ok(metering.meter(frame)) }, small)
}

/// Waits for each frame in turn.
async fn in_order(mut steps: mpsc::Receiver<Step>, done: mpsc::Sender<Work>) {
    while let Some(step) = steps.recv().await {
        let work = match step {
            Step::Ready(work) => *work,
            Step::MeteringPlan(OnTheMeter { task, name, state }) => {
                let what = match task.await {
                    Ok((input, small)) => What::Frame { input: Box::new(input), small },
                    // A panic is a defect, but never worth a sitting.
                    Err(e) => What::NotMetered { name, state, why: e.to_string() },
                };
                Work { what, counted: true }
            }
        };
        if done.send(work).await.is_err() {
            return;
        }
    }
}

fn warning_of(news: &FolderNews) -> Option<String> {
    Some(match news {
        FolderNews::Watching { polling } => {
            tracing::info!(polling, "watching");
            return None;
        }
        FolderNews::Offline => {
            "the capture folder is gone (unmounted, renamed?): nothing is taken as deleted, waiting for it to come back"
                .to_owned()
        }
        FolderNews::Replaced => {
            "another folder lies at the capture folder's place (unmounted, or made anew?): nothing is taken as deleted, \
             that folder is watched now"
                .to_owned()
        }
        FolderNews::Back => "the capture folder is back".to_owned(),
        FolderNews::NotListed { name: None, why } => {
            format!("the capture folder can't be listed ({why}): no frame is seen until greyhold may read it again")
        }
        FolderNews::NotListed { name: Some(name), why } => {
            format!("the folder {name} can't be listed ({why}): no frame in it is seen until greyhold may read it")
        }
        FolderNews::Listed => "the capture folder can be listed again".to_owned(),
        FolderNews::Polling { why } => format!("polling the folder: {why}"),
        FolderNews::EventsLost => {
            "more happened in the folder than the system keeps events of: scans find what they would have named".to_owned()
        }
    })
}
