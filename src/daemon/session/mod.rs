//! The one owner of the engine: takes what was metered and what is asked, in turns, and keeps the screens up to date.
//!
//! Nothing that a file, a share, a worker or a long decision can hold up is waited for in an arm of the loop: it runs beside,
//! and its result comes in as one more thing to take.

mod beside;
mod lights;
mod turns;

use std::collections::HashMap;
use std::future::Future;
use std::sync::Arc;
use std::time::Instant;

use tokio::sync::{Semaphore, mpsc, oneshot, watch};
use tokio::task::{JoinSet, block_in_place};
use tokio::time::{MissedTickBehavior, interval, sleep, timeout};

pub(super) use self::beside::Rereading;
use self::beside::{Later, TakeLook};
use self::lights::{Come, Mark};
pub(super) use self::lights::{LIGHTS_AT_ONCE, Lights};
pub(super) use self::turns::Turns;
use self::turns::{FrameTaken, Takes, Then};
use super::answers::{self, Synced};
use super::desk::{Desk, Wished};
use super::pipeline::{What, Work};
use super::reading::Named;
use super::sharpness::Sharpening;
use super::{ENDING, LAST_MOMENT, LOGGING, RunError, Setup, TICK};
use crate::frame::{Frame, RawParts, Small};
use crate::intake::{Control, FolderStands, Seen};
use crate::outlet::screen::{Screens, Shown, Thumbnail};
use crate::outlet::shot_log::LogWriter;
use crate::outlet::socket::Ask;
use crate::session::{Command, Engine, Input, Ledger, MeteringPlan, Reply};

/// References that were named and are being read.
const MOST_NAMED: usize = 8;
/// Questions that are answered at one time, beside the frame that is judged.
pub(super) const MOST_ASKING: usize = 32;
/// Names of skipped files that are kept for the next who asks.
const MOST_SKIPPED: usize = 100;
/// Who waits for everything in the folder to be logged, at one time.
const MOST_MARKS: usize = 64;

pub(super) struct Session {
    pub(super) engine: Engine<LogWriter>,
    pub(super) turns: Turns,
    pub(super) lights: Lights,
    /// What the workers read of raw files.
    pub(super) parts: watch::Sender<RawParts>,
    pub(super) metering: watch::Sender<Arc<MeteringPlan>>,
    pub(super) setup: Setup,
    /// Those who wait for a mark.
    pub(super) marks: HashMap<u64, oneshot::Sender<Reply>>,
    pub(super) next_mark: u64,
    pub(super) control: std::sync::mpsc::Sender<Control<Frame>>,
    pub(super) folder: Seen,
    pub(super) trouble_said: bool,
    pub(super) skipped: Vec<String>,
    /// Those beyond [`MOST_SKIPPED`].
    pub(super) more_skipped: usize,
    pub(super) desk: Desk,
    pub(super) named: Named,
    pub(super) sharpening: Sharpening,
    pub(super) references_under_way: usize,
    pub(super) rereading: Rereading,
    /// Seats for those whose questions are being answered.
    pub(super) asking: Arc<Semaphore>,
    pub(super) later: JoinSet<Later>,
    pub(super) screens: Screens,
    /// The last frame's.
    pub(super) picture: Option<Arc<Thumbnail>>,
}

impl Session {
    pub async fn serve(
        &mut self,
        mut works: mpsc::Receiver<Work>,
        mut asked: mpsc::Receiver<Ask>,
        stop: impl Future<Output = ()>,
    ) -> Result<(), RunError> {
        let mut ticks = interval(TICK);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        tokio::pin!(stop);
        self.read_last_picture();
        self.tend_lights();
        let mut ended = Ok(());
        loop {
            // While memory is full of unwritten records, the folder is the queue.
            let has_room = !self.engine.ledger().is_full();
            self.go_on(&mut works, Takes { frames: has_room && self.lights.has_room(), lights: has_room });
            let takes_files = has_room && self.turns.is_idle();
            let takes_frames = takes_files && self.lights.has_room();
            let desk_due = self.desk.next_due();
            tokio::select! {
                biased;
                () = &mut stop => break,
                _ = ticks.tick() => self.tick(),
                decided = self.turns.decided() => self.take_decided(decided),
                come = self.lights.next(), if takes_files => self.take_come(come),
                Some(later) = self.later.join_next(), if !self.later.is_empty() => match later {
                    Ok(later) => self.take_later(later),
                    Err(e) => self.broke_off(&e.to_string()),
                },
                () = sleep(desk_due.unwrap_or_default()), if desk_due.is_some() => self.work_at_desk(false),
                Some((command, back)) = asked.recv() => self.ask(command, back),
                work = works.recv(), if takes_frames => match work {
                    Some(work) => self.take(work),
                    None => {
                        ended = Err(RunError::IntakeEnded);
                        break;
                    }
                },
            }
        }
        self.end(works).await?;
        ended
    }

    /// What was read is still logged, as far as time allows; files that are being read are left for the next start.
    async fn end(&mut self, mut works: mpsc::Receiver<Work>) -> Result<(), RunError> {
        let began = Instant::now();
        let _ = self.control.send(Control::Stop);
        // A worker that doesn't let itself be ended must not hold up the end.
        for pool in [self.setup.workers.clone(), self.sharpening.workers()] {
            std::thread::spawn(move || pool.stop());
        }
        let drain = async {
            loop {
                self.go_on(&mut works, Takes { frames: true, lights: false });
                tokio::select! {
                    decided = self.turns.decided() => self.take_decided(decided),
                    work = works.recv(), if self.turns.is_idle() => match work {
                        Some(work) => self.take(work),
                        None => break,
                    },
                }
            }
        };
        if timeout(ENDING, drain).await.is_err() {
            tracing::warn!("some frames were not metered or judged any more; they will be at the next start");
            self.turns.give_up();
        }
        block_in_place(|| {
            self.engine.give_up();
            self.engine.close();
            let left = LOGGING.saturating_sub(began.elapsed()).max(LAST_MOMENT);
            self.engine.ledger().end(left)
        })?;
        Ok(())
    }

    // --- what the intake tells ---

    /// Only while no decision is under way.
    fn take(&mut self, work: Work) {
        let Work { what, counted } = work;
        if matches!(what, What::Frame { .. } | What::NotMetered { .. } | What::Input(Input::Skipped { .. })) {
            self.sharpening.landed();
        }
        let then = if counted { Then::TellIntake } else { Then::Nothing };
        match what {
            What::Mark { token, waiting, silent, folder } => {
                if let Some(mark) = self.lights.mark(Mark { token, waiting, silent, folder }) {
                    self.take_come(Come::Mark(mark));
                }
            }
            What::NotMetered { name, state, why } => {
                let why = format!("it could not be metered, which is a defect: {why}");
                let _ = self.control.send(Control::NotTaken(name.clone()));
                self.note_skipped(&name);
                self.begin_input(Input::Skipped { name, why, state: Some(state) }, Then::Nothing);
            }
            What::Input(input) => {
                if let Input::Skipped { name, .. } = &input {
                    self.note_skipped(name);
                }
                self.begin_input(input, then);
            }
            What::Frame { input, small } => {
                let (name, state) = (input.file.name.clone(), input.file.state);
                self.begin_input(Input::Frame(input), Then::Frame(Box::new(FrameTaken { name, state, small })));
            }
        }
    }

    fn note_skipped(&mut self, name: &str) {
        if self.skipped.len() < MOST_SKIPPED {
            self.skipped.push(name.to_owned());
        } else {
            self.more_skipped += 1;
        }
    }

    fn keep_thumbnail(&mut self, name: &str, small: Option<Small>) {
        if let Some(small) = small
            && let Some(frame) = self.engine.last_frame().filter(|(_, file)| *file == name).map(|(frame, _)| frame)
        {
            self.picture = Some(Arc::new(Thumbnail::new(frame, small)));
        }
    }

    // --- screens ---

    /// Puts what is new on all screens.
    fn refresh(&self) {
        // Without page and view nobody looks.
        if self.screens.receiver_count() == 0 {
            return;
        }
        let shown = Arc::clone(&self.screens.borrow());
        let frame_of = |picture: &Option<Arc<Thumbnail>>| picture.as_ref().map(|p| p.frame);
        let spots = self.sharpening.pictures();
        let is_other = frame_of(&shown.picture) != frame_of(&self.picture);
        if shown.board.n != self.engine.last_record() || is_other || shown.spot_pictures.made() != spots.made() {
            let (board, laid) = (self.engine.board(), self.engine.last_laid());
            let _ = self.screens.send(Arc::new(Shown::new(board, self.picture.clone(), laid, spots)));
        }
    }

    /// After a restart the last frame's picture is read again, if its file is still there.
    fn read_last_picture(&mut self) {
        let Some((frame, file)) = self.engine.last_frame().filter(|_| self.setup.page.is_some()) else { return };
        let (named, file, marks) = (self.named.clone(), file.to_owned(), self.setup.config.camera_steps);
        self.later.spawn(async move {
            let read = named.read(&file, marks).await;
            let picture = read.ok().and_then(|read| Some(Thumbnail::new(frame, read.picture?.small())));
            Later::Thumbnail(picture)
        });
    }

    // --- what people ask ---

    fn ask(&mut self, command: Command, back: oneshot::Sender<Reply>) {
        if let Some(why) = self.engine.has_no_room_for(&command) {
            let _ = back.send(Reply::refused(why));
            return;
        }
        match command {
            Command::Wait {} => self.ask_intake(back),
            Command::Reference { file: Some(file), look, frame } => {
                self.read_reference(file, move |file| Command::Reference { file: Some(file), look, frame }, back);
            }
            Command::TakeLook { sheet, look, taken_up_as, folder } => {
                self.read_sheet(TakeLook { sheet, look, taken_up_as, folder }, back);
            }
            Command::Spot { name, area } => self.ask_at_desk(Wished::Spot { name, area }, back),
            Command::SetUp(thing) => self.ask_at_desk(Wished::Thing(thing), back),
            Command::SetUpNotes { notes } => self.ask_at_desk(Wished::Notes(notes), back),
            Command::Status {} => {
                let _ = back.send(self.status());
            }
            command if command.only_asks() => {
                let Ok(seat) = Arc::clone(&self.asking).try_acquire_owned() else {
                    let _ = back.send(Reply::refused("greyhold is answering others: ask again in a moment"));
                    return;
                };
                let asked = self.engine.asked(&command);
                self.later.spawn_blocking(move || {
                    let reply = asked.answer();
                    drop(seat);
                    Later::Asked { reply, back }
                });
            }
            command => self.tell_in_turn(command, back),
        }
        self.speak_of_trouble();
        self.refresh();
    }

    /// How it stands by what is logged, and which file is being judged.
    fn status(&mut self) -> Reply {
        let mut reply = self.engine.asked(&Command::Status {}).answer();
        if let Some(values) = reply.value.as_object_mut() {
            values.insert("folder".to_owned(), answers::folder(&self.setup.folder, &self.folder.now()));
            values.insert("judging".to_owned(), self.turns.judging().into());
        }
        self.with_trouble(reply)
    }

    /// Somebody wants to hear when everything in the folder is logged.
    fn ask_intake(&mut self, back: oneshot::Sender<Reply>) {
        if self.marks.len() >= MOST_MARKS {
            let _ = back.send(Reply::refused("many wait for the folder already: ask again in a moment"));
            return;
        }
        let token = self.next_mark;
        self.next_mark += 1;
        self.marks.insert(token, back);
        // Nobody would take such a mark up, and it would stay with the intake.
        if !self.answer_vain_marks() {
            let _ = self.control.send(Control::Sync(token));
        }
    }

    fn answer_mark(&mut self, token: u64, synced: Synced) {
        if let Some(back) = self.marks.remove(&token) {
            let in_memory = self.engine.ledger().waiting();
            let (skipped, more_skipped) = (self.skipped.clone(), self.more_skipped);
            // Whoever went away has not heard of them.
            if back.send(Synced { in_memory, skipped, more_skipped, ..synced }.reply()).is_ok() {
                (self.skipped, self.more_skipped) = (Vec::new(), 0);
            }
        }
    }

    /// Marks that the intake can't answer now: nothing is taken from it, or its folder doesn't let it go on.
    fn answer_vain_marks(&mut self) -> bool {
        let folder = self.folder.now();
        let silent = folder.stands == FolderStands::Silent;
        if !silent && !self.engine.ledger().is_full() {
            return false;
        }
        for token in self.marks.keys().copied().collect::<Vec<u64>>() {
            self.answer_mark(token, Synced { folder: folder.clone(), unasked: !silent, ..Synced::default() });
        }
        true
    }

    fn read_reference(
        &mut self,
        file: String,
        command: impl FnOnce(String) -> Command + Send + 'static,
        back: oneshot::Sender<Reply>,
    ) {
        if self.references_under_way >= MOST_NAMED {
            let _ = back.send(Reply::refused("other files are being read as references: try again in a moment"));
            return;
        }
        self.references_under_way += 1;
        let (named, metering) = (self.named.clone(), Arc::clone(&self.metering.borrow()));
        self.later.spawn(async move {
            let read = Box::new(named.meter(&file, metering).await);
            let command = command(named.name_of(&file).await);
            Later::Reference { command, file, back, read }
        });
    }

    // --- the clock ---

    fn tick(&mut self) {
        block_in_place(|| self.engine.retry());
        self.speak_of_trouble();
        self.work_at_desk(true);
        self.answer_vain_marks();
        self.measure_sharpness();
        self.refresh();
    }

    fn warn(&mut self, text: String) {
        // The record is shown, too; here it is for those who read messages only.
        tracing::info!("{text}");
        self.in_turn(|engine| engine.begin(Input::Warning(text)), Then::Nothing);
    }

    /// Says once that the log takes nothing, and once that it does again.
    fn speak_of_trouble(&mut self) {
        let log = self.engine.ledger();
        let (trouble, waiting) = (log.trouble().map(str::to_owned), log.waiting());
        match (trouble, self.trouble_said) {
            (Some(why), false) => {
                self.trouble_said = true;
                let log = self.setup.log.display().to_string();
                self.warn(format!(
                    "THE SHOT LOG {log} CAN'T BE WRITTEN ({why}): metering goes on, {waiting} records wait in memory; free the disk or its folder"
                ));
            }
            (None, true) => {
                self.trouble_said = false;
                self.warn("the shot log is written again, nothing was lost".to_owned());
            }
            _ => {}
        }
    }
}
