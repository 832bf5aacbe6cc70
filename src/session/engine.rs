//! The engine: the one owner of the state. It has inputs decided on, and numbers, encodes, writes and publishes the
//! records; nothing else.
//!
//! Plain synchronous code: metering happens before, writing behind the [`Ledger`], listening behind the publisher.
//! Each input's records are written and synced together, then announced. What is to be decided may be handed out
//! ([`Engine::begin`]) and decided elsewhere; until it is back ([`Engine::finish`]) the state stays as it is, and can be asked.

use std::collections::BTreeSet;
use std::sync::Arc;

use jiff::Timestamp;

use super::board::Board;
use super::command::{Command, Reply};
use super::decide::Input;
use super::knowledge::Knowledge;
use super::last_laid::LastLaid;
use super::ledger::{Ledger, Published, coded};
use super::light_of_file::LightOfFile;
use super::record::{Body, Record};
use super::scenes::{PictureKeeping, PicturesToKeep};
use super::sealed::VERSION;
use super::sharpness_wanted::SharpnessWanted;
use super::sitting_step::SittingStep;
use super::state::State;
use super::undecided::{Begun, Decided, Undecided, frame_of, told};
use crate::advice::Observation;
use crate::align::{CodePicture, PictureId};
use crate::config::{Config, Curves};
use crate::numbers::{FrameNumber, RecordNumber};

/// What could not be logged because memory was full, and is made up for.
#[derive(Debug, Default)]
struct Owed {
    config: bool,
    warnings: u64,
}

pub struct Engine<L> {
    config: Arc<Config>,
    knowledge: Arc<Knowledge>,
    state: Arc<State>,
    ledger: L,
    clock: Box<dyn Fn() -> Timestamp + Send>,
    publish: Box<dyn FnMut(Published) + Send>,
    staged: Vec<(Record, String)>,
    owed: Owed,
    keep_light: Box<dyn FnMut(LightOfFile) + Send>,
    keep_pictures: Box<dyn FnMut(PicturesToKeep) -> PictureKeeping + Send>,
    /// Pictures that were told to be kept.
    kept_pictures: BTreeSet<PictureId>,
    /// A decision was handed out and is not back.
    is_deciding: bool,
    /// What came meanwhile.
    put_off: Vec<Input>,
}

impl<L: Ledger> Engine<L> {
    /// An engine on a replayed state; `publish` must never wait.
    pub fn new(
        config: Config,
        curves: Arc<Curves>,
        state: State,
        ledger: L,
        clock: impl Fn() -> Timestamp + Send + 'static,
        publish: impl FnMut(Published) + Send + 'static,
    ) -> Engine<L> {
        let (clock, publish) = (Box::new(clock), Box::new(publish));
        let (staged, owed) = (Vec::new(), Owed::default());
        Engine {
            config: Arc::new(config),
            knowledge: Arc::new(Knowledge::new(curves)),
            state: Arc::new(state),
            ledger,
            clock,
            publish,
            staged,
            owed,
            keep_light: Box::new(|_| {}),
            keep_pictures: Box::new(|_| PictureKeeping::Taken),
            kept_pictures: BTreeSet::new(),
            is_deciding: false,
            put_off: Vec::new(),
        }
    }

    /// Goes on with the light of earlier frames' parts, as far as it belongs to this sitting, and hands that of each
    /// further file to `keep`, which must never wait.
    pub fn keep_light(&mut self, earlier: Vec<LightOfFile>, keep: impl FnMut(LightOfFile) + Send + 'static) {
        let state = Arc::clone(&self.state);
        for light in earlier.into_iter().filter(|light| light.belongs_to(&state)) {
            self.knowledge().keep(light.frame, light.map);
        }
        self.keep_light = Box::new(keep);
    }

    /// The small pictures that were kept before, and who keeps them from now on; `keep` must never wait.
    pub fn keep_pictures(
        &mut self,
        earlier: Vec<(PictureId, Arc<CodePicture>)>,
        keep: impl FnMut(PicturesToKeep) -> PictureKeeping + Send + 'static,
    ) {
        for (id, picture) in earlier {
            self.knowledge().scenes.add(id, picture);
            self.kept_pictures.insert(id);
        }
        self.keep_pictures = Box::new(keep);
        self.tend_pictures();
    }

    /// Takes the small pictures of what is about to be told of.
    pub fn add_pictures(&mut self, pictures: impl Iterator<Item = (PictureId, Arc<CodePicture>)>) {
        for (id, picture) in pictures {
            self.knowledge().scenes.add(id, picture);
        }
    }

    /// The small pictures that frames are laid over, and those of the exposures that can be judged anew.
    pub fn pictures(&self) -> BTreeSet<PictureId> {
        let sitting = &self.state.sitting;
        sitting.pictures_of_looks().into_iter().chain(sitting.pictures_of_late()).collect()
    }

    /// Forgets the pictures that nothing needs any more, and has the others kept beyond a restart.
    fn tend_pictures(&mut self) {
        let wanted = self.pictures();
        if wanted != self.kept_pictures {
            let of = |id: &PictureId| Some((*id, Arc::clone(self.knowledge.scenes.picture(*id)?)));
            let added = wanted.difference(&self.kept_pictures).filter_map(of).collect();
            if (self.keep_pictures)(PicturesToKeep { added, wanted: wanted.clone() }) == PictureKeeping::Taken {
                self.kept_pictures = wanted.clone();
            }
        }
        self.knowledge().scenes.retain(&wanted);
    }

    /// Copied only while a decision that was given up goes by it still.
    fn knowledge(&mut self) -> &mut Knowledge {
        Arc::make_mut(&mut self.knowledge)
    }

    /// What the sitting shows right now.
    pub fn board(&self) -> Board {
        Board::of(&self.state.sitting, &self.config)
    }

    /// The last frame over what it was measured by.
    pub fn last_laid(&self) -> Option<LastLaid> {
        LastLaid::of(&self.state.sitting, &self.config, &self.knowledge)
    }

    pub fn state(&self) -> &State {
        &self.state
    }

    /// Of which frame the sharpness is to be measured, or the spots are to be shown.
    pub fn sharpness_wanted(&self, is_done: impl Fn(&SharpnessWanted) -> bool) -> Option<SharpnessWanted> {
        SharpnessWanted::next(&self.state.sitting, &self.config, &self.knowledge.curves, is_done)
    }

    /// Number of the last record.
    pub fn last_record(&self) -> RecordNumber {
        self.state.sitting.records
    }

    /// Number and file of the last frame.
    pub fn last_frame(&self) -> Option<(FrameNumber, &str)> {
        self.state.sitting.setup.last.as_ref().map(|l| (l.frame, l.file.as_str()))
    }

    pub fn ledger(&mut self) -> &mut L {
        &mut self.ledger
    }

    /// Logs the start: who opened the log, and the configuration it runs by.
    pub fn open(&mut self, program: String, folder: String) {
        self.take(Input::Opened { program, folder, process: std::process::id() });
    }

    /// Logs the end.
    pub fn close(&mut self) {
        self.take(Input::Closed);
    }

    /// Runs by another configuration from now on.
    pub fn configure(&mut self, config: Config, curves: Arc<Curves>) -> Begun {
        self.config = Arc::new(config);
        self.knowledge().curves = curves;
        self.begin(Input::Configured)
    }

    /// Reads pictures by other curves from now on.
    pub fn set_curves(&mut self, curves: Arc<Curves>) -> Begun {
        self.knowledge().curves = curves;
        self.begin(Input::Curves)
    }

    /// Takes one input; its records are on the disk, or known not to be, when this returns. While a decision is out it is put
    /// off until that is back.
    pub fn take(&mut self, input: Input) {
        if self.is_deciding {
            self.put_off.push(input);
        } else if let Begun::Deciding(undecided) = self.begin(input) {
            self.finish(undecided.decide());
        }
    }

    /// Carries out a command, as [`Engine::begin_command`] does.
    pub fn command(&mut self, command: &Command, observation: Option<Observation>) -> Reply {
        match self.begin_command(command, observation) {
            Begun::Deciding(undecided) => self.finish(undecided.decide()),
            Begun::Over(reply) => reply,
        }
        .unwrap_or_else(Reply::none)
    }

    /// Hands out what is to be decided of an input. Its light and pictures are known from here on, its records when it is
    /// back.
    pub fn begin(&mut self, input: Input) -> Begun {
        if self.owes(&input) {
            return Begun::Over(None);
        }
        input.outcome().into_iter().for_each(|outcome| self.add_pictures(outcome.pictures()));
        self.is_deciding = true;
        Begun::Deciding(self.undecided(input))
    }

    fn undecided(&self, input: Input) -> Undecided {
        let (config, knowledge) = (Arc::clone(&self.config), Arc::clone(&self.knowledge));
        Undecided { state: Arc::clone(&self.state), config, knowledge, input }
    }

    /// Hands out a command; what only asks is answered at once. A file that it names was read by the caller, who hands it on as
    /// `observation`; `wait`, `since` and `spot` are not the engine's.
    pub fn begin_command(&mut self, command: &Command, observation: Option<Observation>) -> Begun {
        match self.has_no_room_for(command) {
            Some(why) => Begun::Over(Some(Reply::refused(why))),
            None if command.only_asks() => Begun::Over(Some(self.asked(command).answer())),
            None => self.begin(told(command, observation)),
        }
    }

    /// Hands out what only asks: it goes by what is logged, whatever is being decided on, and may take a survey's time.
    pub fn asked(&self, command: &Command) -> Undecided {
        self.undecided(told(command, None))
    }

    /// Writes down what was decided, then takes what was put off meanwhile.
    pub fn finish(&mut self, decided: Decided) -> Option<Reply> {
        let Decided { decision, mut landed } = decided;
        self.is_deciding = false;
        for body in decision.records {
            // A sitting has files of its own, so that it can be opened without the others.
            if matches!(&body, Body::Sitting { step: SittingStep::Began { .. } }) {
                self.write_staged();
                self.begin_another_file();
            }
            let of = frame_of(&body);
            // What comes after a record that can't be written down rests on it.
            if !self.stage(body) {
                break;
            }
            if let Some(light) = of.and_then(|frame| Some(landed.take()?.of(frame))) {
                self.knowledge().keep(light.frame, light.map.clone());
                (self.keep_light)(light);
            }
        }
        self.flush();
        self.tend_pictures();
        self.take_what_was_put_off();
        decision.reply
    }

    /// Nothing comes back of what was handed out.
    pub fn give_up(&mut self) {
        self.is_deciding = false;
        self.take_what_was_put_off();
    }

    fn take_what_was_put_off(&mut self) {
        std::mem::take(&mut self.put_off).into_iter().for_each(|input| self.take(input));
    }

    /// Why a command can't be carried out now, because what it tells could not be kept.
    pub fn has_no_room_for(&self, command: &Command) -> Option<String> {
        (!command.only_asks() && self.ledger.is_full()).then(|| {
            "the shot log can't be written, and as much waits in memory as may: free its disk, then tell this again"
                .to_owned()
        })
    }

    // --- what there is no room for ---

    /// Puts off what can be made up for, while memory holds all the lines it may.
    fn owes(&mut self, input: &Input) -> bool {
        match input {
            _ if !self.ledger.is_full() => return false,
            Input::Warning(_) => self.owed.warnings += 1,
            Input::Configured => self.owed.config = true,
            _ => return false,
        }
        true
    }

    /// Tries again to log what waits.
    pub fn retry(&mut self) {
        self.ledger.retry();
        self.make_up();
        self.tend_ledger();
    }

    /// Logs what there was no room for, as far as it still tells something.
    fn make_up(&mut self) {
        if self.ledger.is_full() {
            return;
        }
        let owed = std::mem::take(&mut self.owed);
        if owed.config {
            self.take(Input::Configured);
        }
        if owed.warnings > 0 {
            let text = format!("warnings that were not kept while the shot log took nothing: {}", owed.warnings);
            self.take(Input::Warning(text));
        }
    }

    // --- numbering, encoding, writing, publishing ---

    /// Numbers and encodes a record and takes it into the state, as a restart would from the log. In the place of one
    /// that can't be written down stands a warning, and the answer is `false`.
    fn stage(&mut self, body: Body) -> bool {
        let record = Record { v: VERSION, n: self.state.sitting.records.next(), at: (self.clock)(), body };
        match coded(&record) {
            Ok((record, line)) => {
                Arc::make_mut(&mut self.state).apply(&record);
                self.staged.push((record, line));
                true
            }
            Err(why) => {
                self.stage_in_place_of(record, &why);
                false
            }
        }
    }

    /// Only a number that JSON can't hold gets a record here; a warning and a passed-over file have none.
    fn stage_in_place_of(&mut self, record: Record, why: &str) {
        tracing::error!(n = record.n.get(), "a record can't be written down, which is a defect: {why}");
        let (what, file) = match record.body {
            Body::Frame(frame) => (format!("frame {} ({})", frame.frame, frame.file), Some(frame.file)),
            Body::FileAdded { frame, file, .. } => (format!("a file of frame {frame} ({file})"), Some(file)),
            Body::Judged(judgement) => (format!("what was made of frame {}", judgement.frame), None),
            Body::Warning { .. } | Body::Skipped { .. } => return,
            _ => ("something that happened just now".to_owned(), None),
        };
        self.stage(Body::Warning {
            text: format!("{what} can't be written to the shot log, which is a defect: please report it ({why})"),
        });
        if let Some(file) = file {
            let why = "what was read in it can't be written down".to_owned();
            self.stage(Body::Skipped { file, why, state: None });
        }
    }

    fn flush(&mut self) {
        if !self.staged.is_empty() {
            self.write_staged();
            self.tend_ledger();
        }
    }

    /// Without telling what befell the log, which is a decision of its own.
    fn write_staged(&mut self) {
        let staged = std::mem::take(&mut self.staged);
        let logged = self.ledger.append(staged.iter().map(|(_, line)| line.clone()).collect());
        for (record, line) in staged {
            (self.publish)(Published { record, line, logged });
        }
    }

    /// Tells what befell the log, and begins its next file when that is due.
    fn tend_ledger(&mut self) {
        let news = self.ledger.take_news();
        if !news.is_empty() {
            // Each is told by way of this very function again, until there is no news.
            return news.into_iter().for_each(|text| self.take(Input::Warning(text)));
        }
        if self.ledger.wants_state() {
            self.begin_another_file();
        }
    }

    fn begin_another_file(&mut self) {
        match self.state.carried() {
            Ok(lines) => self.ledger.carry(&lines),
            Err(e) => tracing::error!("the state can't be written down, which is a defect: {e}"),
        }
    }
}
