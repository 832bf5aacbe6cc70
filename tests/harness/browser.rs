//! A real browser without a window, driven by WebDriver (W3C), as a phone or a tablet.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use fantoccini::actions::{InputSource, KeyAction, KeyActions};
use fantoccini::key::Key;
use fantoccini::wd::{PrintConfiguration, PrintSize};
use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};

use super::PATIENCE;
use super::process::{Printed, apart, end_all};

const CHROMIUM: &str = "/usr/bin/chromium";
const DRIVER: &str = "/usr/bin/chromedriver";

/// One browser at a time: two cores have enough of that.
static ONE: Mutex<()> = Mutex::new(());

/// Plays a story before a browser; says so where there is none.
pub fn with_browser<F: Future<Output = ()>>(story: impl FnOnce(Driver) -> F) {
    let Some(driver) = Driver::start() else { return };
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    runtime.block_on(story(driver));
}

/// The driver's process. Ends with the value.
pub struct Driver {
    child: Child,
    port: u16,
    _one: MutexGuard<'static, ()>,
}

/// One open page.
pub struct Page {
    pub client: Client,
}

impl Driver {
    /// Says so and gives nothing where the browser isn't installed, unless it must be.
    pub fn start() -> Option<Driver> {
        if !Path::new(CHROMIUM).exists() || !Path::new(DRIVER).exists() {
            let required = std::env::var_os("GREYHOLD_BROWSER_REQUIRED").is_some();
            assert!(!required, "{CHROMIUM} and {DRIVER} are needed");
            println!("skipped: {CHROMIUM} and {DRIVER} are not here (Debian: chromium, chromium-driver)");
            return None;
        }
        let one = ONE.lock().unwrap_or_else(PoisonError::into_inner);
        let mut child = apart(Command::new(DRIVER).arg("--port=0")).stdout(Stdio::piped()).spawn().unwrap();
        let printed = Printed::of(child.stdout.take().unwrap());
        let port = |line: &str| line.split("successfully on port ").nth(1)?.trim_end_matches('.').parse().ok();
        let port = printed.find(port).unwrap_or_else(|why| panic!("waited in vain for the driver's port: {why}"));
        Some(Driver { child, port, _one: one })
    }

    /// A browser on two busy cores hangs now and then before it has shown anything: then another one is tried, if it is not the
    /// page that doesn't answer.
    pub async fn open(&self, url: &str, size: (u32, u32)) -> Page {
        for attempt in 1..=3 {
            let page = self.browser(size).await;
            match tokio::time::timeout(PATIENCE, page.client.goto(url)).await {
                Ok(loaded) => {
                    loaded.unwrap();
                    return page;
                }
                Err(_) => {
                    assert_answers(url);
                    println!("the browser did not load {url} in {PATIENCE:?}, attempt {attempt}; the page answers");
                }
            }
        }
        panic!("no browser loads {url}");
    }

    async fn browser(&self, (width, height): (u32, u32)) -> Page {
        let args = [
            "--headless".to_owned(),
            "--no-sandbox".to_owned(),
            "--disable-gpu".to_owned(),
            "--disable-quic".to_owned(),
            "--no-first-run".to_owned(),
            "--disable-background-networking".to_owned(),
            "--disable-component-update".to_owned(),
            "--disable-sync".to_owned(),
            "--disable-dev-shm-usage".to_owned(),
            format!("--window-size={width},{height}"),
        ];
        let mut options = json!({"binary": CHROMIUM, "args": args});
        // No window is narrower than this; a phone is.
        if width < 500 {
            options["mobileEmulation"] =
                json!({"deviceMetrics": {"width": width, "height": height, "pixelRatio": 2.0, "touch": true}});
        }
        // The page's own certificate is nobody's whom a browser knows.
        let capabilities = json!({"browserName": "chrome", "acceptInsecureCerts": true, "goog:chromeOptions": options});
        let client = ClientBuilder::new(HttpConnector::new())
            .capabilities(capabilities.as_object().unwrap().clone())
            .connect(&format!("http://127.0.0.1:{}", self.port))
            .await
            .unwrap();
        Page { client }
    }
}

/// Whether somebody else is answered at the address of a page that is not encrypted.
fn assert_answers(url: &str) {
    let Some(host) = url.strip_prefix("http://").and_then(|rest| rest.split(['/', '#']).next()) else { return };
    let mut stream = TcpStream::connect(host).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
    stream.write_all(format!("GET / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n").as_bytes()).unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    assert!(answer.starts_with("HTTP/1.1 200"), "{host} doesn't answer: {answer}");
}

impl Drop for Driver {
    fn drop(&mut self) {
        // Its browsers, too.
        end_all(&mut self.child);
    }
}

impl Page {
    pub async fn run(&self, script: &str, args: Vec<Value>) -> Value {
        self.client.execute(script, args).await.unwrap()
    }

    /// The text of the first element.
    pub async fn text(&self, css: &str) -> String {
        let script = "return document.querySelector(arguments[0])?.textContent ?? ''";
        self.run(script, vec![json!(css)]).await.as_str().unwrap().to_owned()
    }

    /// Waits until a script gives true. A page that is still being loaded lacks what the script asks for: that is
    /// 'not yet', not an error.
    pub async fn until(&self, what: &str, script: &str) {
        self.until_with(what, script, Value::Null).await;
    }

    /// The same of a script that is told something.
    pub async fn until_with(&self, what: &str, script: &str, told: Value) {
        let began = Instant::now();
        let script = format!("return Boolean({script})");
        while !matches!(self.client.execute(&script, vec![told.clone()]).await, Ok(Value::Bool(true))) {
            if began.elapsed() > PATIENCE {
                let text = self.run("return document.body?.innerText ?? '(no page)'", vec![]).await;
                panic!("waited in vain for {what}; the page says:\n{}", text.as_str().unwrap_or_default());
            }
            tokio::time::sleep(Duration::from_millis(40)).await;
        }
    }

    /// Waits until a light's card is in a state.
    pub async fn card_is(&self, group: &str, state: &str) {
        let script = format!("document.querySelector('[data-group=\"{group}\"]')?.dataset.state === '{state}'");
        self.until(&format!("{group} to be '{state}'"), &script).await;
    }

    pub async fn click(&self, css: &str) {
        self.client.find(Locator::Css(css)).await.unwrap().click().await.unwrap();
    }

    /// Chooses in a list.
    pub async fn choose(&self, css: &str, value: &str) {
        self.client.find(Locator::Css(css)).await.unwrap().select_by_value(value).await.unwrap();
    }

    /// Chooses an f-number on the strip.
    pub async fn choose_mark(&self, mark: &str) {
        let mark =
            self.client.find(Locator::XPath(&format!("//*[@id='next-marks']/label[input/@value='{mark}']"))).await;
        mark.unwrap().click().await.unwrap();
    }

    /// By axe-core (npm registry), in both inks; `state` says what the page shows.
    pub async fn assert_no_barrier(&self, axe: &str, state: &str) {
        for ink in ["dark", "light"] {
            self.choose("#ink", ink).await;
            self.assert_no_barrier_as_it_is(axe, &format!("{state}, {ink}")).await;
        }
    }

    /// The same of a page that has one ink.
    pub async fn assert_no_barrier_as_it_is(&self, axe: &str, state: &str) {
        let present = self.run("return typeof axe", vec![]).await;
        if present == json!("undefined") {
            self.run(axe, vec![]).await;
        }
        let script = "const done = arguments[arguments.length - 1]; \
                      axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}) \
                      .then(r => done({passed: r.passes.length, found: r.violations.map(v => [v.id, v.nodes.map(n => n.html.slice(0, 160) + ' ' + n.failureSummary)])}))";
        let found = self.client.execute_async(script, vec![]).await.unwrap();
        assert!(found["passed"].as_u64().unwrap() > 15, "it tested something: {found}");
        assert_eq!(found["found"], json!([]), "{state}");
    }

    /// The page as a printer gets it, as a PDF; the paper's width and height are in centimetres.
    pub async fn printed(&self, (width, height): (f64, f64)) -> Vec<u8> {
        let paper = PrintConfiguration::builder().background(true).size(PrintSize { width, height }).build().unwrap();
        self.client.print(paper).await.unwrap()
    }

    /// Presses a key wherever the focus is.
    pub async fn press(&self, key: Key) {
        let value = char::from(key);
        let keys = KeyActions::new("keys".to_owned()).then(KeyAction::Down { value }).then(KeyAction::Up { value });
        self.client.perform_actions(keys).await.unwrap();
    }

    /// Goes on with the Tab key until an element has the focus.
    pub async fn tab_to(&self, css: &str) {
        for _ in 0..80 {
            self.press(Key::Tab).await;
            let there =
                self.run("return document.activeElement?.matches(arguments[0]) ?? false", vec![json!(css)]).await;
            if there == json!(true) {
                return;
            }
        }
        panic!("the Tab key does not reach {css}");
    }

    pub async fn close(self) {
        let _ = self.client.close().await;
    }
}
