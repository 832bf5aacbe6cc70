//! The files that a sitting is set up by: configuration, drawn spots, camera curves. They are read and written one
//! job at a time beside the session, which hears of it when a job is done.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime};

use tokio::sync::oneshot;

use crate::config::{Config, ConfigWatch, Curves, drawn};
use crate::meter::Area;
use crate::session::Reply;

/// Wishes for spots are taken up no faster than this: each has the references metered anew.
const BETWEEN_SPOTS: Duration = Duration::from_millis(500);
/// A wish that can't be taken up by then is refused: the disk of the configuration doesn't answer.
const PATIENCE: Duration = Duration::from_secs(10);
/// Spots of different names that wait at one time, and people who wait for one of them.
const MOST_WISHES: usize = 16;
const MOST_WAITING: usize = 64;

type CurvesStamp = Vec<(PathBuf, Option<SystemTime>, u64)>;

/// The curves of cameras; those that can't be used are told, and left out.
pub(super) fn curves_of(config: &Config) -> Arc<Curves> {
    let (curves, faults) = Curves::of_folder(config.curves.as_deref());
    for fault in faults {
        tracing::warn!("{fault}");
    }
    Arc::new(curves)
}

/// A spot to be drawn, and those who wait to hear of it.
#[derive(Debug)]
pub(super) struct Wish {
    name: String,
    area: Option<Area>,
    asked: Instant,
    pub backs: Vec<oneshot::Sender<Reply>>,
}

/// A configuration that was read, and the curves that it names the folder of.
pub(super) struct Taken {
    pub config: Box<Config>,
    pub curves: Arc<Curves>,
}

/// What came of a job.
pub(super) struct Done {
    watch: ConfigWatch,
    stamp: CurvesStamp,
    /// The configuration changed; or it can't be read.
    pub config: Option<Result<Taken, String>>,
    /// Only the cameras' curves changed.
    pub curves: Option<Arc<Curves>>,
    /// The spot that was to be drawn, and what is answered.
    pub drawn: Option<(Wish, Reply)>,
}

/// What is known of those files, and what is to be done with them.
pub(super) struct Desk {
    watch: ConfigWatch,
    stamp: CurvesStamp,
    busy: bool,
    wishes: VecDeque<Wish>,
    drawn_at: Option<Instant>,
}

impl Desk {
    pub fn new(watch: ConfigWatch, config: &Config) -> Desk {
        let stamp = Curves::stamp(config.curves.as_deref());
        Desk { watch, stamp, busy: false, wishes: VecDeque::new(), drawn_at: None }
    }

    /// Takes a wish for a spot. One that is still waiting under the same name is overtaken; who asked for it hears
    /// what came of the last.
    pub fn wish(&mut self, name: String, area: Option<Area>, back: oneshot::Sender<Reply>) {
        let full = || Reply::refused("too many spots are being drawn at one time: try again in a moment");
        let asked = Instant::now();
        let room = self.wishes.len() < MOST_WISHES;
        match self.wishes.iter_mut().find(|wish| wish.name == name) {
            Some(wish) if wish.backs.len() < MOST_WAITING => {
                wish.area = area;
                wish.backs.push(back);
            }
            None if room => {
                self.wishes.push_back(Wish { name, area, asked, backs: vec![back] });
            }
            _ => {
                let _ = back.send(full());
            }
        }
    }

    /// The next job, if there is one and none is under way; it blocks and is for a thread of its own. `look` asks
    /// whether anything changed on the disk.
    pub fn next(&mut self, config: &Config, look: bool) -> Option<impl FnOnce() -> Done + Send + 'static> {
        for wish in self.take_overdue() {
            answer(wish.backs, &Reply::refused("the disk of the configuration doesn't answer: try again later"));
        }
        let rested = self.drawn_at.is_none_or(|at| at.elapsed() >= BETWEEN_SPOTS);
        let wish = if self.busy || !rested { None } else { self.wishes.pop_front() };
        if self.busy || (wish.is_none() && !look) {
            return None;
        }
        self.busy = true;
        if wish.is_some() {
            self.drawn_at = Some(Instant::now());
        }
        let (watch, stamp, config) = (self.watch.clone(), self.stamp.clone(), config.clone());
        Some(move || match wish {
            Some(wish) => draw(watch, stamp, wish),
            None => poll(watch, stamp, &config),
        })
    }

    /// How long until a wish may be taken up that waits now.
    pub fn next_due(&self) -> Option<Duration> {
        let waits = !self.busy && !self.wishes.is_empty();
        waits.then(|| self.drawn_at.map_or(Duration::ZERO, |at| BETWEEN_SPOTS.saturating_sub(at.elapsed())))
    }

    /// A job is done, or broke off.
    pub fn is_done(&mut self, done: Option<&Done>) {
        self.busy = false;
        if let Some(done) = done {
            self.watch = done.watch.clone();
            self.stamp = done.stamp.clone();
        }
    }

    fn take_overdue(&mut self) -> Vec<Wish> {
        let (overdue, waiting): (Vec<Wish>, Vec<Wish>) =
            self.wishes.drain(..).partition(|wish| wish.asked.elapsed() > PATIENCE);
        self.wishes = waiting.into();
        overdue
    }
}

/// Tells everybody who waits.
pub(super) fn answer(backs: Vec<oneshot::Sender<Reply>>, reply: &Reply) {
    for back in backs {
        // Who went away hears nothing.
        let _ = back.send(reply.clone());
    }
}

fn poll(mut watch: ConfigWatch, stamp: CurvesStamp, config: &Config) -> Done {
    match watch.poll() {
        Some(Ok(config)) => {
            let stamp = Curves::stamp(config.curves.as_deref());
            let curves = curves_of(&config);
            Done { watch, stamp, config: Some(Ok(Taken { config, curves })), curves: None, drawn: None }
        }
        Some(Err(fault)) => {
            let fault = format!("the changed configuration is not taken up, the old one holds: {fault}");
            Done { watch, stamp, config: Some(Err(fault)), curves: None, drawn: None }
        }
        None => {
            let now = Curves::stamp(config.curves.as_deref());
            let curves = (now != stamp).then(|| curves_of(config));
            Done { watch, stamp: now, config: None, curves, drawn: None }
        }
    }
}

/// Saves a drawn spot and reads the configuration with it.
fn draw(mut watch: ConfigWatch, stamp: CurvesStamp, wish: Wish) -> Done {
    let done =
        |watch, stamp, config, wish, reply| Done { watch, stamp, config, curves: None, drawn: Some((wish, reply)) };
    if let Err(why) = drawn::draw(watch.drawn(), &wish.name, wish.area) {
        return done(watch, stamp, None, wish, Reply::refused(why.to_string()));
    }
    match watch.now() {
        Ok(config) => {
            let file = watch.drawn().file_name().unwrap_or_default().to_string_lossy().into_owned();
            let reply = Reply::done(match wish.area {
                Some(_) => format!("the spot '{}' counts from the next frame on (saved in {file})", wish.name),
                None => format!("the drawn spot '{}' is gone", wish.name),
            });
            let stamp = Curves::stamp(config.curves.as_deref());
            let curves = curves_of(&config);
            done(watch, stamp, Some(Ok(Taken { config, curves })), wish, reply)
        }
        Err(fault) => {
            let reply = Reply::refused(format!("it is saved, but the configuration can't be read: {fault}"));
            done(watch, stamp, None, wish, reply)
        }
    }
}
