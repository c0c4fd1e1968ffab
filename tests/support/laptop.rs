//! The program with a handset, as a script sees it: questions on standard output, the page's address on standard error.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::{Duration, Instant};

use serde_json::Value;
use tungstenite::client::IntoClientRequest;
use tungstenite::http::HeaderValue;
use tungstenite::{Message, WebSocket};

use crate::support::script::evenbass;

/// Only keeps a broken test from hanging.
const PATIENCE: Duration = Duration::from_secs(60);

pub struct Laptop {
    child: Child,
    input: Option<ChildStdin>,
    lines: Receiver<Value>,
    said: Arc<Mutex<String>>,
    invitations: Receiver<String>,
}

impl Laptop {
    /// Starts the program; it is on the JSON face, so that what it shows can be followed.
    pub fn start(mut command: Command) -> Self {
        let piped = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = piped.spawn().expect("the program starts");
        let (sender, lines) = channel();
        let output = BufReader::new(child.stdout.take().expect("piped"));
        thread::spawn(move || {
            for line in output.lines().map_while(Result::ok) {
                let value = serde_json::from_str(&line).unwrap_or(Value::String(line));
                if sender.send(value).is_err() {
                    return;
                }
            }
        });
        let (inviting, invitations) = channel();
        let said = Arc::new(Mutex::new(String::new()));
        let (collected, stderr) = (said.clone(), BufReader::new(child.stderr.take().expect("piped")));
        thread::spawn(move || {
            for line in stderr.lines().map_while(Result::ok) {
                if let Some(invitation) = line.strip_prefix("handset ") {
                    let _ = inviting.send(invitation.to_owned());
                }
                let mut said = collected.lock().unwrap();
                said.push_str(&line);
                said.push('\n');
            }
        });
        Self { input: child.stdin.take(), child, lines, said, invitations }
    }

    /// The page's address with the secret for the next phone.
    pub fn invitation(&self) -> String {
        let invitation = self.invitations.recv_timeout(PATIENCE);
        invitation.unwrap_or_else(|_| panic!("no handset, but:\n{}", self.said()))
    }

    /// The next line that has this key; lines before it are passed over.
    pub fn hear_of(&self, key: &str) -> Value {
        self.hear_until(|line| line.get(key).is_some())
    }

    pub fn hear_until(&self, wanted: impl Fn(&Value) -> bool) -> Value {
        let mut passed = Vec::new();
        loop {
            match self.lines.recv_timeout(PATIENCE) {
                Ok(line) if wanted(&line) => return line,
                Ok(line) => passed.push(line.to_string()),
                Err(_) => panic!("it was not said, but {passed:#?}\n{}", self.said()),
            }
        }
    }

    /// What was said and not yet heard.
    pub fn heard_since(&self) -> Vec<Value> {
        self.lines.try_iter().collect()
    }

    pub fn say(&mut self, line: &Value) {
        let input = self.input.as_mut().expect("it listens");
        writeln!(input, "{line}").and_then(|()| input.flush()).expect("it lives");
    }

    /// What it has said to standard error.
    pub fn said(&self) -> String {
        self.said.lock().unwrap().clone()
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Most memory that the program has had so far, kB, as the kernel counts it.
    pub fn most_memory_kb(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.id())).expect("it runs");
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).expect("the kernel counts memory");
        line.trim().trim_end_matches(" kB").parse().expect("a number")
    }

    /// Whether it still runs.
    pub fn runs(&mut self) -> bool {
        matches!(self.child.try_wait(), Ok(None))
    }

    /// Leaves the visit and waits for the end.
    pub fn leave(&mut self) -> std::process::ExitStatus {
        self.input = None;
        self.child.wait().expect("it ends")
    }

    /// Lets nothing of it run, as a closed lid does, or lets it run again.
    pub fn freeze(&self, is_frozen: bool) {
        let signal = if is_frozen { "-STOP" } else { "-CONT" };
        let sent = Command::new("kill").args([signal, &self.id().to_string()]).status().expect("there is a kill");
        assert!(sent.success(), "{signal}");
    }

    /// Ends it at once, as a power cut would.
    pub fn kill(&mut self) {
        self.child.kill().expect("it can be killed");
        self.child.wait().expect("it ends");
    }
}

impl Drop for Laptop {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A rehearsal that a script answers, with a handset that only this machine can reach. More options may follow, an
/// address first.
pub fn rehearsal(home: &Path) -> Command {
    let mut command = evenbass(home);
    command.env("XDG_DATA_HOME", home.join("data"));
    command.args(["rehearse", "--face", "json", "--room", "room.toml", "--notes", "short", "--minutes", "2"]);
    command.args(["--kit", "kit.toml", "--seed", "7", "--folder", ".", "--handset"]);
    command
}

/// What goes on with that rehearsal after it has ended.
pub fn resumption(home: &Path, face: &str) -> Command {
    let mut command = evenbass(home);
    command.env("XDG_DATA_HOME", home.join("data"));
    command.args(["resume", "rehearsal.visit.jsonl", "--face", face, "--handset"]);
    command
}

/// The address without the secret, 'http://127.0.0.1:4711', and the secret.
pub fn parts(invitation: &str) -> (String, String) {
    let (page, secret) = invitation.split_once("/#").expect("a page and a secret");
    (page.to_owned(), secret.to_owned())
}

/// An answer over HTTP.
#[derive(Debug, Clone)]
pub struct Reply {
    pub status: u16,
    pub head: String,
    pub body: String,
}

/// Sends bytes to a page's address as they are, and reads all that comes back. Nothing, where it is hung up on.
pub fn exchange(page: &str, request: &[u8]) -> Option<Reply> {
    let mut stream = TcpStream::connect(page.strip_prefix("http://").expect("an address")).ok()?;
    stream.set_read_timeout(Some(PATIENCE)).ok()?;
    let _ = stream.write_all(request);
    let mut bytes = Vec::new();
    let _ = stream.read_to_end(&mut bytes);
    let text = String::from_utf8_lossy(&bytes).into_owned();
    let (head, body) = text.split_once("\r\n\r\n")?;
    let status = head.split(' ').nth(1)?.parse().ok()?;
    Some(Reply { status, head: head.to_owned(), body: body.to_owned() })
}

/// A request with headers; Host is the page's own unless it is among them.
pub fn request(page: &str, first: &str, headers: &[(&str, &str)], body: &str) -> Option<Reply> {
    let mut text = format!("{first} HTTP/1.1\r\n");
    if !headers.iter().any(|(name, _)| name.eq_ignore_ascii_case("host")) {
        text.push_str(&format!("Host: {}\r\n", page.trim_start_matches("http://")));
    }
    for (name, value) in headers {
        text.push_str(&format!("{name}: {value}\r\n"));
    }
    if !body.is_empty() || first.starts_with("POST") {
        text.push_str(&format!("Content-Length: {}\r\n", body.len()));
    }
    exchange(page, format!("{text}\r\n{body}").as_bytes())
}

/// Pairs without a browser: the cookie, as it is sent back.
pub fn pair(invitation: &str) -> String {
    let (page, secret) = parts(invitation);
    let reply = request(&page, "POST /pair", &[("Origin", &page)], &secret).expect("an answer");
    assert_eq!(reply.status, 204, "{reply:?}");
    let cookie = reply.head.lines().find_map(|line| line.strip_prefix("set-cookie: ")).expect("a cookie");
    cookie.split(';').next().expect("a value").to_owned()
}

/// A page's socket without a browser.
pub struct Page {
    socket: WebSocket<TcpStream>,
}

impl Page {
    /// Opens the socket; the status, where that is refused.
    pub fn open(page: &str, headers: &[(&str, &str)]) -> Result<Self, u16> {
        let address = page.strip_prefix("http://").expect("an address");
        let stream = TcpStream::connect(address).map_err(|_| 0_u16)?;
        stream.set_read_timeout(Some(PATIENCE)).expect("a socket has timeouts");
        stream.set_nodelay(true).expect("a socket has options");
        let mut request = format!("ws://{address}/socket").into_client_request().expect("a request");
        for (name, value) in headers {
            let name = tungstenite::http::HeaderName::from_bytes(name.as_bytes()).expect("a name");
            request.headers_mut().insert(name, HeaderValue::from_str(value).expect("a value"));
        }
        match tungstenite::client(request, stream) {
            Ok((socket, _)) => Ok(Self { socket }),
            Err(tungstenite::HandshakeError::Failure(tungstenite::Error::Http(reply))) => Err(reply.status().as_u16()),
            Err(error) => panic!("no socket: {error}"),
        }
    }

    /// Of a paired phone.
    pub fn of(page: &str, cookie: &str) -> Self {
        Self::open(page, &[("Origin", page), ("Cookie", cookie)]).expect("it is paired")
    }

    pub fn say(&mut self, said: &Value) -> bool {
        self.say_text(&said.to_string())
    }

    pub fn say_text(&mut self, text: &str) -> bool {
        self.socket.send(Message::text(text)).is_ok()
    }

    pub fn say_bytes(&mut self, bytes: &[u8]) -> bool {
        self.socket.send(Message::binary(bytes.to_vec())).is_ok()
    }

    pub fn stream(&mut self) -> &mut TcpStream {
        self.socket.get_mut()
    }

    /// The next message; nothing once it is closed.
    pub fn hear(&mut self) -> Option<Value> {
        let began = Instant::now();
        loop {
            match self.socket.read() {
                Ok(Message::Text(text)) => return Some(serde_json::from_str(text.as_str()).expect("JSON")),
                // Its signs of life come for ever: they are not what is waited for.
                Ok(_) => assert!(began.elapsed() < PATIENCE, "nothing but pings"),
                Err(_) => return None,
            }
        }
    }

    /// The next message of this kind; messages before it are passed over.
    pub fn hear_of(&mut self, kind: &str) -> Value {
        loop {
            let message = self.hear().unwrap_or_else(|| panic!("it was closed before any {kind}"));
            if let Some(found) = message.get(kind) {
                return found.clone();
            }
        }
    }

    /// The next card that is as wanted.
    pub fn card(&mut self, wanted: impl Fn(&Value) -> bool) -> Value {
        loop {
            let card = self.hear_of("card");
            if wanted(&card) {
                return card;
            }
        }
    }
}

/// The one visit file of a folder.
pub fn visit_file(folder: &Path) -> PathBuf {
    let mut files = std::fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry").path());
    files.find(|file| file.to_string_lossy().ends_with(".visit.jsonl")).expect("a visit file")
}
