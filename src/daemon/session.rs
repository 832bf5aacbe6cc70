//! The one owner of the engine: takes what was metered and what is asked, and keeps the screens up to date.

use std::collections::HashMap;
use std::future::Future;
use std::sync::Arc;

use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::{JoinHandle, block_in_place, spawn_blocking};
use tokio::time::{MissedTickBehavior, interval, timeout};

use super::{CurvesStamp, ENDING, RunError, Setup, TICK, Work, meter_named, metering_of};
use crate::advice::Subject;
use crate::config::{Config, Curves, drawn};
use crate::container::Kind;
use crate::frame;
use crate::intake::Control;
use crate::meter::Area;
use crate::outlet::screen::{Picture, Screens, Shown};
use crate::outlet::shot_log::ShotLog;
use crate::outlet::socket::Ask;
use crate::session::{Command, Engine, FrameOutcome, Input, Ledger, Metering, Reply};

pub(super) struct Session {
    pub(super) engine: Engine<ShotLog>,
    pub(super) metering: watch::Sender<Arc<Metering>>,
    pub(super) setup: Setup,
    /// Those who wait for a mark.
    pub(super) marks: HashMap<u64, oneshot::Sender<Reply>>,
    pub(super) next_mark: u64,
    pub(super) control: std::sync::mpsc::Sender<Control>,
    pub(super) trouble_said: bool,
    /// What lay in the folder of curves when it was read.
    pub(super) curves: CurvesStamp,
    pub(super) screens: Screens,
    /// The last frame's.
    pub(super) picture: Option<Arc<Picture>>,
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
        let mut old_picture = self.look_for_picture();
        loop {
            // While memory is full of unwritten records, the folder is the queue.
            let has_room = !self.engine.ledger().is_full();
            tokio::select! {
                biased;
                () = &mut stop => break,
                Some((command, back)) = asked.recv() => self.ask(command, back).await,
                work = works.recv(), if has_room => match work {
                    Some(work) => self.take(work).await,
                    None => return Err(RunError::IntakeEnded),
                },
                _ = ticks.tick() => self.tick().await,
                Some(picture) = finished(&mut old_picture) => {
                    old_picture = None;
                    self.picture = self.picture.take().or(picture);
                    self.refresh();
                }
            }
        }
        let _ = self.control.send(Control::Stop);
        let drain = async {
            while let Some(work) = works.recv().await {
                self.take(work).await;
            }
        };
        if timeout(ENDING, drain).await.is_err() {
            tracing::warn!("some frames were not metered any more; they will be at the next start");
        }
        block_in_place(|| {
            self.engine.close();
            self.engine.ledger().end()
        })?;
        Ok(())
    }

    async fn take(&mut self, work: Work) {
        let (input, small) = match work {
            Work::Ready(input) => (input, None),
            Work::Metered(task) => match task.await {
                Ok((frame, small)) => {
                    let name = frame.file.name.clone();
                    (Input::Frame(Box::new(frame)), small.map(|s| (name, s)))
                }
                // A panic is a defect, but never worth a sitting.
                Err(e) => (Input::Warning(format!("a frame could not be metered, which is a defect: {e}")), None),
            },
            Work::Mark { token, waiting } => {
                if let Some(back) = self.marks.remove(&token) {
                    let _ = back.send(synced(waiting));
                }
                return;
            }
        };
        block_in_place(|| self.engine.take(input));
        self.speak_of_trouble();
        if let Some((name, small)) = small
            && let Some(frame) = self.engine.last_frame().filter(|(_, file)| *file == name).map(|(frame, _)| frame)
        {
            self.picture = Some(Arc::new(Picture::new(frame, small)));
        }
        self.refresh();
    }

    /// Puts what is new on all screens.
    fn refresh(&self) {
        // Without page and view nobody looks.
        if self.screens.receiver_count() == 0 {
            return;
        }
        let shown = Arc::clone(&self.screens.borrow());
        let frame_of = |picture: &Option<Arc<Picture>>| picture.as_ref().map(|p| p.frame);
        if shown.board.n != self.engine.last_record() || frame_of(&shown.picture) != frame_of(&self.picture) {
            let _ = self.screens.send(Arc::new(Shown::new(self.engine.board(), self.picture.clone())));
        }
    }

    /// After a restart the last frame's picture is read again, if its file is still there.
    fn look_for_picture(&self) -> Option<JoinHandle<Option<Arc<Picture>>>> {
        let (frame, file) = self.engine.last_frame().filter(|_| self.setup.page.is_some())?;
        let path = self.setup.folder.join(file);
        let marks = self.setup.config.marks;
        Some(spawn_blocking(move || {
            let read = frame::read(Kind::of(&path)?, &path, marks).ok()?;
            Some(Arc::new(Picture::new(frame, read.picture?.small())))
        }))
    }

    async fn ask(&mut self, command: Command, back: oneshot::Sender<Reply>) {
        if let Some(why) = self.engine.has_no_room_for(&command) {
            let _ = back.send(Reply::refused(why));
            return;
        }
        match &command {
            Command::Sync {} => {
                let token = self.next_mark;
                self.next_mark += 1;
                self.marks.insert(token, back);
                let _ = self.control.send(Control::Sync(token));
                return;
            }
            Command::Reference { file: Some(file), .. } => {
                let path = self.setup.folder.join(file);
                let metering = Arc::clone(&self.metering.borrow());
                let reply = match spawn_blocking(move || meter_named(&path, &metering)).await {
                    Ok(Ok(outcome)) => block_in_place(|| self.engine.command(&command, Some(outcome.subject))),
                    Ok(Err(why)) => Reply::refused(format!("{file} can't be a reference: {why}")),
                    Err(_) => Reply::refused(format!("{file} can't be a reference: metering it failed")),
                };
                let _ = back.send(reply);
            }
            Command::Spot { name, area } => {
                let reply = self.draw_spot(name, *area).await;
                let _ = back.send(reply);
            }
            _ => {
                let reply = block_in_place(|| self.engine.command(&command, None));
                let _ = back.send(reply);
            }
        }
        self.speak_of_trouble();
        self.refresh();
    }

    /// Saves a drawn spot and takes it up at once.
    async fn draw_spot(&mut self, name: &str, area: Option<Area>) -> Reply {
        if let Err(why) = block_in_place(|| drawn::draw(self.setup.config_watch.drawn(), name, area)) {
            return Reply::refused(why.to_string());
        }
        match block_in_place(|| self.setup.config_watch.now()) {
            Ok(config) => {
                self.take_config(*config).await;
                let drawn = self.setup.config_watch.drawn().file_name().unwrap_or_default().to_string_lossy();
                Reply::done(match area {
                    Some(_) => format!("the spot '{name}' counts from the next frame on (saved in {drawn})"),
                    None => format!("the drawn spot '{name}' is gone"),
                })
            }
            Err(fault) => Reply::refused(format!("it is saved, but the configuration can't be read: {fault}")),
        }
    }

    async fn tick(&mut self) {
        block_in_place(|| self.engine.retry());
        self.speak_of_trouble();
        self.look_for_curves();
        match self.setup.config_watch.look() {
            None => {}
            Some(Ok(config)) => self.take_config(*config).await,
            Some(Err(fault)) => {
                self.warn(format!("the changed configuration is not taken up, the old one holds: {fault}"))
            }
        }
        self.refresh();
    }

    async fn take_config(&mut self, config: Config) {
        let old = self.setup.config.clone();
        let fixed = (&config.folder, &config.log, &config.socket, config.mode, &config.rules)
            != (&old.folder, &old.log, &old.socket, old.mode, &old.rules);
        if fixed {
            self.warn("folder, log, socket, watch and ignore take effect at the next start".to_owned());
        }
        self.setup.config = config.clone();
        let metering = metering_of(&config);
        let _ = self.metering.send(Arc::clone(&metering));
        block_in_place(|| self.engine.take(Input::Config(Box::new(config), metering)));
        tracing::info!("the changed configuration is taken up");
        if self.setup.config.spots != old.spots {
            self.meter_by_new_spots().await;
        }
    }

    /// A reference is compared spot by spot, so it needs the readings of the new ones.
    async fn meter_by_new_spots(&mut self) {
        for file in self.engine.compared_files() {
            let path = self.setup.folder.join(&file);
            let metering = Arc::clone(&self.metering.borrow());
            match spawn_blocking(move || meter_named(&path, &metering)).await {
                Ok(Ok(FrameOutcome { subject: Subject { metered: Some(metered), .. }, .. })) => {
                    block_in_place(|| self.engine.take(Input::Reread { file, metered: Box::new(metered) }));
                }
                _ => self.warn(format!(
                    "{file} can't be read any more: what frames are compared with has the new spots when a reference is set anew"
                )),
            }
        }
    }

    /// A camera that is calibrated while the daemon runs is read by its own curve from then on.
    fn look_for_curves(&mut self) {
        let now = Curves::stamp(self.setup.config.curves.as_deref());
        if now != self.curves {
            self.curves = now;
            let metering = metering_of(&self.setup.config);
            let _ = self.metering.send(Arc::clone(&metering));
            block_in_place(|| self.engine.take(Input::Curves(metering)));
            tracing::info!("the camera curves are read anew");
        }
    }

    fn warn(&mut self, text: String) {
        // The record is shown, too; here it is for those who read messages only.
        tracing::info!("{text}");
        block_in_place(|| self.engine.take(Input::Warning(text)));
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

/// What a task came to; never, where there is none.
async fn finished<T>(task: &mut Option<JoinHandle<Option<T>>>) -> Option<Option<T>> {
    match task {
        Some(task) => Some(task.await.ok().flatten()),
        None => std::future::pending().await,
    }
}

fn synced(waiting: Vec<String>) -> Reply {
    let says = match waiting.as_slice() {
        [] => "everything in the folder is logged".to_owned(),
        rest => format!("everything is logged but what is not whole yet: {}", rest.join(", ")),
    };
    Reply::with(says, serde_json::json!({"waiting": waiting}))
}
