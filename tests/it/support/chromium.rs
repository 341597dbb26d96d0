//! A real browser: Debian's Chromium, told what to do over WebDriver (W3C), and axe-core to judge its pages.

use super::files::repository;
use base64::Engine;
use reqwest::{Client, Method};
use serde_json::{Value, json};
use std::fs::{self, File};
use std::io::{self, BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::time::Duration;

/// The judge of accessibility, by its pinned version from npm.
const AXE: &str = "axe-core@4.14.1";
/// The rules that it judges by: WCAG 2.2, levels A and AA, and good practice.
const RULES: &str = "['wcag2a','wcag2aa','wcag21a','wcag21aa','wcag22a','wcag22aa','best-practice']";

/// How a page is looked at.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Look {
    pub(crate) width: u32,
    pub(crate) dark: bool,
}

/// The windows of a desk and of a phone.
pub(crate) const WIDTHS: [u32; 2] = [1280, 390];

/// What a page cost and did while it was shown.
#[derive(Debug)]
pub(crate) struct Shown {
    /// From the request to the first text, in milliseconds.
    pub(crate) first_paint_ms: f64,
    /// How far things moved meanwhile, after Layout Instability (WICG).
    pub(crate) shift: f64,
    /// Bytes that came over the network.
    pub(crate) transferred: f64,
}

/// A browser window; it closes when dropped.
pub(crate) struct Window {
    driver: Child,
    session: String,
    http: Client,
    base: String,
}

impl Window {
    /// Opens one on a service.
    pub(crate) async fn open(base: &str) -> Self {
        let mut command = Command::new("chromedriver");
        command.args(["--port=0", "--log-level=SEVERE"]).stdout(Stdio::piped()).stderr(Stdio::null());
        let mut driver = command.spawn().expect("chromedriver is installed (Debian: chromium-driver)");
        let port = port_of(&mut driver);
        let http = Client::builder().timeout(Duration::from_secs(60)).build().unwrap();
        let arguments =
            ["--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--hide-scrollbars", "--lang=en-GB"];
        let options = json!({ "args": arguments });
        let wanted =
            json!({ "capabilities": { "alwaysMatch": { "browserName": "chrome", "goog:chromeOptions": options } } });
        let driver_base = format!("http://127.0.0.1:{port}");
        let made = http.post(format!("{driver_base}/session")).body(wanted.to_string()).send().await.unwrap();
        let made: Value = serde_json::from_str(&made.text().await.unwrap()).unwrap();
        let id = made["value"]["sessionId"].as_str().unwrap_or_else(|| panic!("{made}")).to_owned();
        Self { driver, session: format!("{driver_base}/session/{id}"), http, base: base.to_owned() }
    }

    async fn ask(&self, method: Method, what: &str, body: &Value) -> Value {
        let request = self.http.request(method.clone(), format!("{}/{what}", self.session));
        let request = if method == Method::GET { request } else { request.body(body.to_string()) };
        let answer = request.send().await.unwrap();
        let status = answer.status();
        let said: Value = serde_json::from_str(&answer.text().await.unwrap()).unwrap();
        assert!(status.is_success(), "{what} {body}: {}", said["value"]);
        said["value"].clone()
    }

    async fn tell(&self, command: &str, parameters: Value) {
        self.ask(Method::POST, "goog/cdp/execute", &json!({ "cmd": command, "params": parameters })).await;
    }

    /// Looks from now on like this.
    pub(crate) async fn look(&self, look: Look) {
        let phone = look.width < 700;
        let metrics = json!({ "width": look.width, "height": 900, "deviceScaleFactor": 1, "mobile": phone });
        self.tell("Emulation.setDeviceMetricsOverride", metrics).await;
        let scheme = if look.dark { "dark" } else { "light" };
        let features = json!({ "features": [{ "name": "prefers-color-scheme", "value": scheme }] });
        self.tell("Emulation.setEmulatedMedia", features).await;
    }

    /// Goes to a page of the service.
    pub(crate) async fn go(&self, path: &str) {
        self.ask(Method::POST, "url", &json!({ "url": format!("{}{path}", self.base) })).await;
    }

    /// The path of the page that is shown.
    pub(crate) async fn path(&self) -> String {
        let url = self.ask(Method::GET, "url", &Value::Null).await;
        url.as_str().unwrap().trim_start_matches(&self.base).to_owned()
    }

    /// What a script gives.
    pub(crate) async fn script(&self, script: &str) -> Value {
        self.ask(Method::POST, "execute/sync", &json!({ "script": script, "args": [] })).await
    }

    /// All text of the page.
    pub(crate) async fn text(&self) -> String {
        self.script("return document.body.innerText").await.as_str().unwrap().to_owned()
    }

    async fn element(&self, css: &str) -> String {
        let found = self.ask(Method::POST, "element", &json!({ "using": "css selector", "value": css })).await;
        found.as_object().unwrap().values().next().unwrap().as_str().unwrap().to_owned()
    }

    /// Keeps a picture of the page in the folder that `WEIRBOOK_PICTURES` names, to be looked at.
    pub(crate) async fn keep_picture(&self, name: &str) {
        let Some(folder) = std::env::var_os("WEIRBOOK_PICTURES") else { return };
        let picture = self.ask(Method::GET, "screenshot", &Value::Null).await;
        let bytes = base64::engine::general_purpose::STANDARD.decode(picture.as_str().unwrap()).unwrap();
        fs::create_dir_all(&folder).unwrap();
        fs::write(PathBuf::from(folder).join(format!("{}.png", name.replace('/', "_"))), bytes).unwrap();
    }

    /// Types into a field, over what stands there.
    pub(crate) async fn fill(&self, css: &str, text: &str) {
        let element = self.element(css).await;
        self.ask(Method::POST, &format!("element/{element}/clear"), &json!({})).await;
        self.ask(Method::POST, &format!("element/{element}/value"), &json!({ "text": text })).await;
    }

    /// Sets what a browser has a picker for: a time, a choice, a tick.
    pub(crate) async fn set(&self, css: &str, value: &str) {
        let (css, value) = (json!(css), json!(value));
        let script = format!(
            "const field = document.querySelector({css}); if (field.type == 'checkbox') field.checked = true; else field.value = {value}; return field.value"
        );
        self.script(&script).await;
    }

    /// Chooses the option whose words hold these.
    pub(crate) async fn choose(&self, css: &str, words: &str) {
        let (css, words) = (json!(css), json!(words));
        let script = format!(
            "const field = document.querySelector({css}); const option = [...field.options].find(one => one.text.includes({words})); option.selected = true; return option.value"
        );
        self.script(&script).await;
    }

    /// Presses what the selector finds, by the keyboard: focus, then Enter.
    pub(crate) async fn press(&self, css: &str) {
        let element = self.element(css).await;
        self.ask(Method::POST, &format!("element/{element}/value"), &json!({ "text": "\u{e007}" })).await;
    }

    /// Clicks the link or button with these words, wherever it stands.
    pub(crate) async fn click(&self, words: &str) {
        let script = format!(
            "const words = {}; const all = [...document.querySelectorAll('a, button, summary')]; \
             const found = all.find(one => one.textContent.trim() == words); \
             if (!found) return false; found.scrollIntoView(); found.click(); return true",
            json!(words)
        );
        let found = self.script(&script).await;
        assert_eq!(found, true, "no link or button {words:?} on {}:\n{}", self.path().await, self.text().await);
        self.settled().await;
    }

    /// Waits until the page that was asked for is there.
    pub(crate) async fn settled(&self) {
        for _ in 0..200 {
            tokio::time::sleep(Duration::from_millis(25)).await;
            if self.script("return document.readyState").await == "complete" {
                return;
            }
        }
        panic!("{} is never there", self.path().await);
    }

    /// Signs in.
    pub(crate) async fn sign_in(&self, email: &str, password: &str) {
        self.go("/sign-in").await;
        self.fill("input[name=email]", email).await;
        self.fill("input[name=password]", password).await;
        self.press("main button").await;
        self.settled().await;
        assert_eq!(self.path().await, "/", "{}", self.text().await);
    }

    /// Signs out.
    pub(crate) async fn sign_out(&self) {
        self.click("Sign out").await;
        assert!(self.path().await.starts_with("/sign-in"));
    }

    /// What the page cost.
    pub(crate) async fn shown(&self) -> Shown {
        let script = "return new Promise(done => { let shift = 0; let painted = -1; \
              const watch = kind => new PerformanceObserver(list => list.getEntries().forEach(one => { \
                if (kind == 'layout-shift') shift += one.value; \
                if (one.name == 'first-contentful-paint') painted = one.startTime; })).observe({ type: kind, buffered: true }); \
              watch('layout-shift'); watch('paint'); \
              const tell = tries => { if (painted < 0 && tries > 0) return setTimeout(tell, 20, tries - 1); \
                const all = performance.getEntriesByType('navigation').concat(performance.getEntriesByType('resource')); \
                done([painted, shift, all.reduce((sum, one) => sum + one.transferSize, 0)]); }; \
              requestAnimationFrame(() => setTimeout(tell, 20, 150)); })";
        let told = self.script(script).await;
        let number = |n: usize| told[n].as_f64().unwrap();
        Shown { first_paint_ms: number(0), shift: number(1), transferred: number(2) }
    }

    /// Brings axe-core to the page.
    pub(crate) async fn bring_judge(&self) {
        self.script(axe()).await;
    }

    /// What axe-core, once it was brought, finds wrong with the page as it looks now.
    pub(crate) async fn violations(&self) -> Vec<String> {
        let script = format!(
            "return axe.run(document, {{ preload: false, runOnly: {{ type: 'tag', values: {RULES} }} }}).then(found => \
             found.violations.map(one => one.id + ': ' + one.help + ' ' + \
               one.nodes.slice(0, 3).map(node => node.html.slice(0, 200) + ' ' + (node.any[0] || {{}}).message).join(' | ')))"
        );
        let found = self.script(&script).await;
        found.as_array().unwrap().iter().map(|one| one.as_str().unwrap().to_owned()).collect()
    }
}

impl Drop for Window {
    fn drop(&mut self) {
        // The browser is closed by its session's end; it would outlive a driver that is killed.
        drop(self.end_session());
        drop(self.driver.kill());
        drop(self.driver.wait());
    }
}

impl Window {
    /// Waits without the test's runtime, which may be ending.
    fn end_session(&self) -> io::Result<()> {
        let url = self.session.trim_start_matches("http://");
        let (host, path) = url.split_once('/').unwrap_or((url, ""));
        let mut driver = TcpStream::connect(host)?;
        driver.set_read_timeout(Some(Duration::from_secs(20)))?;
        write!(driver, "DELETE /{path} HTTP/1.1\r\nhost: {host}\r\nconnection: close\r\n\r\n")?;
        driver.read(&mut [0; 64]).map(drop)
    }
}

/// The port that a driver says it listens on.
fn port_of(driver: &mut Child) -> u16 {
    let mut lines = BufReader::new(driver.stdout.take().unwrap()).lines();
    let said = lines.find_map(|line| {
        let line = line.unwrap();
        line.split_once("successfully on port ").map(|(_, port)| port.trim_end_matches('.').parse().unwrap())
    });
    // What it says later is read and forgotten, so that it never waits for a reader.
    std::thread::spawn(move || lines.for_each(drop));
    said.expect("chromedriver says where it listens")
}

/// The source of axe-core, fetched by npm into the target folder when it is not there.
fn axe() -> &'static str {
    static SOURCE: OnceLock<String> = OnceLock::new();
    SOURCE.get_or_init(|| {
        let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(AXE.replace('@', "-"));
        let lock = File::create(folder.with_extension("lock")).unwrap();
        lock.lock().unwrap();
        let source = folder.join("node_modules/axe-core/axe.min.js");
        if !source.exists() {
            let mut npm = Command::new("npm");
            npm.args(["install", "--no-audit", "--no-fund", "--ignore-scripts", "--prefix"]).arg(&folder).arg(AXE);
            let installed = npm.current_dir(repository("")).output().expect("npm is installed");
            assert!(installed.status.success(), "{}", String::from_utf8_lossy(&installed.stderr));
        }
        fs::read_to_string(source).unwrap()
    })
}
