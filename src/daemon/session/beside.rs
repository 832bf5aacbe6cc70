//! What is done beside the session's loop, and what its results set off: named references, the configuration and what people
//! add to it, the spots in it, and the references that are metered anew for them.

use std::path::Path;
use std::sync::Arc;

use tokio::sync::oneshot;
use tokio::task::spawn_blocking;
use tokio::time::timeout;

use super::super::desk::{self, Taken, Wished, answer};
use super::super::reading::ANSWERED_WITHIN;
use super::super::sharpness::Sharpened;
use super::{MOST_NAMED, Session, Then};
use crate::config::Config;
use crate::outlet::screen::Thumbnail;
use crate::outlet::sheet::{KeptLook, SheetFile};
use crate::outlet::shot_log::LogWriter;
use crate::session::{Command, Engine, Input, Ledger, MeteredFrame, MeteringPlan, Reply};

/// What comes of work beside the loop.
pub enum Later {
    Desk(desk::Done),
    /// A file was named as reference and read.
    Reference {
        command: Command,
        file: String,
        back: oneshot::Sender<Reply>,
        read: Box<Result<MeteredFrame, String>>,
    },
    /// A look of another sitting was read.
    LookTakenUp {
        back: oneshot::Sender<Reply>,
        read: Result<KeptLook, String>,
    },
    /// What frames are compared with was metered anew, by these spots.
    Reread {
        plan: Arc<MeteringPlan>,
        read: Vec<(String, Result<MeteredFrame, String>)>,
    },
    /// What only asks is answered.
    Asked {
        reply: Reply,
        back: oneshot::Sender<Reply>,
    },
    /// The last frame's, after a restart.
    Thumbnail(Option<Thumbnail>),
    /// `None` where it broke off.
    Sharpness(Option<Sharpened>),
}

/// The look that somebody wants to be taken up; as in the command.
pub struct TakeLook {
    pub sheet: String,
    pub look: String,
    pub taken_up_as: Option<String>,
    pub folder: Option<String>,
}

impl TakeLook {
    /// `Err` is the sentence to show.
    fn read(self) -> Result<KeptLook, String> {
        let path = Path::new(&self.sheet);
        let file = SheetFile::read(path).map_err(|why| why.to_string())?;
        let found = file.sheet.look(&self.look).map_err(|why| format!("{}: {why}", path.display()))?;
        let folder = self.folder.as_deref().map(Path::new).or(path.parent()).unwrap_or(path);
        let (photograph, name) = (folder.join(&found.file), self.taken_up_as.as_deref().unwrap_or(&found.name));
        let kept = file.kept_look(&found.name, name, photograph.display().to_string());
        kept.map_err(|why| format!("{} can't be used: {why}", path.display()))
    }
}

/// Metering anew what frames are compared with.
#[derive(Default)]
pub struct Rereading {
    pub(super) under_way: bool,
    /// Who hears when it is done.
    answers: Vec<(Vec<oneshot::Sender<Reply>>, Reply)>,
}

impl Session {
    pub(super) fn take_later(&mut self, later: Later) {
        match later {
            Later::Thumbnail(picture) => self.picture = self.picture.take().or(picture.map(Arc::new)),
            Later::Reference { command, file, back, read } => {
                self.references_under_way -= 1;
                match *read {
                    Ok(outcome) => {
                        let begin = move |engine: &mut Engine<LogWriter>| {
                            engine.add_pictures(outcome.pictures());
                            engine.begin_command(&command, Some(outcome.observation))
                        };
                        self.in_turn(begin, Then::Answer(back));
                    }
                    Err(why) => {
                        let _ = back.send(Reply::refused(format!("{file} can't be a reference: {why}")));
                    }
                }
            }
            Later::LookTakenUp { back, read } => {
                self.references_under_way -= 1;
                match read {
                    Ok(kept) => {
                        let begin = move |engine: &mut Engine<LogWriter>| {
                            engine.add_pictures(kept.pictures.into_iter());
                            engine.begin(Input::LookTakenUp(Box::new(kept.look)))
                        };
                        self.in_turn(begin, Then::Answer(back));
                    }
                    Err(why) => _ = back.send(Reply::refused(why)),
                }
            }
            Later::Reread { plan, read } => self.take_reread(&plan, read),
            Later::Desk(done) => self.take_from_desk(done),
            Later::Sharpness(done) => self.take_sharpness(done),
            Later::Asked { reply, back } => {
                let _ = back.send(self.with_trouble(reply));
            }
        }
        self.speak_of_trouble();
        self.refresh();
    }

    /// Reads a look out of a set-up sheet.
    pub(super) fn read_sheet(&mut self, wanted: TakeLook, back: oneshot::Sender<Reply>) {
        if self.references_under_way >= MOST_NAMED {
            let _ = back.send(Reply::refused("other files are being read as references: try again in a moment"));
            return;
        }
        self.references_under_way += 1;
        self.later.spawn(async move {
            let reading = timeout(ANSWERED_WITHIN, spawn_blocking(move || wanted.read())).await;
            let read = match reading {
                Ok(read) => read.unwrap_or_else(|_| Err("reading the sheet failed".to_owned())),
                Err(_) => Err("the sheet's disk or share gives no bytes: try again when it does".to_owned()),
            };
            Later::LookTakenUp { back, read }
        });
    }

    /// A panic beside the loop is a defect, but never worth a sitting.
    pub(super) fn broke_off(&mut self, why: &str) {
        tracing::error!("work beside the metering broke off, which is a defect: {why}");
        self.desk.is_done(None);
        self.rereading.under_way = false;
    }

    /// Once nothing lands any more: of a burst the last frame is measured.
    pub(super) fn measure_sharpness(&mut self) {
        // Without room it is not kept, and then not missed.
        if self.engine.ledger().is_full() || !self.sharpening.is_due(self.engine.last_record()) {
            return;
        }
        let has_page = self.setup.page.is_some();
        let wanted = self.engine.sharpness_wanted(|wanted| self.sharpening.is_done(wanted, has_page));
        if let Some(told) = wanted.and_then(|wanted| self.sharpening.begin(wanted)) {
            self.later.spawn(async move { Later::Sharpness(told.await.ok()) });
        }
    }

    fn take_sharpness(&mut self, done: Option<Sharpened>) {
        let (sitting, config) = (&self.engine.state().sitting, &self.setup.config);
        let measured = self.sharpening.take(done.filter(|done| done.wanted.still_holds(sitting, config)));
        if let Some(measured) = measured.filter(|_| !self.engine.ledger().is_full()) {
            self.in_turn(|engine| engine.begin(Input::Sharpness(measured)), Then::Nothing);
        }
    }

    pub(super) fn work_at_desk(&mut self, look: bool) {
        if let Some(job) = self.desk.next(&self.setup.config, look) {
            self.later.spawn_blocking(move || Later::Desk(job()));
        }
    }

    pub(super) fn ask_at_desk(&mut self, what: Wished, back: oneshot::Sender<Reply>) {
        self.desk.wish(what, back);
        self.work_at_desk(false);
    }

    fn take_from_desk(&mut self, done: desk::Done) {
        self.desk.is_done(Some(&done));
        let spots = self.setup.config.spots.clone();
        // Who drew a spot hears of it when the references are read by it, all others when the configuration holds.
        let mut told = None;
        match done.wished {
            Some((wish, reply)) if wish.is_spot() => self.rereading.answers.push((wish.backs, reply)),
            Some((wish, reply)) => told = Some((wish.backs, reply)),
            None => {}
        }
        match done.config {
            Some(Ok(taken)) => {
                let then = told.take().map_or(Then::Nothing, |(backs, reply)| Then::AnswerWish(backs, reply));
                self.take_config(taken, then);
            }
            Some(Err(fault)) => self.warn(fault),
            None => {}
        }
        if let Some((backs, reply)) = told {
            answer(backs, &reply);
        }
        if let Some(curves) = done.curves {
            self.in_turn(|engine| engine.set_curves(curves), Then::Nothing);
            tracing::info!("the camera curves are read anew");
        }
        if spots == self.setup.config.spots && !self.rereading.under_way {
            self.answer_spots();
        } else {
            self.reread();
        }
    }

    fn take_config(&mut self, Taken { config, curves }: Taken, then: Then) {
        let old = &self.setup.config;
        let fixed = |c: &Config| (c.folder.clone(), c.log.clone(), c.socket.clone(), c.mode, c.rules.clone());
        if fixed(&config) != fixed(old) {
            self.warn("folder, log, socket, detect and ignore_suffixes take effect at the next start".to_owned());
        }
        let changes = config.changes_since(&self.setup.config);
        changes.into_iter().for_each(|text| self.warn(text));
        self.setup.config = (*config).clone();
        let _ = self.metering.send(Arc::new(MeteringPlan::of(&config)));
        self.in_turn(|engine| engine.configure(*config, curves), then);
        tracing::info!("the changed configuration is taken up");
    }

    /// A reference is compared spot by spot, so it needs the readings of the new ones.
    fn reread(&mut self) {
        if std::mem::replace(&mut self.rereading.under_way, true) {
            return;
        }
        let (named, plan) = (self.named.clone(), Arc::clone(&self.metering.borrow()));
        let files = self.engine.state().sitting.compared_files();
        self.later.spawn(async move {
            let mut read = Vec::new();
            for file in files {
                let metered = named.meter(&file, Arc::clone(&plan)).await;
                read.push((file, metered));
            }
            Later::Reread { plan, read }
        });
    }

    fn take_reread(&mut self, plan: &Arc<MeteringPlan>, read: Vec<(String, Result<MeteredFrame, String>)>) {
        self.rereading.under_way = false;
        if plan.spots != self.metering.borrow().spots {
            // Other spots were drawn meanwhile: the last ones count.
            return self.reread();
        }
        let mut reread = Vec::new();
        for (file, metered) in read {
            match metered {
                Ok(outcome) if outcome.observation.metered.is_some() => reread.push((file, outcome)),
                _ => self.warn(format!(
                    "{file} can't be read any more: what frames are compared with has the new spots when a reference is set anew"
                )),
            }
        }
        let begin = |engine: &mut Engine<LogWriter>| {
            reread.iter().for_each(|(_, outcome)| engine.add_pictures(outcome.pictures()));
            let metered = |(file, outcome): (String, MeteredFrame)| Some((file, outcome.observation.metered?));
            engine.begin(Input::Reread(reread.into_iter().filter_map(metered).collect()))
        };
        self.in_turn(begin, Then::AnswerSpots);
    }

    pub(super) fn answer_spots(&mut self) {
        for (backs, reply) in std::mem::take(&mut self.rereading.answers) {
            answer(backs, &reply);
        }
    }
}
