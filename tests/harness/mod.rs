//! A studio for tests: frames of known light, and the real program watching a folder of its own.
#![allow(dead_code, reason = "each promise uses its part")]

pub mod browser;
pub mod client;
pub mod dng;
pub mod exiftool;
pub mod handheld;
pub mod hostile;
pub mod http;
pub mod logs;
pub mod process;
pub mod random;
pub mod sentences;
pub mod set;
pub mod sittings;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use greyhold::outlet::shot_log::segments;
use greyhold::photometry::{ExposureTime, FNumber, IsoSpeed, Series};
use greyhold::response::srgb_encode;
use greyhold::session::{Body, Portion, Record};
use greyhold::studio::{CameraSettings, Light, Pose, Scene, expose, with_exif};
use jiff::civil::date;
use serde_json::{Value, json};
use tempfile::TempDir;

pub use client::Client;
use process::{Drained, Printed, ended};

/// No step of a test takes longer; a test that waits this long has failed.
pub const PATIENCE: Duration = Duration::from_secs(30);
/// The longest search among messages that do come.
pub const SEARCH: Duration = Duration::from_secs(240);

/// One frame to take: settings, power of all lights in stops, and seconds after the first.
#[derive(Debug, Clone, Copy)]
pub struct Shot {
    pub f_number: f64,
    pub power: f64,
    pub at: f64,
    pub number: u64,
    pub size: (u32, u32),
}

pub fn shot(f_number: f64, power: f64, number: u64) -> Shot {
    Shot { f_number, power, at: number as f64 * 10.0, number, size: (480, 320) }
}

impl Shot {
    pub fn exposure(&self) -> CameraSettings {
        let at = date(2026, 3, 2).at(10, 0, 0, 0) + jiff::SignedDuration::from_secs_f64(self.at);
        CameraSettings {
            f_number: FNumber::new(self.f_number, None, Series::Thirds).unwrap(),
            time: ExposureTime::new(1.0 / 160.0, None, Series::Thirds).unwrap(),
            iso: IsoSpeed::new(100.0).unwrap(),
            at,
        }
    }

    /// The scene's light, before the camera.
    pub fn light(&self) -> Vec<[f32; 3]> {
        self.lit_by([self.power; 2])
    }

    /// The same with key and fill light each at a power of its own, in stops.
    pub fn lit_by(&self, powers: [f64; 2]) -> Vec<[f32; 3]> {
        let light = |from, strength, softness| Light { from, strength, on_backdrop: 0.3, softness };
        let lights = [light([-0.8, 0.6, 0.9], 0.9, 0.4), light([0.6, 0.0, 1.0], 0.35, 0.9)];
        let (width, height) = self.size;
        let sway = self.number as f32;
        let pose =
            Pose { right: 0.004 * sway.sin(), up: 0.003 * (sway * 2.0).cos(), turn: 2.0 * sway.sin(), nearer: 0.0 };
        let lit: Vec<(Light, f64)> = lights.into_iter().zip(powers).collect();
        Scene { width, height, pose }.render(&lit)
    }

    pub fn jpeg(&self) -> Vec<u8> {
        self.jpeg_lit_by([self.power; 2])
    }

    /// The same with key and fill light each at a power of its own, in stops.
    pub fn jpeg_lit_by(&self, powers: [f64; 2]) -> Vec<u8> {
        let (width, height) = self.size;
        expose(&self.lit_by(powers), width, height, &self.exposure(), 88, self.number).unwrap()
    }

    /// What the sensor takes up: mid-grey at f/14 and ISO 100 is 18 % of saturation.
    fn signal(&self) -> Vec<[f32; 3]> {
        let gain = (23.0 / 3.0 - self.exposure().f_number.av().0).exp2() as f32;
        self.light().iter().map(|p| p.map(|c| c * gain)).collect()
    }

    /// The raw file of the same exposure.
    pub fn raw(&self) -> Vec<u8> {
        dng::dng(&self.signal(), self.size.0, self.size.1, &dng::Sensor::usual(), self)
    }

    /// The same with a picture embedded in it.
    pub fn raw_with(&self, jpeg: &[u8]) -> Vec<u8> {
        dng::dng_with(jpeg, &self.signal(), self.size, &dng::Sensor::usual(), self)
    }

    /// The same exposure in a look of its own: the sRGB curve (IEC 61966-2-1) and nothing else.
    pub fn plain_jpeg(&self) -> Vec<u8> {
        let code = |light: &f32| (srgb_encode(f64::from(*light).clamp(0.0, 1.0)) * 255.0).round() as u8;
        let rgb: Vec<u8> = self.signal().iter().flatten().map(code).collect();
        with_exif(&rgb, self.size.0, self.size.1, &self.exposure(), 90).unwrap()
    }
}

/// A folder with the real program watching it.
pub struct Studio {
    pub home: TempDir,
    pub folder: PathBuf,
    /// The folder as the command line spells it, from the home; `None` for its whole path.
    pub spelled: Option<String>,
    pub extra: Vec<String>,
    /// Environment of the program beside its own.
    pub surroundings: Vec<(&'static str, String)>,
    /// The stand page's address.
    pub page: String,
    /// What its page is signed in with, where a page is served.
    pub token: Option<String>,
    /// The session of who looks at the page without a browser, and the port that it belongs to.
    session: Mutex<Option<(u16, String)>>,
    child: Option<Child>,
    /// What it says on its error output.
    errors: Option<Drained>,
}

impl Studio {
    /// A folder that nobody watches yet, whose first frame will be the reference.
    pub fn empty() -> Studio {
        let mut studio = Studio::without_configuration();
        studio.configure("");
        studio
    }

    /// A folder that nobody watches yet, and that is watched as anybody's who has just begun.
    pub fn without_configuration() -> Studio {
        let home = tempfile::tempdir().unwrap();
        let folder = home.path().join("capture");
        fs::create_dir(&folder).unwrap();
        Studio {
            home,
            folder,
            spelled: None,
            extra: Vec::new(),
            surroundings: Vec::new(),
            page: String::new(),
            token: None,
            session: Mutex::default(),
            child: None,
            errors: None,
        }
    }

    pub fn open() -> Studio {
        let mut studio = Studio::empty();
        studio.start();
        studio
    }

    pub fn with_config(yaml: &str) -> Studio {
        let mut studio = Studio::without_configuration();
        studio.configure(yaml);
        studio.start();
        studio
    }

    /// Unless it says otherwise, the first frame is the reference.
    pub fn configure(&mut self, yaml: &str) {
        let first = if yaml.contains("reference:") { "" } else { "reference: first frame\n" };
        fs::write(self.config(), format!("{first}{yaml}")).unwrap();
        self.extra = vec!["--config".into(), self.config().display().to_string()];
    }

    pub fn config(&self) -> PathBuf {
        self.home.path().join("greyhold.yaml")
    }

    pub fn socket(&self) -> PathBuf {
        self.home.path().join("s.sock")
    }

    pub fn log(&self) -> PathBuf {
        self.folder.join("greyhold-shots.jsonl")
    }

    /// Where it keeps what it remembers of itself.
    pub fn state(&self) -> PathBuf {
        self.home.path().join("state")
    }

    fn command(&self) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_greyhold"));
        let folder = self.spelled.as_ref().map_or(self.folder.as_path(), Path::new);
        command.arg("watch").arg(folder).arg("--socket").arg(self.socket()).args(&self.extra);
        command.envs(self.surroundings.iter().map(|(name, value)| (name, value)));
        command.current_dir(self.home.path()).stdout(Stdio::piped()).stderr(Stdio::piped());
        command.env("XDG_STATE_HOME", self.state());
        command
    }

    /// Starts the program and waits until its first scan is done.
    pub fn start(&mut self) {
        let printed = self.launch();
        if !self.extra.iter().any(|e| e == "--no-page") {
            let page = self.told(&printed, "the page's address", |l| l.trim().strip_prefix("page").map(str::to_owned));
            self.page = page.split_whitespace().next().unwrap().to_owned();
            let file =
                self.told(&printed, "the token's file", |l| l.trim().strip_prefix("token    in ").map(str::to_owned));
            let addresses = fs::read_to_string(file.strip_suffix(", which you alone can read").unwrap()).unwrap();
            self.token = Some(addresses.lines().next().unwrap().split_once('#').unwrap().1.to_owned());
        }
    }

    /// Starts it where it is expected to serve no page.
    pub fn start_without_page(&mut self) {
        self.launch();
    }

    fn launch(&mut self) -> Printed {
        let began = Instant::now();
        loop {
            let mut child = self.command().spawn().unwrap();
            let printed = Printed::of(child.stdout.take().unwrap());
            self.errors = Some(Drained::of(child.stderr.take().unwrap()));
            self.child = Some(child);
            let Err(why) = printed.find(|l| l.starts_with("watching ").then_some(())) else { return printed };
            // Programs of other tests take any port that is free: this one's may be theirs for a while after its end.
            let said = self.errors.take().map(|errors| errors.text()).unwrap_or_default();
            assert!(
                said.contains("--port") && began.elapsed() < PATIENCE,
                "no greyhold starts: {why}; it said:\n{said}"
            );
            std::thread::sleep(Duration::from_millis(100));
        }
    }

    /// What is found in the lines that it prints at its start.
    fn told<T>(&self, printed: &Printed, awaited: &str, sought: impl FnMut(&str) -> Option<T>) -> T {
        printed
            .find(sought)
            .unwrap_or_else(|why| panic!("waited in vain for {awaited} of a greyhold that starts: {why}"))
    }

    /// Starts it where it is expected to end by itself.
    pub fn start_and_end(&self) -> Output {
        process::run(&mut self.command())
    }

    pub fn pid(&self) -> u32 {
        self.child.as_ref().unwrap().id()
    }

    /// Sends a signal: STOP, CONT.
    pub fn signal(&self, name: &str) {
        process::signal(self.child.as_ref().unwrap(), name);
    }

    /// The stand page's port.
    pub fn port(&self) -> u16 {
        self.page.trim_end_matches('/').rsplit(':').next().unwrap().parse().unwrap()
    }

    pub fn kill(&mut self) {
        let mut child = self.child.take().unwrap();
        child.kill().unwrap();
        child.wait().unwrap();
    }

    /// Asks it to end, as a system does, and gives its exit code and the time it took.
    pub fn stop(&mut self) -> (Option<i32>, Duration) {
        let (code, took, _) = self.stop_and_hear();
        (code, took)
    }

    /// The same, with what it said on its error output.
    pub fn stop_and_hear(&mut self) -> (Option<i32>, Duration, String) {
        let mut child = self.child.take().unwrap();
        let errors = self.errors.take().unwrap();
        let began = Instant::now();
        process::signal(&child, "TERM");
        let Some(status) = ended(&mut child, PATIENCE) else {
            panic!("waited in vain for the end of greyhold; it said:\n{}", errors.text());
        };
        let said = errors.text();
        (status.code(), began.elapsed(), said)
    }

    pub fn connect(&self) -> Client {
        Client::connect(&self.socket())
    }

    pub fn tell(&self, command: Value) -> Value {
        self.connect().ask(command)
    }

    /// Waits until all that is in the folder is logged; gives what is not whole yet.
    pub fn sync(&self) -> Vec<String> {
        let reply = self.tell(json!({"command": "wait"}));
        assert_eq!(reply["ok"], true, "{reply}");
        let waiting = reply["value"]["waiting"].as_array().unwrap();
        waiting.iter().map(|w| w.as_str().unwrap().to_owned()).collect()
    }

    pub fn put(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.folder.join(name);
        fs::write(&path, bytes).unwrap();
        path
    }

    /// Puts a frame and waits until it is logged.
    pub fn take(&self, name: &str, shot: Shot) -> Value {
        self.take_bytes(name, &shot.jpeg())
    }

    /// The same, of a file that was made otherwise.
    pub fn take_bytes(&self, name: &str, bytes: &[u8]) -> Value {
        self.put(name, bytes);
        assert!(self.sync().is_empty());
        self.frame(name)
    }

    /// Puts a further file of a frame and waits until it is logged.
    pub fn take_member(&self, name: &str, shot: Shot) {
        self.put(name, &shot.jpeg());
        assert!(self.sync().is_empty());
    }

    /// Every sound record of the log.
    pub fn records(&self) -> Vec<Record> {
        self.lines().iter().map(|l| Record::from_line(l).unwrap_or_else(|e| panic!("{e}: {l}"))).collect()
    }

    /// Those of the log's files. One that is just being written is none yet, and a state that a file begins with is none.
    fn lines(&self) -> Vec<String> {
        let text: String =
            segments(&self.log()).iter().map(|file| fs::read_to_string(file).unwrap_or_default()).collect();
        let whole = text.split_inclusive('\n').filter_map(|line| line.strip_suffix('\n'));
        whole.filter(|line| !Portion::is_in(line.as_bytes())).map(str::to_owned).collect()
    }

    /// Names of the logged frames, in the order of the log.
    pub fn frames(&self) -> Vec<String> {
        self.records()
            .into_iter()
            .filter_map(|r| match r.body {
                Body::Frame(frame) => Some(frame.file),
                _ => None,
            })
            .collect()
    }

    /// The log's record of a frame, as plain JSON.
    pub fn frame(&self, name: &str) -> Value {
        let values = self.values();
        let frame = values.iter().rfind(|v| v["type"] == "frame" && v["file"] == name);
        let mut frame = frame.unwrap_or_else(|| panic!("{name} is not logged")).clone();
        // With the last judgement of it.
        let judged = values.iter().rfind(|v| v["type"] == "judged" && v["frame"] == frame["frame"]);
        let judged = judged.unwrap_or_else(|| panic!("{name} is not judged"));
        frame["verdict"] = judged["verdict"].clone();
        sentences::assert_plain(frame["verdict"]["sentence"].as_str().unwrap());
        let notes = judged["notes"].as_array().cloned().unwrap_or_default();
        frame["notes"].as_array_mut().unwrap().extend(notes);
        frame
    }

    fn values(&self) -> Vec<Value> {
        self.lines().iter().map(|l| serde_json::from_str::<Value>(l).unwrap()).collect()
    }

    /// The log's records of a type, as plain JSON.
    pub fn of_type(&self, kind: &str) -> Vec<Value> {
        self.values().into_iter().filter(|v| v["type"] == kind).collect()
    }

    /// Every correction that was asked for, with its number: by an exposure's judgement, or by somebody's word.
    pub fn corrections(&self) -> Vec<Value> {
        let asked = |v: Value| match v["type"].as_str() {
            Some("correction") => Some(v),
            Some("judged") if v["correction"].is_object() => {
                let number = v["correction"].get("still").unwrap_or(&v["n"]).clone();
                let correction = v["correction"]["correction"].clone();
                let purpose = json!({"drift": {"frame": v["frame"]}});
                Some(json!({"n": number, "purpose": purpose, "correction": correction}))
            }
            _ => None,
        };
        self.values().into_iter().filter_map(asked).collect()
    }

    /// Every end of a correction.
    pub fn ends(&self) -> Vec<Value> {
        let end = |v: Value| match v["type"].as_str() {
            Some("resolved") => vec![v],
            Some("judged") => {
                let withdrawn = v.get("withdraws").map(|n| json!({"correction": n, "how": "withdrawn"}));
                v.get("ended").cloned().into_iter().chain(withdrawn).collect()
            }
            _ => Vec::new(),
        };
        self.values().into_iter().flat_map(end).collect()
    }

    /// Every place that a dial was told, or is now taken, to be at.
    pub fn powers(&self) -> Vec<Value> {
        let placed = |v: Value| match v["type"].as_str() {
            Some("power") => vec![v],
            Some("judged") => v["positions"].as_array().cloned().unwrap_or_default(),
            _ => Vec::new(),
        };
        self.values().into_iter().flat_map(placed).collect()
    }
}

impl Drop for Studio {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
        if let Some(errors) = self.errors.take().filter(|_| std::thread::panicking()) {
            println!("greyhold said on its error output:\n{}", errors.so_far());
        }
    }
}

/// Runs the program with arguments and gives its output.
pub fn greyhold(args: &[&str]) -> Output {
    process::run(Command::new(env!("CARGO_BIN_EXE_greyhold")).args(args))
}

/// Whether long simulations are played whole, and not only a sample of them.
pub fn whole() -> bool {
    std::env::var_os("GREYHOLD_WHOLE").is_some_and(|value| !value.is_empty() && value != "0")
}

/// Waits for something that another process does.
pub fn wait_for(what: &str, mut is_so: impl FnMut() -> bool) {
    let began = Instant::now();
    while !is_so() {
        assert!(began.elapsed() < PATIENCE, "waited in vain for {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// The folder of real photographs, where there is one. Says so and gives nothing where there isn't.
pub fn real_frames() -> Option<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/frames");
    if folder.is_dir() {
        return Some(folder);
    }
    println!("skipped: the folder of real photographs ({}) is not here", folder.display());
    None
}
