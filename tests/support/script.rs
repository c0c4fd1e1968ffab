//! The program on the JSON face, and a listener that answers by rule.

use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, ExitStatus, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use serde_json::{Value, json};

/// Only keeps a broken test from hanging.
const HANGS_AFTER: Duration = Duration::from_secs(240);

/// Eight short notes: the fewest that a visit takes, so that a visit passes quickly.
pub const SHORT_SET: &str = r#"
name = "short"
about = "Eight short notes, for tests."
seconds = 0.5
gap_s = 0.1
reference_hz = 50.0

[notes]
from_hz = 32.0
to_hz = 110.0
count = 8

[tone]
signal = "warble"
half_width_octaves = 0.08333333333333333
rate_hz = 4.0
shape = "sine"

[reference_tone]
signal = "steady-noise"
band = "1/3"
"#;

/// Three spots in an invented room that nobody has taped: the judge is quick without a room to compute.
pub const SMALL_ROOM: &str = r#"
name = "garden room"

[[seat]]
name = "bench"

[[spot]]
name = "window corner"

[[spot]]
name = "door side"

[[spot]]
name = "behind the bench"
"#;

/// A kit that leaves nothing to ask.
pub const WHOLE_KIT: &str = "rated_low_hz = 30.0\ntoo_heavy = false\nmeter = false\n";

/// The program under test, with its home in a folder of the test. `short`, `room.toml` and `kit.toml` are there.
pub fn evenbass(home: &Path) -> Command {
    let notes = home.join("config/evenbass/notes");
    if !notes.exists() {
        fs::create_dir_all(&notes).expect("folders can be made");
        fs::write(notes.join("short.toml"), SHORT_SET).expect("files can be written");
        fs::write(home.join("room.toml"), SMALL_ROOM).expect("files can be written");
        fs::write(home.join("kit.toml"), WHOLE_KIT).expect("files can be written");
    }
    let mut command = Command::new(env!("CARGO_BIN_EXE_evenbass"));
    command.env("HOME", home).env("XDG_CONFIG_HOME", home.join("config")).current_dir(home);
    command
}

/// `evenbass rehearse` on the JSON face with the small room and the short notes, its files in `folder`.
pub fn rehearsal(home: &Path, folder: &Path, seed: u64, minutes: &str) -> Command {
    let mut command = evenbass(home);
    command.args(["rehearse", "--face", "json", "--room", "room.toml", "--notes", "short", "--minutes", minutes]);
    command.args(["--kit", "kit.toml", "--seed", &seed.to_string(), "--folder"]).arg(folder);
    command
}

/// A program that is being talked to.
pub struct Talk {
    child: Child,
    input: Option<ChildStdin>,
    lines: Receiver<String>,
    errors: Option<JoinHandle<String>>,
}

impl Talk {
    pub fn start(mut command: Command) -> Self {
        let piped = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = piped.spawn().expect("the program starts");
        let (sender, lines) = channel();
        let mut output = BufReader::new(child.stdout.take().expect("piped"));
        thread::spawn(move || {
            let mut line = String::new();
            // A line that was cut by a kill was never told.
            while matches!(output.read_line(&mut line), Ok(1..)) && line.ends_with('\n') {
                if sender.send(std::mem::take(&mut line)).is_err() {
                    return;
                }
            }
        });
        let stderr = BufReader::new(child.stderr.take().expect("piped"));
        let errors = thread::spawn(move || stderr.lines().map_while(Result::ok).collect::<Vec<_>>().join("\n"));
        Self { input: child.stdin.take(), child, lines, errors: Some(errors) }
    }

    /// Says one line. A program that has ended does not hear it.
    pub fn say(&mut self, line: &Value) {
        self.say_text(&line.to_string());
    }

    pub fn say_text(&mut self, line: &str) {
        if let Some(input) = &mut self.input {
            let _ = writeln!(input, "{line}").and_then(|()| input.flush());
        }
    }

    /// The next line; `None` when the program has ended.
    pub fn hear(&mut self) -> Option<Value> {
        match self.lines.recv_timeout(HANGS_AFTER) {
            Ok(line) => Some(serde_json::from_str(&line).unwrap_or_else(|error| panic!("{error}: {line}"))),
            Err(RecvTimeoutError::Disconnected) => None,
            Err(RecvTimeoutError::Timeout) => panic!("the program hangs"),
        }
    }

    /// The next line that has this key; the lines before it are passed over.
    pub fn hear_of(&mut self, key: &str) -> Value {
        let mut passed = Vec::new();
        loop {
            match self.hear() {
                Some(line) if line.get(key).is_some() => return line,
                Some(line) => passed.push(line.to_string()),
                None => panic!("no '{key}', but {passed:#?}\n{}", self.end().1),
            }
        }
    }

    /// The next question; answers by rule until it is one that `wanted` says yes to.
    pub fn answer_until(&mut self, mut wanted: impl FnMut(&Value) -> bool) -> Value {
        loop {
            let question = self.hear_of("ask");
            if wanted(&question) {
                return question;
            }
            self.say(&answer_to(&question));
        }
    }

    /// Answers every question by a rule of one's own until a line comes that is wanted.
    pub fn answer_with(&mut self, rule: impl Fn(&Value) -> Value, wanted: impl Fn(&Value) -> bool) -> Value {
        let mut passed = Vec::new();
        loop {
            match self.hear() {
                Some(line) if wanted(&line) => return line,
                Some(line) if line.get("ask").is_some() => self.say(&rule(&line)),
                Some(line) if line.get("paused").is_some() => panic!("nobody stopped it: {line}"),
                Some(line) => passed.push(line.to_string()),
                None => panic!("it ended after {passed:#?}\n{}", self.end().1),
            }
        }
    }

    /// Ends the program at once, as a power cut would, and gives back what it had said until then.
    pub fn kill(mut self) -> Vec<Value> {
        self.child.kill().expect("it can be killed");
        self.child.wait().expect("it ends");
        let rest = std::iter::from_fn(|| self.lines.recv().ok());
        rest.filter_map(|line| serde_json::from_str(&line).ok()).collect()
    }

    /// No more will be said.
    pub fn hang_up(&mut self) {
        self.input = None;
    }

    /// Waits until it has ended; what it said to standard error.
    pub fn end(&mut self) -> (ExitStatus, String) {
        self.input = None;
        let status = self.child.wait().expect("it ends");
        (status, self.errors.take().map(|errors| errors.join().expect("standard error is read")).unwrap_or_default())
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }
}

impl Drop for Talk {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What the rule says to a question, with the question's id.
pub fn answer_to(question: &Value) -> Value {
    let mut answer = match question["ask"].as_str().expect("a question has a kind") {
        "rate" => json!({ "rating": rating_of(question), "seconds": 1.5 }),
        "move" => json!({ "arrived": true, "seconds": 5.0 }),
        "anchors" => json!({ "heard": true }),
        "match" => match_of(question),
        "meter" => json!({ "level_db": 70.0 + rating_of(question) as f64 }),
        "confirm" => json!({ "yes": true }),
        other => panic!("no rule for {other}: {question}"),
    };
    answer["id"] = question["id"].clone();
    answer
}

/// Nudges towards the level at which the rule hears the note as loud as the reference.
fn match_of(question: &Value) -> Value {
    let away_db = question["offset_db"].as_f64().expect("a match has an offset") + 2.0 * rating_of(question) as f64;
    if away_db.abs() <= 0.5 {
        json!({ "matched": true, "seconds": 8.0 })
    } else if away_db > 0.0 {
        json!({ "nudge": "down" })
    } else if question["offset_db"] == question["highest_offset_db"] {
        json!({ "matched": false, "seconds": 8.0 })
    } else {
        json!({ "nudge": "up" })
    }
}

/// The same for every hearing of a note at a spot: spot 1 is even, the others are not.
fn rating_of(question: &Value) -> i64 {
    let (spot, note) = (number(question, "spot_position"), number(question, "note"));
    match spot {
        1 => (note % 2) as i64,
        _ => (3 * note + spot) as i64 % 7 - 3,
    }
}

fn number(question: &Value, key: &str) -> u64 {
    question[key].as_u64().unwrap_or_else(|| panic!("no {key} in {question}"))
}
