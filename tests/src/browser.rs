//! Pages in a real, headless Chromium. Everything that was started ends with the test, also when it panics.

use crate::{DEADLINE, soon};
use anyhow::{Context, Result};
use base64::Engine as _;
use fantoccini::{
    Client, ClientBuilder, Locator,
    actions::{InputSource, KeyAction, KeyActions, MOUSE_BUTTON_LEFT, PointerAction, TouchActions},
    elements::Element,
    wd::WebDriverCompatibleCommand,
};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};
use std::{
    ffi::OsString,
    io::{BufRead, BufReader},
    path::PathBuf,
    process::{Child, Command, Stdio},
    sync::mpsc,
    thread,
    time::Duration,
};
use tempfile::TempDir;

/// Runs without a screen, and asks nothing of any network.
const FLAGS: [&str; 10] = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
];

/// The width and height of a page in CSS pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Size {
    /// Width.
    pub width: u32,
    /// Height.
    pub height: u32,
}

impl std::fmt::Display for Size {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}x{}", self.width, self.height)
    }
}

/// A phone held upright.
pub const PHONE: Size = Size {
    width: 360,
    height: 740,
};
/// A tablet held upright.
pub const TABLET: Size = Size {
    width: 820,
    height: 1180,
};
/// A screen on the trailer's wall.
pub const WALL: Size = Size {
    width: 1920,
    height: 1080,
};

/// A running driver, and the folder that the profiles of its browsers are in.
#[derive(Debug)]
pub struct Browser {
    driver: Child,
    url: String,
    profiles: TempDir,
}

/// A page in a browser of its own, so that it has a memory of its own, as a phone has.
#[derive(Debug)]
pub struct Page {
    client: Client,
}

fn program(variable: &str, name: &str) -> OsString {
    std::env::var_os(variable).unwrap_or_else(|| name.into())
}

impl Browser {
    /// Starts a driver on a free port.
    ///
    /// # Panics
    /// When there is none, with what to do about it: browser tests are never skipped.
    pub fn start() -> Self {
        let profiles = TempDir::new().expect("room for a profile");
        let mut command = Command::new(program("SPINOVER_CHROMEDRIVER", "chromedriver"));
        command
            .arg("--port=0")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null());
        #[cfg(unix)]
        std::os::unix::process::CommandExt::process_group(&mut command, 0);
        let mut driver = command.spawn().unwrap_or_else(|error| {
            panic!("the browser tests need chromedriver ({error}); `cargo xtask test` finds or installs it, or says how")
        });
        let output = driver.stdout.take().expect("piped");
        let (port_in, port) = mpsc::channel();
        // The driver goes on printing; somebody must read it, or it would wait for room.
        thread::spawn(move || {
            for line in BufReader::new(output).lines().map_while(Result::ok) {
                let port = line
                    .split_once("started successfully on port ")
                    .map(|(_, rest)| rest.trim_end_matches('.').to_owned());
                if let Some(port) = port {
                    let _ = port_in.send(port);
                }
            }
        });
        let mut browser = Self {
            driver,
            url: String::new(),
            profiles,
        };
        let port = port
            .recv_timeout(DEADLINE)
            .expect("chromedriver tells its port");
        browser.url = format!("http://127.0.0.1:{port}");
        browser
    }

    /// Opens a page of that size, with touch.
    ///
    /// # Panics
    /// When the browser does not start.
    pub async fn page(&self, name: &str, size: Size) -> Page {
        self.page_with(name, size, &[]).await
    }

    /// The same with more flags for the browser.
    ///
    /// # Panics
    /// When the browser does not start.
    pub async fn page_with(&self, name: &str, size: Size, flags: &[String]) -> Page {
        self.try_page(name, size, flags)
            .await
            .unwrap_or_else(|error| panic!("no page: {error:#}"))
    }

    async fn try_page(&self, name: &str, size: Size, flags: &[String]) -> Result<Page> {
        let profile = self.profiles.path().join(name);
        let mut args: Vec<String> = FLAGS.iter().map(|flag| (*flag).to_owned()).collect();
        args.push(format!("--user-data-dir={}", profile.display()));
        args.extend_from_slice(flags);
        let mut options = json!({ "args": args });
        if let Some(chromium) = std::env::var_os("SPINOVER_CHROMIUM") {
            options["binary"] = json!(PathBuf::from(chromium));
        }
        let Value::Object(capabilities) =
            json!({ "goog:chromeOptions": options, "goog:loggingPrefs": { "browser": "ALL" } })
        else {
            unreachable!("an object is an object")
        };
        let mut builder = ClientBuilder::new(HttpConnector::new());
        let client = builder
            .capabilities(capabilities)
            .connect(&self.url)
            .await
            .context("the browser does not start")?;
        let page = Page { client };
        let metrics = json!({ "width": size.width, "height": size.height, "deviceScaleFactor": 1, "mobile": false });
        page.devtools("Emulation.setDeviceMetricsOverride", metrics)
            .await?;
        page.devtools(
            "Emulation.setTouchEmulationEnabled",
            json!({ "enabled": true, "maxTouchPoints": 5 }),
        )
        .await?;
        Ok(page)
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // The driver's own end would leave its browsers running, so its whole process group goes.
        let group = format!("-{}", self.driver.id());
        let _ = Command::new("kill")
            .args(["-KILL", "--", &group])
            .stderr(Stdio::null())
            .status();
        let _ = self.driver.kill();
        let _ = self.driver.wait();
        end_strays(self.profiles.path());
    }
}

/// Ends browsers that left the group: they are known by the profile folder that only this test has.
fn end_strays(profiles: &std::path::Path) {
    let mark = profiles.as_os_str().as_encoded_bytes().to_vec();
    let Ok(processes) = std::fs::read_dir("/proc") else {
        return;
    };
    for process in processes.flatten() {
        let Ok(line) = std::fs::read(process.path().join("cmdline")) else {
            continue;
        };
        if line.windows(mark.len()).any(|part| part == mark) {
            let id = process.file_name().to_string_lossy().into_owned();
            let _ = Command::new("kill")
                .args(["-KILL", &id])
                .stderr(Stdio::null())
                .status();
        }
    }
}

impl Page {
    /// Goes to an address.
    ///
    /// # Errors
    /// When the browser refuses.
    pub async fn goto(&self, url: &str) -> Result<()> {
        Ok(self.client.goto(url).await?)
    }

    /// Runs a script before any of each page that is opened from now on.
    ///
    /// # Errors
    /// When the browser refuses.
    pub async fn before_each_page(&self, script: &str) -> Result<()> {
        let source = json!({ "source": script });
        self.devtools("Page.addScriptToEvaluateOnNewDocument", source)
            .await?;
        Ok(())
    }

    /// Looks again and again until there is something to return.
    ///
    /// # Panics
    /// When there is nothing by the deadline, with what the page shows in its place.
    async fn until<T>(&self, what: &str, look: impl AsyncFnMut() -> Option<T>) -> T {
        if let Some(found) = soon(look).await {
            return found;
        }
        let shown =
            "return `${location.href} (${document.readyState}): ${document.body?.innerText}`";
        let shown = self.script(shown).await;
        let complaints = self.complaints().await;
        panic!(
            "waited {DEADLINE:?} in vain for {what}; the page shows {shown:?} and complains of {complaints:?}"
        )
    }

    /// Waits for an element with that `data-test` name.
    ///
    /// # Panics
    /// When there is none by the deadline.
    pub async fn find(&self, test: &str) -> Element {
        self.find_css(&format!("[data-test=\"{test}\"]")).await
    }

    /// Waits for an element.
    ///
    /// # Panics
    /// When there is none by the deadline.
    pub async fn find_css(&self, css: &str) -> Element {
        self.until(&format!("{css} on the page"), async || {
            self.client.find(Locator::Css(css)).await.ok()
        })
        .await
    }

    /// Whether an element is there and can be seen, now.
    pub async fn shows(&self, css: &str) -> bool {
        match self.client.find(Locator::Css(css)).await {
            Ok(element) => element.is_displayed().await.unwrap_or(false),
            Err(_) => false,
        }
    }

    /// Waits until an element can be seen.
    ///
    /// # Panics
    /// When it cannot by the deadline.
    pub async fn until_shows(&self, css: &str) {
        self.until(&format!("{css} in view"), async || {
            self.shows(css).await.then_some(())
        })
        .await;
    }

    /// Waits until an element is gone or out of view.
    ///
    /// # Panics
    /// When it is not by the deadline.
    pub async fn until_hides(&self, css: &str) {
        self.until(&format!("{css} out of view"), async || {
            (!self.shows(css).await).then_some(())
        })
        .await;
    }

    /// Waits until an element's text is as wanted, and returns it.
    ///
    /// # Panics
    /// When it is not by the deadline.
    pub async fn until_text(
        &self,
        css: &str,
        what: &str,
        mut wanted: impl FnMut(&str) -> bool,
    ) -> String {
        let look = async || {
            let text = self
                .client
                .find(Locator::Css(css))
                .await
                .ok()?
                .text()
                .await
                .ok()?;
            wanted(&text).then_some(text)
        };
        self.until(&format!("{what} in {css}"), look).await
    }

    /// Taps an element, which must be in view.
    ///
    /// # Errors
    /// When the browser refuses: it is covered, or gone.
    pub async fn tap(&self, test: &str) -> Result<()> {
        Ok(self.find(test).await.click().await?)
    }

    /// Presses an element for that long, as a thumb does.
    ///
    /// # Errors
    /// When the browser refuses.
    pub async fn press(&self, test: &str, hold: Duration) -> Result<()> {
        let element = self.find(test).await;
        let center = json!({ "block": "center" });
        self.client
            .execute(
                "arguments[0].scrollIntoView(arguments[1])",
                vec![serde_json::to_value(&element)?, center],
            )
            .await?;
        let thumb = TouchActions::new("thumb".to_owned())
            .then(PointerAction::MoveToElement {
                element,
                duration: None,
                x: 0.0,
                y: 0.0,
            })
            .then(PointerAction::Down {
                button: MOUSE_BUTTON_LEFT,
            })
            .then(PointerAction::Pause { duration: hold })
            .then(PointerAction::Up {
                button: MOUSE_BUTTON_LEFT,
            });
        Ok(self.client.perform_actions(thumb).await?)
    }

    /// Types into an element.
    ///
    /// # Errors
    /// When the browser refuses.
    pub async fn fill(&self, test: &str, text: &str) -> Result<()> {
        let element = self.find(test).await;
        element.clear().await?;
        Ok(element.send_keys(text).await?)
    }

    /// Chooses files in a file input, as somebody does in the browser's own window.
    ///
    /// # Errors
    /// When the browser refuses.
    pub async fn choose(&self, test: &str, files: &[&std::path::Path]) -> Result<()> {
        let paths: Vec<String> = files
            .iter()
            .map(|file| file.display().to_string())
            .collect();
        Ok(self.find(test).await.send_keys(&paths.join("\n")).await?)
    }

    /// Runs a script on the page and returns what it returns.
    ///
    /// # Errors
    /// When the script throws.
    pub async fn script(&self, script: &str) -> Result<Value> {
        Ok(self.client.execute(script, vec![]).await?)
    }

    /// Runs a script that says by `arguments[0](...)` when it is done, and returns what it gives.
    ///
    /// # Errors
    /// When the script throws, or takes longer than the driver waits (30 s).
    pub async fn script_async(&self, script: &str) -> Result<Value> {
        Ok(self.client.execute_async(script, vec![]).await?)
    }

    /// Presses keys of a keyboard, one after the other, on whatever has the focus.
    ///
    /// # Errors
    /// When the browser refuses.
    pub async fn keys(&self, keys: &str) -> Result<()> {
        let mut typed = KeyActions::new("keyboard".to_owned());
        for value in keys.chars() {
            typed = typed
                .then(KeyAction::Down { value })
                .then(KeyAction::Up { value });
        }
        Ok(self.client.perform_actions(typed).await?)
    }

    /// What the browser has to say against the page's manifest, and what keeps it from offering to install the page.
    ///
    /// # Errors
    /// When the browser refuses.
    pub async fn installable(&self) -> Result<(Value, Value)> {
        let manifest = self.devtools("Page.getAppManifest", json!({})).await?;
        let install = self
            .devtools("Page.getInstallabilityErrors", json!({}))
            .await?;
        Ok((
            manifest["errors"].clone(),
            install["installabilityErrors"].clone(),
        ))
    }

    /// The browser is that of somebody who reads this language; holds from the next page on.
    ///
    /// # Errors
    /// When the browser refuses.
    pub async fn prefer_language(&self, tag: &str) -> Result<()> {
        let agent = self.script("return navigator.userAgent").await?;
        let settings = json!({ "userAgent": agent, "acceptLanguage": tag });
        self.devtools("Emulation.setUserAgentOverride", settings)
            .await?;
        Ok(())
    }

    /// The browser says to the page that this person wants no motion, or stops saying so.
    ///
    /// # Errors
    /// When the browser refuses.
    pub async fn reduce_motion(&self, reduce: bool) -> Result<()> {
        let value = if reduce { "reduce" } else { "" };
        let features =
            json!({ "features": [{ "name": "prefers-reduced-motion", "value": value }] });
        self.devtools("Emulation.setEmulatedMedia", features)
            .await?;
        Ok(())
    }

    /// The browser draws as somebody sees who lacks a kind of cone: `none`, `protanopia`, `deuteranopia`, `tritanopia`.
    ///
    /// # Errors
    /// When the browser refuses.
    pub async fn see_as(&self, deficiency: &str) -> Result<()> {
        let kind = json!({ "type": deficiency });
        self.devtools("Emulation.setEmulatedVisionDeficiency", kind)
            .await?;
        Ok(())
    }

    /// Waits until nothing on the page is being animated, but for what goes on for good.
    ///
    /// # Errors
    /// When the browser refuses.
    pub async fn until_still(&self) -> Result<()> {
        let still = "return document.getAnimations().every((animation) => animation.playState !== 'running' || animation.effect.getComputedTiming().endTime === Infinity)";
        self.until("the page to be still", async || {
            (self.script(still).await.ok()? == true).then_some(())
        })
        .await;
        Ok(())
    }

    /// A picture of what is in view, as a PNG.
    ///
    /// # Errors
    /// When the browser refuses.
    pub async fn picture(&self) -> Result<Vec<u8>> {
        Ok(self.client.screenshot().await?)
    }

    /// The page on paper, as a PDF.
    ///
    /// # Errors
    /// When the browser refuses.
    pub async fn printed(&self) -> Result<Vec<u8>> {
        let command = DriverCommand {
            path: "print",
            body: json!({ "page": { "width": 21.0, "height": 29.7 } }),
        };
        let printed = self.client.issue_cmd(command).await?;
        let text = printed.as_str().unwrap_or_default();
        Ok(base64::engine::general_purpose::STANDARD.decode(text)?)
    }

    /// Has the page look as it does on paper, or on a screen again.
    ///
    /// # Errors
    /// When the browser refuses.
    pub async fn as_on_paper(&self, paper: bool) -> Result<()> {
        let media = if paper { "print" } else { "" };
        self.devtools("Emulation.setEmulatedMedia", json!({ "media": media }))
            .await?;
        Ok(())
    }

    /// What the page's scripts complained of so far.
    ///
    /// # Errors
    /// When the browser refuses.
    pub async fn complaints(&self) -> Result<Vec<String>> {
        let log = self
            .client
            .issue_cmd(DriverCommand {
                path: "se/log",
                body: json!({ "type": "browser" }),
            })
            .await?;
        let entries = log.as_array().cloned().unwrap_or_default();
        let severe = entries
            .into_iter()
            .filter(|entry| entry["level"] == "SEVERE");
        Ok(severe
            .map(|entry| entry["message"].as_str().unwrap_or_default().to_owned())
            .collect())
    }

    /// A command of the DevTools protocol, which the standard has none for.
    ///
    /// # Errors
    /// When the browser refuses.
    pub async fn devtools(&self, command: &str, params: Value) -> Result<Value> {
        let body = json!({ "cmd": command, "params": params });
        Ok(self
            .client
            .issue_cmd(DriverCommand {
                path: "goog/cdp/execute",
                body,
            })
            .await?)
    }
}

/// A command that the driver has beyond the standard.
#[derive(Debug)]
struct DriverCommand {
    path: &'static str,
    body: Value,
}

impl WebDriverCompatibleCommand for DriverCommand {
    fn endpoint(
        &self,
        base: &url::Url,
        session: Option<&str>,
    ) -> Result<url::Url, url::ParseError> {
        base.join(&format!(
            "session/{}/{}",
            session.unwrap_or_default(),
            self.path
        ))
    }

    fn method_and_body(&self, _: &url::Url) -> (http::Method, Option<String>) {
        (http::Method::POST, Some(self.body.to_string()))
    }
}
