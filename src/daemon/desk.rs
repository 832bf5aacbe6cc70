//! The files that a sitting is set up by: configuration, drawn spots, what is written down of the set, camera curves. They are read and written one
//! job at a time beside the session, which hears of it when a job is done.

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime};

use tokio::sync::oneshot;

use crate::config::typed::TypedThing;
use crate::config::{Config, ConfigWatch, Curves, drawn, typed};
use crate::meter::Area;
use crate::session::Reply;

/// Wishes are taken up no faster than this: each has the configuration taken up anew, and one for a spot the references metered.
const BETWEEN_WISHES: Duration = Duration::from_millis(500);
/// A wish that can't be taken up by then is refused: the disk of the configuration doesn't answer.
const PATIENCE: Duration = Duration::from_secs(10);
/// Wishes that wait at one time, and people who wait for one of them.
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

/// What people add to the configuration, each in a file of its own.
#[derive(Debug)]
pub(super) enum Wished {
    Spot { name: String, area: Option<Area> },
    Thing(Box<TypedThing>),
    Notes(Option<Vec<String>>),
}

/// What is wished for, and those who wait to hear of it.
#[derive(Debug)]
pub(super) struct Wish {
    what: Wished,
    asked: Instant,
    pub backs: Vec<oneshot::Sender<Reply>>,
}

impl Wish {
    pub fn is_spot(&self) -> bool {
        matches!(self.what, Wished::Spot { .. })
    }

    /// A further wish leaves nothing of this one. One for a thing's height leaves its angle.
    fn is_overtaken_by(&self, other: &Wished) -> bool {
        match (&self.what, other) {
            (Wished::Spot { name, .. }, Wished::Spot { name: other, .. }) => name == other,
            (Wished::Notes(_), Wished::Notes(_)) => true,
            _ => false,
        }
    }
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
    /// The wish that was carried out or refused, and what is answered.
    pub wished: Option<(Wish, Reply)>,
}

/// What is known of those files, and what is to be done with them.
pub(super) struct Desk {
    watch: ConfigWatch,
    stamp: CurvesStamp,
    busy: bool,
    wishes: VecDeque<Wish>,
    taken_at: Option<Instant>,
}

impl Desk {
    pub fn new(watch: ConfigWatch, config: &Config) -> Desk {
        let stamp = Curves::stamp(config.curves.as_deref());
        Desk { watch, stamp, busy: false, wishes: VecDeque::new(), taken_at: None }
    }

    /// Takes a wish. One that is still waiting and that this one overtakes is forgotten; who asked for it hears what came of the last.
    pub fn wish(&mut self, what: Wished, back: oneshot::Sender<Reply>) {
        let asked = Instant::now();
        let room = self.wishes.len() < MOST_WISHES;
        match self.wishes.iter_mut().find(|wish| wish.is_overtaken_by(&what)) {
            Some(wish) if wish.backs.len() < MOST_WAITING => {
                wish.what = what;
                wish.backs.push(back);
            }
            None if room => self.wishes.push_back(Wish { what, asked, backs: vec![back] }),
            _ => {
                let what = if matches!(what, Wished::Spot { .. }) {
                    "spots are being drawn"
                } else {
                    "things are being written down"
                };
                let _ = back.send(Reply::refused(format!("too many {what} at one time: try again in a moment")));
            }
        }
    }

    /// The next job, if there is one and none is under way; it blocks and is for a thread of its own. `look` asks
    /// whether anything changed on the disk.
    pub fn next(&mut self, config: &Config, look: bool) -> Option<impl FnOnce() -> Done + Send + 'static> {
        for wish in self.take_overdue() {
            answer(wish.backs, &Reply::refused("the disk of the configuration doesn't answer: try again later"));
        }
        let rested = self.taken_at.is_none_or(|at| at.elapsed() >= BETWEEN_WISHES);
        let wish = if self.busy || !rested { None } else { self.wishes.pop_front() };
        if self.busy || (wish.is_none() && !look) {
            return None;
        }
        self.busy = true;
        if wish.is_some() {
            self.taken_at = Some(Instant::now());
        }
        let (watch, stamp, config) = (self.watch.clone(), self.stamp.clone(), config.clone());
        Some(move || match wish {
            Some(wish) => carry_out(watch, stamp, &config, wish),
            None => poll(watch, stamp, &config),
        })
    }

    /// How long until a wish may be taken up that waits now.
    pub fn next_due(&self) -> Option<Duration> {
        let waits = !self.busy && !self.wishes.is_empty();
        waits.then(|| self.taken_at.map_or(Duration::ZERO, |at| BETWEEN_WISHES.saturating_sub(at.elapsed())))
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
            Done { watch, stamp, config: Some(Ok(Taken { config, curves })), curves: None, wished: None }
        }
        Some(Err(fault)) => {
            let fault = format!("the changed configuration is not taken up, the old one holds: {fault}");
            Done { watch, stamp, config: Some(Err(fault)), curves: None, wished: None }
        }
        None => {
            let now = Curves::stamp(config.curves.as_deref());
            let curves = (now != stamp).then(|| curves_of(config));
            Done { watch, stamp: now, config: None, curves, wished: None }
        }
    }
}

/// Saves what is wished for and reads the configuration with it.
fn carry_out(mut watch: ConfigWatch, stamp: CurvesStamp, config: &Config, wish: Wish) -> Done {
    let done =
        |watch, stamp, config, wish, reply| Done { watch, stamp, config, curves: None, wished: Some((wish, reply)) };
    if let Err(why) = save(&watch, config, &wish.what) {
        return done(watch, stamp, None, wish, Reply::refused(why));
    }
    match watch.now() {
        Ok(config) => {
            let reply = Reply::done(said(&watch, &wish.what));
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

fn save(watch: &ConfigWatch, config: &Config, what: &Wished) -> Result<(), String> {
    match what {
        Wished::Spot { name, area } => drawn::draw(watch.drawn(), name, *area).map_err(|why| why.to_string()),
        Wished::Thing(thing) => typed::write(watch.typed(), config, thing).map_err(|why| why.to_string()),
        Wished::Notes(notes) => typed::write_notes(watch.typed(), notes.as_deref()).map_err(|why| why.to_string()),
    }
}

/// What is told of a wish that was carried out.
fn said(watch: &ConfigWatch, what: &Wished) -> String {
    let name_of = |path: &Path| path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    match what {
        Wished::Spot { name, area: Some(_) } => {
            format!("the spot '{name}' counts from the next frame on (saved in {})", name_of(watch.drawn()))
        }
        Wished::Spot { name, area: None } => format!("the drawn spot '{name}' is gone"),
        Wished::Thing(thing) if thing.is_bare() => format!("{} is as the configuration says", thing.name.trim()),
        Wished::Thing(thing) => format!("{} is written down (saved in {})", thing.name.trim(), name_of(watch.typed())),
        Wished::Notes(None) => "the notes of the set are the configuration's".to_owned(),
        Wished::Notes(Some(_)) => {
            format!("the notes of the set are written down (saved in {})", name_of(watch.typed()))
        }
    }
}
