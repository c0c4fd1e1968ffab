//! A phone with a browser: headless Chromium, driven over its debugging socket. Each phone has cookies of its own.

use std::cell::RefCell;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::rc::Rc;
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use tempfile::TempDir;
use tungstenite::{Message, WebSocket};

/// Only keeps a broken test from hanging.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// Where Chromium is, if it is there: its Debian name and its other common one.
fn program() -> PathBuf {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let found = std::env::split_paths(&path)
        .flat_map(|folder| ["chromium", "chromium-browser"].map(|name| folder.join(name)))
        .find(|program| program.is_file());
    found.expect("chromium is installed; `sh .ci/packages test` does that")
}

pub struct Browser {
    child: Child,
    wire: Rc<RefCell<Wire>>,
    _folder: TempDir,
}

/// The debugging socket, shared by all pages.
struct Wire {
    socket: WebSocket<TcpStream>,
    last: u64,
    events: Vec<Value>,
}

/// How a page is looked at.
#[derive(Debug, Clone, Copy)]
pub struct Looks {
    pub width: u32,
    pub height: u32,
    pub dark: bool,
}

impl Browser {
    pub fn start() -> Self {
        Self::start_with(&[])
    }

    /// With more options on its command line.
    pub fn start_with(options: &[&str]) -> Self {
        let folder = TempDir::with_prefix("evenbass-browser").expect("a temporary folder can be made");
        let mut command = Command::new(program());
        command.args(["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"]);
        command.args(["--disable-background-networking", "--disable-component-update", "--disable-sync"]);
        command.args(["--disable-dev-shm-usage", "--hide-scrollbars", "--force-color-profile=srgb"]);
        command.args(options).args(["--remote-debugging-port=0", "about:blank"]);
        command.arg(format!("--user-data-dir={}", folder.path().display()));
        command.env("HOME", folder.path()).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
        let child = command.spawn().expect("chromium starts");
        let told = folder.path().join("DevToolsActivePort");
        let endpoint = patiently("chromium says where it listens", || {
            let text = std::fs::read_to_string(&told).ok()?;
            let (port, path) = text.split_once('\n')?;
            Some(format!("127.0.0.1:{port}{}", path.trim_end()))
        });
        let (address, _) = endpoint.split_once('/').expect("an address and a path");
        let stream = TcpStream::connect(address).expect("chromium listens");
        stream.set_read_timeout(Some(PATIENCE)).expect("a socket has timeouts");
        let (socket, _) = tungstenite::client(format!("ws://{endpoint}"), stream).expect("chromium answers");
        let wire = Wire { socket, last: 0, events: Vec::new() };
        Self { child, wire: Rc::new(RefCell::new(wire)), _folder: folder }
    }

    /// A phone that has never been here: no cookies.
    pub fn phone(&self) -> Phone {
        let context = self.wire.borrow_mut().call(None, "Target.createBrowserContext", json!({}));
        let context = context["browserContextId"].as_str().expect("a context").to_owned();
        self.page(context)
    }

    fn page(&self, context: String) -> Phone {
        let mut wire = self.wire.borrow_mut();
        let target =
            wire.call(None, "Target.createTarget", json!({ "url": "about:blank", "browserContextId": context }));
        let attached =
            wire.call(None, "Target.attachToTarget", json!({ "targetId": target["targetId"], "flatten": true }));
        let session = attached["sessionId"].as_str().expect("a session").to_owned();
        for domain in ["Page", "Runtime", "Log", "Network"] {
            wire.call(Some(&session), &format!("{domain}.enable"), json!({}));
        }
        drop(wire);
        let phone = Phone { wire: self.wire.clone(), session, context };
        phone.looks(Looks { width: 390, height: 844, dark: true });
        phone
    }

    /// The title of whatever is open at an address, once it has one.
    pub fn title_at(&self, address: &str) -> String {
        patiently("the page has a title", || {
            let targets = self.wire.borrow_mut().call(None, "Target.getTargets", json!({}));
            let all = targets["targetInfos"].as_array()?.clone();
            let open = all.iter().find(|target| target["type"] == "page" && target["url"] == json!(address))?;
            // Before that the browser shows the address.
            open["title"].as_str().filter(|title| !title.is_empty() && !address.contains(title)).map(str::to_owned)
        })
    }

    /// The same phone once more: a second page with the same cookies.
    pub fn second_page(&self, phone: &Phone) -> Phone {
        self.page(phone.context.clone())
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Wire {
    fn call(&mut self, session: Option<&str>, method: &str, parameters: Value) -> Value {
        self.try_call(session, method, parameters).unwrap_or_else(|error| panic!("{method}: {error}"))
    }

    fn try_call(&mut self, session: Option<&str>, method: &str, parameters: Value) -> Result<Value, Value> {
        self.last += 1;
        let id = self.last;
        let mut order = json!({ "id": id, "method": method, "params": parameters });
        if let Some(session) = session {
            order["sessionId"] = json!(session);
        }
        self.socket.send(Message::text(order.to_string())).expect("chromium listens");
        loop {
            let message = self.socket.read().unwrap_or_else(|error| panic!("no answer to {method}: {error}"));
            let Message::Text(text) = message else { continue };
            let value: Value = serde_json::from_str(text.as_str()).expect("chromium speaks JSON");
            if value["id"] == json!(id) {
                return value.get("error").map_or_else(|| Ok(value["result"].clone()), |error| Err(error.clone()));
            }
            if value.get("method").is_some() {
                self.events.push(value);
            }
        }
    }
}

pub struct Phone {
    wire: Rc<RefCell<Wire>>,
    session: String,
    context: String,
}

impl Phone {
    pub fn call(&self, method: &str, parameters: Value) -> Value {
        self.wire.borrow_mut().call(Some(&self.session), method, parameters)
    }

    pub fn go(&self, address: &str) {
        self.call("Page.navigate", json!({ "url": address }));
    }

    /// What an expression is worth on the page; `null` while the page changes.
    pub fn ask(&self, expression: &str) -> Value {
        let asked = json!({ "expression": expression, "returnByValue": true, "awaitPromise": true });
        let answer = match self.wire.borrow_mut().try_call(Some(&self.session), "Runtime.evaluate", asked) {
            Ok(answer) => answer,
            // The page was left while it was asked.
            Err(error) if error["message"].as_str().is_some_and(|text| text.contains("navigated")) => {
                return Value::Null;
            }
            Err(error) => panic!("{expression}: {error}"),
        };
        if let Some(wrong) = answer.get("exceptionDetails") {
            let text = wrong["exception"]["description"].as_str().unwrap_or_default();
            panic!("{expression}: {text}");
        }
        answer["result"]["value"].clone()
    }

    /// Waits until an expression is true; returns how long that took.
    pub fn wait(&self, expression: &str) -> Duration {
        let began = Instant::now();
        while self.ask(&format!("Boolean({expression})")) != json!(true) {
            assert!(began.elapsed() < PATIENCE, "waited in vain until {expression}:\n{}", self.text());
            std::thread::park_timeout(Duration::from_millis(10));
        }
        began.elapsed()
    }

    pub fn wait_for_text(&self, text: &str) -> Duration {
        self.wait(&format!("document.body && document.body.innerText.includes({})", json!(text)))
    }

    /// Waits until the page shows a text on a screen that has been there for long enough for a tap to be meant for it.
    pub fn settle(&self, text: &str) {
        self.wait(&format!(
            "document.body && document.body.innerText.includes({}) && performance.now() >= document.body.dataset.takesFrom",
            json!(text)
        ));
    }

    /// Whether it shows a question, on a screen that takes taps.
    pub fn has_settled(&self, question: &Value) -> bool {
        let shown = format!(
            "Boolean(document.body && document.body.dataset.question === '{}' && document.body.innerText.includes({}) && \
             performance.now() >= document.body.dataset.takesFrom)",
            question["id"], question["text"]
        );
        self.ask(&shown) == json!(true)
    }

    /// Puts this page in front of the others of its phone, so that its timers run as they do in a hand.
    pub fn to_front(&self) {
        self.call("Page.bringToFront", json!({}));
    }

    pub fn text(&self) -> String {
        self.ask("document.body ? document.body.innerText : ''").as_str().unwrap_or_default().to_owned()
    }

    /// Puts a thumb on the middle of what a selector finds, and takes it away again.
    pub fn tap(&self, selector: &str) {
        self.tap_while(selector, || {});
    }

    /// The same, with something that happens while the thumb is down.
    pub fn tap_while(&self, selector: &str, during: impl FnOnce()) {
        let place = format!(
            "(() => {{ const found = document.querySelector({}); if (!found) return null; \
             found.scrollIntoView({{ block: 'center', behavior: 'instant' }}); const box = found.getBoundingClientRect(); \
             return [box.left + box.width / 2, box.top + box.height / 2]; }})()",
            json!(selector)
        );
        let mut at = self.ask(&place);
        let began = Instant::now();
        while at.is_null() {
            assert!(began.elapsed() < PATIENCE, "there is no {selector}:\n{}", self.text());
            std::thread::park_timeout(Duration::from_millis(10));
            at = self.ask(&place);
        }
        let mouse = |kind: &str| {
            let event = json!({ "type": kind, "x": at[0], "y": at[1], "button": "left", "clickCount": 1 });
            self.call("Input.dispatchMouseEvent", event);
        };
        mouse("mousePressed");
        during();
        mouse("mouseReleased");
    }

    /// Presses a key of a keyboard or a page-turner.
    pub fn key(&self, key: &str) {
        for kind in ["keyDown", "keyUp"] {
            let mut event = json!({ "type": kind, "key": key });
            if kind == "keyDown" && key.chars().count() == 1 {
                event["text"] = json!(key);
            }
            self.call("Input.dispatchKeyEvent", event);
        }
    }

    pub fn looks(&self, looks: Looks) {
        let Looks { width, height, dark } = looks;
        let metrics = json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 900 });
        self.call("Emulation.setDeviceMetricsOverride", metrics);
        let scheme = if dark { "dark" } else { "light" };
        let media = json!({ "features": [{ "name": "prefers-color-scheme", "value": scheme }] });
        self.call("Emulation.setEmulatedMedia", media);
    }

    /// Cuts this page off from every network, or lets it back.
    pub fn offline(&self, is_offline: bool) {
        let conditions =
            json!({ "offline": is_offline, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1 });
        self.call("Network.emulateNetworkConditions", conditions);
    }

    /// A picture of what can be seen.
    pub fn picture(&self, file: &Path) {
        let taken = self.call("Page.captureScreenshot", json!({ "format": "png" }));
        let bytes = from_base64(taken["data"].as_str().expect("a picture"));
        std::fs::create_dir_all(file.parent().expect("a file is in a folder")).expect("folders can be made");
        std::fs::write(file, bytes).expect("a picture can be kept");
    }

    /// Exceptions and violations of the page's policy so far. That a server was away is no error of the page.
    pub fn errors(&self) -> Vec<String> {
        let wire = self.wire.borrow();
        let own = wire.events.iter().filter(|event| event["sessionId"] == json!(self.session));
        own.filter_map(|event| match event["method"].as_str()? {
            "Runtime.exceptionThrown" => Some(event["params"]["exceptionDetails"].to_string()),
            "Log.entryAdded" => {
                let entry = &event["params"]["entry"];
                let counts = entry["level"] == "error" && entry["source"] != "network";
                counts.then(|| entry.to_string())
            }
            _ => None,
        })
        .collect()
    }

    /// Waits until the page's socket has brought a message with this in it, and the page has had its turn.
    pub fn wait_for_message(&self, text: &str) {
        patiently("the page is told", || {
            self.ask("new Promise((done) => setTimeout(() => done(1)))");
            let wire = self.wire.borrow();
            let own = wire.events.iter().filter(|event| event["sessionId"] == json!(self.session));
            let mut messages = own.filter(|event| event["method"] == "Network.webSocketFrameReceived");
            messages
                .any(|event| {
                    event["params"]["response"]["payloadData"].as_str().is_some_and(|said| said.contains(text))
                })
                .then_some(())
        });
        self.ask("new Promise((done) => setTimeout(() => done(1)))");
    }

    /// Every request that this page has made so far: its address and its headers.
    pub fn requests(&self) -> Vec<Value> {
        let wire = self.wire.borrow();
        let own = wire.events.iter().filter(|event| event["sessionId"] == json!(self.session));
        own.filter(|event| event["method"] == "Network.requestWillBeSent")
            .map(|event| event["params"]["request"].clone())
            .collect()
    }
}

/// Where the smallest page is served that has nothing to do with a visit, for as long as this runs.
pub fn page_elsewhere() -> SocketAddr {
    serve_elsewhere("127.0.0.1:0")
}

/// The same at a certain address.
pub fn serve_elsewhere(at: &str) -> SocketAddr {
    const PAGE: &str = "<!doctype html><html lang=en><title>elsewhere</title><p>word";
    let listener = TcpListener::bind(at).expect("a free port");
    let address = listener.local_addr().expect("an address");
    std::thread::spawn(move || {
        for mut stream in listener.incoming().flatten() {
            let head = format!("HTTP/1.1 200 OK\r\nContent-Type: text/html\r\nContent-Length: {}", PAGE.len());
            let _ = stream.read(&mut [0; 4096]);
            let _ = write!(stream, "{head}\r\nCache-Control: no-store\r\nConnection: close\r\n\r\n{PAGE}");
        }
    });
    address
}

fn patiently<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let began = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(began.elapsed() < PATIENCE, "waited in vain until {what}");
        std::thread::park_timeout(Duration::from_millis(10));
    }
}

/// RFC 4648, section 4.
fn from_base64(text: &str) -> Vec<u8> {
    let value = |letter: u8| match letter {
        b'A'..=b'Z' => letter - b'A',
        b'a'..=b'z' => letter - b'a' + 26,
        b'0'..=b'9' => letter - b'0' + 52,
        b'+' => 62,
        _ => 63,
    };
    let letters: Vec<u8> = text.bytes().filter(|letter| *letter != b'=').map(value).collect();
    let groups = letters.chunks(4).flat_map(|group| {
        let bits = group.iter().enumerate().fold(0_u32, |bits, (at, six)| bits | u32::from(*six) << (18 - 6 * at));
        bits.to_be_bytes()[1..group.len()].to_vec()
    });
    groups.collect()
}
