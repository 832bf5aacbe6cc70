//! `greyhold demo`: a sitting of our own, played through a real watch.

mod sitting;

use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::sync::broadcast::{self, error::TryRecvError};
use tokio::sync::{oneshot, watch};

use self::sitting::{RIG, Then, story};
use super::exit::{CommandError, Exit};
use super::page::{PageArgs, page_in_words};
use super::{say, say_block, tell};
use crate::config::ConfigWatch;
use crate::daemon::{self, Setup};
use crate::outlet::plain::{Paint, Showing, block};
use crate::outlet::socket::EVENTS_KEPT;
use crate::outlet::stand_page::PageSetup;
use crate::rig::{DialChange, GroupName};
use crate::session::{Body, Command, PowerSource, Published, SurveyAsk};
use crate::workers::{Pool, this_program};

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  greyhold demo                    plays in a temporary folder and says where the logs are
  greyhold demo --page             slowly, with the stand page to look at")]
pub struct Args {
    /// Play in this new folder and not in a temporary one
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
    /// Serve the stand page meanwhile, play slowly, and stay until interrupted
    #[arg(long)]
    page: bool,
    #[command(flatten)]
    how: PageArgs,
}

/// How fast the sitting is played.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Pace {
    Quick,
    /// With time to look at the page between two steps, and after the last.
    ForEyes,
}

const STEP_FOR_EYES: Duration = Duration::from_secs(5);
/// So long whoever looks at the page has to set what is asked, before the assistant does it.
const ASSISTANT_WAITS: Duration = Duration::from_secs(12);
const LOOKS_AGAIN: Duration = Duration::from_millis(100);

pub fn run(args: Args, evidence: bool) -> Result<Exit, CommandError> {
    let home =
        args.folder.unwrap_or_else(|| std::env::temp_dir().join(format!("greyhold-demo-{}", std::process::id())));
    let capture = home.join("capture");
    let cannot =
        |e: std::io::Error| CommandError::CannotRun(format!("{} can't be used for the demo: {e}", home.display()));
    if capture.exists() {
        return Err(CommandError::CannotRun(format!("{} is there already: name a new folder", capture.display())));
    }
    std::fs::create_dir_all(&capture).map_err(cannot)?;
    let config_file = home.join("greyhold.yaml");
    std::fs::write(&config_file, RIG).map_err(cannot)?;
    let (config, config_watch) = ConfigWatch::read(&config_file)?;
    let with_page = args.page || args.how.is_asked();
    let log = capture.join("greyhold-shots.jsonl");
    let (story, told) = watch::channel(String::new());
    let setup = Setup {
        config,
        config_watch,
        page: if with_page { args.how.setup(&log)? } else { None }.map(|page| PageSetup { story: Some(told), ..page }),
        log,
        socket: home.join("greyhold.sock"),
        folder: capture,
        meter_old: false,
        workers: Pool::new(this_program(), daemon::SEATS),
    };
    let showing = Showing { paint: Paint::for_stdout(), evidence };
    play(setup, &home, if with_page { Pace::ForEyes } else { Pace::Quick }, showing, story)?;
    say(&format!(
        "\nThe end. Everything is in {}:\n  capture/greyhold-shots.jsonl       the shot log\n  capture/greyhold-corrections.txt   the corrections, a line each\n  greyhold.yaml                      the lights and spots of this sitting\nTo look back on it, from there: greyhold report, greyhold sheet, greyhold sittings",
        home.display()
    ));
    say(
        "greyhold only advises; a person sets the power. Mind stored charge, hot lamps, falling stands, bare flash near\neyes and people sensitive to flashing light; the maker's manual and local rules come first.",
    );
    Ok(Exit::Clean)
}

/// Runs a watch in the background and drops the frames into its folder.
fn play(
    setup: Setup,
    home: &Path,
    pace: Pace,
    showing: Showing,
    story: watch::Sender<String>,
) -> Result<(), CommandError> {
    let runtime = tokio::runtime::Runtime::new().map_err(|e| CommandError::CannotRun(e.to_string()))?;
    let (events, heard) = broadcast::channel(EVENTS_KEPT);
    let (ready, is_ready) = oneshot::channel();
    let (stop, stopped) = oneshot::channel::<()>();
    let player = Player {
        folder: setup.folder.clone(),
        socket: setup.socket.clone(),
        powers: sitting::first_powers(),
        dial_changes: BTreeMap::new(),
        set_on_the_page: BTreeMap::new(),
        heard,
        showing,
        story,
    };
    let page = setup.page.clone();
    let watching = runtime.spawn(daemon::run(setup, events, Some(ready), async {
        let _ = stopped.await;
    }));
    let started = runtime.block_on(async { tokio::time::timeout(Duration::from_secs(10), is_ready).await });
    let Ok(Ok(ready)) = started else {
        // The watch ended before it began: its error says why.
        return runtime
            .block_on(watching)
            .map_err(|e| CommandError::CannotRun(e.to_string()))?
            .map_err(CommandError::from);
    };
    if let Some((page, port)) = page.as_ref().zip(ready.port) {
        say(&format!("page {}\n", page_in_words(page, port)));
    }
    say(&format!(
        "A made-up sitting, in {}. The camera writes there, greyhold watches.\nBefore a frame's sentence: = matches, ~ something is to be turned, HOLD turn nothing and shoot again, ? look first.\n",
        home.display()
    ));
    let played = player.play(pace);
    if pace == Pace::ForEyes && played.is_ok() {
        say("\nThat was the sitting. The page stays until you interrupt this (Ctrl-C).");
        let _ = runtime.block_on(tokio::signal::ctrl_c());
    }
    let _ = stop.send(());
    let ended = runtime.block_on(watching).map_err(|e| CommandError::CannotRun(e.to_string()))?;
    played.and(ended.map_err(CommandError::from))
}

/// The studio: turns its lights, releases the shutter, and may follow what greyhold said.
struct Player {
    folder: PathBuf,
    socket: PathBuf,
    /// Where the lights really are, in stops from full.
    powers: BTreeMap<GroupName, f64>,
    /// Turns of the last correction, by group.
    dial_changes: BTreeMap<GroupName, DialChange>,
    /// Lights that somebody set on the page since the last frame, with where they were and what was asked of them.
    set_on_the_page: BTreeMap<GroupName, (f64, Option<DialChange>)>,
    heard: broadcast::Receiver<Arc<Published>>,
    showing: Showing,
    /// What the page tells of the studio.
    story: watch::Sender<String>,
}

impl Player {
    fn play(mut self, pace: Pace) -> Result<(), CommandError> {
        for (number, step) in story().into_iter().enumerate() {
            say(&format!("\n--- {}", step.caption));
            self.story.send_replace(step.caption.to_owned());
            if pace == Pace::ForEyes && step.first.iter().any(Then::is_left_to_the_page) {
                self.wait_for_the_page(step.caption);
            }
            for then in &step.first {
                self.dial_change(then)?;
                self.listen();
            }
            if let Some(shot) = &step.shot {
                let jpeg = sitting::photograph(shot, &self.powers, number as u64)
                    .map_err(|e| CommandError::CannotRun(format!("the demo's frame can't be rendered: {e}")))?;
                self.tether(number + 1, &jpeg)?;
                tell::ask(&self.socket, &Command::Wait {})?;
                self.set_on_the_page.clear();
            }
            self.listen();
            if pace == Pace::ForEyes {
                std::thread::sleep(STEP_FOR_EYES);
            }
        }
        self.story.send_replace(
            "That was the sitting. The page stays until the demo is ended in its terminal: ask what comes next, or plan several \
             apertures."
                .to_owned(),
        );
        Ok(())
    }

    /// Until all that is asked is set there, or the assistant does it.
    fn wait_for_the_page(&mut self, caption: &str) {
        self.listen();
        if self.dial_changes.is_empty() {
            return;
        }
        self.story.send_replace(format!(
            "{caption} You can do it here: press 'set' at each light. Else it is done in a moment."
        ));
        let begun = Instant::now();
        while begun.elapsed() < ASSISTANT_WAITS && !self.dial_changes.is_empty() {
            std::thread::sleep(LOOKS_AGAIN);
            self.listen();
        }
    }

    /// Carries out a step at the lights, or asks greyhold something.
    fn dial_change(&mut self, then: &Then) -> Result<(), CommandError> {
        match then {
            Then::All(by) => self.powers.values_mut().for_each(|p| *p += by.0),
            Then::Follow { but } => {
                for dial_change in self.dial_changes.values().filter(|t| Some(t.group.as_str()) != *but) {
                    if let Some(power) = self.powers.get_mut(&dial_change.group) {
                        *power += dial_change.change.0;
                    }
                }
                // Who pressed 'set' did not turn it.
                let said = but.and_then(|but| Some((but, self.set_on_the_page.get(but)?.0)));
                if let Some((power, before)) = said.and_then(|(but, before)| Some((self.powers.get_mut(but)?, before)))
                {
                    *power = before;
                }
            }
            Then::FollowOnly(group) => {
                if let Some((power, dial_change)) = self.powers.get_mut(*group).zip(self.dial_changes.get(*group)) {
                    *power += dial_change.change.0;
                }
            }
            Then::AskNext(f_number) => {
                let command = Command::Next {
                    f_number: Some((*f_number).to_owned()),
                    iso: None,
                    exposure_time: None,
                    filter: None,
                    camera_steps: None,
                };
                self.ask(&format!("next {f_number}"), &command)?;
            }
            Then::BeginSurvey => {
                self.ask("survey", &Command::Survey { what: SurveyAsk::Start, groups: Vec::new() })?;
            }
        }
        Ok(())
    }

    /// Tells greyhold something, as from another terminal; records show what comes of it.
    fn ask(&self, typed: &str, command: &Command) -> Result<(), CommandError> {
        say(&format!("$ greyhold {typed}"));
        let reply = tell::ask(&self.socket, command)?;
        if reply["ok"] != true {
            say(reply["message"].as_str().unwrap_or_default());
        }
        Ok(())
    }

    /// Prints what greyhold said as a watch does, and remembers what is to be turned.
    fn listen(&mut self) {
        loop {
            let published = match self.heard.try_recv() {
                Ok(published) => published,
                Err(TryRecvError::Lagged(_)) => continue,
                Err(TryRecvError::Empty | TryRecvError::Closed) => return,
            };
            if let Some(text) = block(&published.record, self.showing) {
                say_block(&text);
            }
            self.remember(&published.record.body);
        }
    }

    /// Keeps in mind what is to be turned. What is seen, told or withdrawn is not to be turned any more.
    fn remember(&mut self, body: &Body) {
        match body {
            Body::Power { group, setting: Some(setting), source: PowerSource::Told, .. } => {
                let Some(power) = self.powers.get_mut(group) else { return };
                let asked = self.dial_changes.remove(group);
                self.set_on_the_page.entry(group.clone()).or_insert((*power, asked));
                *power = setting.below_full().0;
            }
            Body::Undone { group, .. } => {
                let Some((before, asked)) = self.set_on_the_page.remove(group) else { return };
                self.powers.insert(group.clone(), before);
                self.dial_changes.extend(asked.map(|asked| (group.clone(), asked)));
            }
            _ => {}
        }
        let (ended, asked) = match body {
            Body::Correction { correction, .. } => (true, Some(correction)),
            Body::Resolved { .. } => (true, None),
            Body::Judged(judgement) => {
                let ended = judgement.ended.is_some() || judgement.withdraws.is_some();
                (ended, judgement.correction.as_ref().map(|asked| &asked.correction))
            }
            _ => (false, None),
        };
        if ended || asked.is_some() {
            let dial_changes = asked.iter().flat_map(|correction| &correction.dial_changes);
            self.dial_changes = dial_changes.map(|t| (t.group.clone(), t.clone())).collect();
        }
    }

    /// Writes a file in pieces, as a tether does.
    fn tether(&self, number: usize, jpeg: &[u8]) -> Result<(), CommandError> {
        let path = self.folder.join(format!("sitting_{number:04}.jpg"));
        let write = || -> std::io::Result<()> {
            let mut file = std::fs::File::create(&path)?;
            for piece in jpeg.chunks(jpeg.len() / 5 + 1) {
                file.write_all(piece)?;
                std::thread::sleep(Duration::from_millis(20));
            }
            Ok(())
        };
        write().map_err(|e| CommandError::CannotRun(format!("{} can't be written: {e}", path.display())))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numbers::RecordNumber;
    use crate::photometry::{PowerSetting, Stops};

    /// Who presses 'set' on the page turns the light in the made-up studio, and the assistant doesn't turn it again.
    #[test]
    fn what_is_set_on_the_page_is_set_in_the_studio() {
        let (_events, heard) = broadcast::channel(4);
        let key: GroupName = "key".into();
        let config = crate::config::Config::parse(RIG, "demo").unwrap();
        let group = config.groups.iter().find(|group| group.name == key).unwrap();
        let asked = DialChange::towards(group, group.power, Stops(-2.0));
        let mut player = Player {
            folder: PathBuf::new(),
            socket: PathBuf::new(),
            powers: sitting::first_powers(),
            dial_changes: [(key.clone(), asked.clone())].into(),
            set_on_the_page: BTreeMap::new(),
            heard,
            showing: Showing { paint: Paint::Plain, evidence: false },
            story: watch::channel(String::new()).0,
        };
        let told = |setting: f64| Body::Power {
            group: key.clone(),
            setting: Some(PowerSetting::from_full(Stops(setting))),
            shown: None,
            turned: None,
            moved: None,
            source: PowerSource::Told,
            answers: None,
        };
        player.remember(&told(-3.0));
        assert_eq!((player.powers[&key], player.dial_changes.len()), (-3.0, 0));
        player.dial_change(&Then::Follow { but: None }).unwrap();
        assert_eq!(player.powers[&key], -3.0, "it is there already");
        player.remember(&Body::Undone { group: key.clone(), of: RecordNumber::new(1) });
        assert_eq!((player.powers[&key], player.dial_changes.get(&key)), (-1.0, Some(&asked)));
        // The story has it forgotten: then nobody turned it, whatever was pressed.
        player.remember(&told(-3.0));
        player.dial_change(&Then::Follow { but: Some("key") }).unwrap();
        assert_eq!(player.powers[&key], -1.0);
    }
}
