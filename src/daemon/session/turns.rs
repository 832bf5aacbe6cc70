//! Turns at the engine: one decision at a time, made on a thread of its own, so that a long one holds up no answer.
//!
//! What changes the state waits in a line for its turn; what only asks is answered at once, from what is logged.

use std::collections::VecDeque;

use tokio::sync::{mpsc, oneshot};
use tokio::task::{JoinError, JoinHandle, block_in_place, spawn_blocking};

use super::super::desk::answer;
use super::super::pipeline::Work;
use super::Session;
use crate::frame::Small;
use crate::intake::{Control, FileState};
use crate::outlet::shot_log::LogWriter;
use crate::session::{Begun, Command, Decided, Engine, Input, Reply};

/// Commands that wait for their turn: more than there are connections, each of which waits for its answer.
const MOST_WAITING: usize = 128;

/// Makes the engine ready for a turn, and has it hand out what is to be decided.
type Begin = Box<dyn FnOnce(&mut Engine<LogWriter>) -> Begun + Send>;

/// What may be taken of files.
#[derive(Clone, Copy)]
pub(super) struct Takes {
    pub frames: bool,
    pub lights: bool,
}

/// What follows when a turn is over.
pub(super) enum Then {
    Nothing,
    /// The intake hears that what it told is done with.
    TellIntake,
    Frame(Box<FrameTaken>),
    /// The light of this raw file, whose embedded picture was taken before.
    Light(String),
    Answer(oneshot::Sender<Reply>),
    /// Who drew spots hears of it.
    AnswerSpots,
    /// Those who wished for something that the configuration has now.
    AnswerWish(Vec<oneshot::Sender<Reply>>, Reply),
}

/// A frame whose turn it is.
pub(super) struct FrameTaken {
    pub name: String,
    pub state: FileState,
    pub small: Option<Small>,
}

struct Turn {
    begin: Begin,
    then: Then,
}

/// The turns of one session.
#[derive(Default)]
pub struct Turns {
    waiting: VecDeque<Turn>,
    under_way: Option<UnderWay>,
    /// The last turn was the intake's, or a light's.
    line_is_next: bool,
}

struct UnderWay {
    decision: JoinHandle<Decided>,
    then: Then,
}

impl Turns {
    pub(super) fn is_idle(&self) -> bool {
        self.under_way.is_none()
    }

    /// The file that is being judged.
    pub(super) fn judging(&self) -> Option<&str> {
        match self.under_way.as_ref().map(|turn| &turn.then) {
            Some(Then::Frame(frame)) => Some(&frame.name),
            Some(Then::Light(name)) => Some(name),
            _ => None,
        }
    }

    /// Resolves when the decision that is under way is made, if there is one.
    pub(super) async fn decided(&mut self) -> Result<Decided, JoinError> {
        match &mut self.under_way {
            Some(turn) => (&mut turn.decision).await,
            None => std::future::pending().await,
        }
    }

    /// What is under way is waited for no more.
    pub(super) fn give_up(&mut self) {
        self.waiting.clear();
        self.under_way = None;
    }
}

impl Session {
    /// Puts a turn at the end of the line.
    pub(super) fn in_turn(&mut self, begin: impl FnOnce(&mut Engine<LogWriter>) -> Begun + Send + 'static, then: Then) {
        self.turns.waiting.push_back(Turn { begin: Box::new(begin), then });
    }

    /// A command that tells something waits for its turn.
    pub(super) fn tell_in_turn(&mut self, command: Command, back: oneshot::Sender<Reply>) {
        if self.turns.waiting.len() < MOST_WAITING {
            self.in_turn(move |engine| engine.begin_command(&command, None), Then::Answer(back));
        } else {
            let _ = back.send(Reply::refused("greyhold is busy, and many wait already: tell that again in a moment"));
        }
    }

    /// Begins the next turn when none is under way: by turns a file's, if one is there and may be taken, and the line's. A light that
    /// is there is left to the caller.
    pub(super) fn go_on(&mut self, works: &mut mpsc::Receiver<Work>, takes: Takes) {
        while self.turns.is_idle() {
            let is_a_files = self.turns.waiting.is_empty() || !self.turns.line_is_next;
            if is_a_files && takes.lights && self.lights.is_ready() {
                return;
            }
            if is_a_files
                && takes.frames
                && let Ok(work) = works.try_recv()
            {
                self.take(work);
                continue;
            }
            let Some(turn) = self.turns.waiting.pop_front() else { return };
            self.turns.line_is_next = false;
            self.begin(turn);
        }
    }

    /// Has an input of the intake decided on, before all that waits in the line; only while nothing is under way.
    pub(super) fn begin_input(&mut self, input: Input, then: Then) {
        self.turns.line_is_next = true;
        self.begin(Turn { begin: Box::new(|engine| engine.begin(input)), then });
    }

    fn begin(&mut self, Turn { begin, then }: Turn) {
        match begin(&mut self.engine) {
            Begun::Deciding(undecided) => {
                let decision = spawn_blocking(move || undecided.decide());
                self.turns.under_way = Some(UnderWay { decision, then });
            }
            Begun::Over(reply) => self.conclude(then, reply),
        }
    }

    /// The decision that was under way is made.
    pub(super) fn take_decided(&mut self, decided: Result<Decided, JoinError>) {
        let Some(UnderWay { then, .. }) = self.turns.under_way.take() else { return };
        match decided {
            Ok(decided) => {
                let reply = block_in_place(|| self.engine.finish(decided));
                self.conclude(then, reply);
            }
            Err(why) => self.broke_off_deciding(then, &why.to_string()),
        }
    }

    /// A panic is a defect, but never worth a sitting.
    fn broke_off_deciding(&mut self, then: Then, why: &str) {
        tracing::error!("a decision broke off, which is a defect: {why}");
        self.engine.give_up();
        match then {
            Then::Frame(frame) => {
                let FrameTaken { name, state, .. } = *frame;
                let _ = self.control.send(Control::NotTaken(name.clone()));
                let why = format!("it could not be judged, which is a defect: {why}");
                self.note_skipped(&name);
                self.begin_input(Input::Skipped { name, why, state: Some(state) }, Then::Nothing);
            }
            Then::Answer(back) => {
                let _ = back.send(Reply::refused("it can't be carried out, which is a defect: please report it"));
            }
            then => self.conclude(then, None),
        }
    }

    fn conclude(&mut self, then: Then, reply: Option<Reply>) {
        match then {
            Then::Nothing | Then::Light(_) => {}
            Then::TellIntake => self.tell_intake(),
            Then::Frame(frame) => {
                let FrameTaken { name, small, .. } = *frame;
                self.tell_intake();
                self.keep_thumbnail(&name, small);
            }
            Then::Answer(back) => {
                let reply = self.with_trouble(reply.unwrap_or_else(Reply::none));
                let _ = back.send(reply);
            }
            Then::AnswerSpots => self.answer_spots(),
            Then::AnswerWish(backs, reply) => answer(backs, &reply),
        }
        self.tend_lights();
        self.speak_of_trouble();
        self.refresh();
    }

    /// What is told now would be lost with the power, and whoever tells it can do something about that.
    pub(super) fn with_trouble(&mut self, mut reply: Reply) -> Reply {
        if reply.ok && self.engine.ledger().trouble().is_some() {
            reply.message.push_str("\n  (in memory only: the shot log can't be written just now)");
        }
        reply
    }

    fn tell_intake(&self) {
        let _ = self.control.send(Control::Taken);
    }
}
