//! A live engine in a process of its own, driven line by line: a sound system reads its environment once per process.

use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

use evenbass::engine::{DeviceRequest, Engine, Outputs, ToneId};
use evenbass::units::{Dbfs, FrameCount};

use super::tones::sine_of;

const HANGS_AFTER: Duration = Duration::from_secs(30);
/// Marks the player's own lines among those of the test harness.
const MARK: &str = "player: ";

pub struct Player {
    child: Child,
    input: Option<ChildStdin>,
    lines: Receiver<String>,
    errors: Arc<Mutex<String>>,
}

impl Player {
    /// Runs this test program again, as the player.
    pub fn start(
        environment: Vec<(&'static str, std::ffi::OsString)>,
        device: &str,
        channels: u16,
        buffer: u64,
    ) -> Self {
        let mut command = Command::new(std::env::current_exe().expect("a test program has a path"));
        command.args(["--exact", "player", "--ignored", "--nocapture", "--test-threads=1"]).envs(environment);
        command.env("PLAYER_DEVICE", device).env("PLAYER_CHANNELS", channels.to_string());
        command.env("PLAYER_BUFFER", buffer.to_string());
        let mut child =
            command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("it starts");
        let (sender, lines) = channel();
        let output = BufReader::new(child.stdout.take().expect("piped"));
        thread::spawn(move || {
            for line in output.lines().map_while(Result::ok) {
                // The harness writes `test player ... ` before the first line.
                if let Some((_, line)) = line.split_once(MARK) {
                    let _ = sender.send(line.to_owned());
                }
            }
        });
        let errors = Arc::new(Mutex::new(String::new()));
        let (collected, stderr) = (errors.clone(), BufReader::new(child.stderr.take().expect("piped")));
        thread::spawn(move || {
            for line in stderr.lines().map_while(Result::ok) {
                let mut errors = collected.lock().unwrap();
                errors.push_str(&line);
                errors.push('\n');
            }
        });
        Self { input: child.stdin.take(), child, lines, errors }
    }

    pub fn say(&mut self, line: &str) {
        let input = self.input.as_mut().expect("the player listens");
        writeln!(input, "{line}").and_then(|()| input.flush()).expect("the player lives");
    }

    /// The next line that contains `wanted`; lines before it are passed over.
    pub fn wait_for(&self, wanted: &str) -> String {
        let mut seen = Vec::new();
        loop {
            match self.lines.recv_timeout(HANGS_AFTER) {
                Ok(line) if line.contains(wanted) => return line,
                Ok(line) => seen.push(line),
                Err(_) => panic!("no '{wanted}' from the player, but {seen:?}, {}", self.errors.lock().unwrap()),
            }
        }
    }

    /// Closes the engine and waits until the process has ended. Returns what it wrote to standard error.
    pub fn close(&mut self) -> String {
        self.say("close");
        self.wait_for("closed");
        self.input = None;
        super::sound_server::wait_until("the player has ended", || matches!(self.child.try_wait(), Ok(Some(_))));
        self.errors.lock().unwrap().clone()
    }
}

impl Drop for Player {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The player's side: opens what the environment says and does what the lines say.
///
/// The device `list` stands for a list of the outputs. Every order is answered by `ok` or by the error's words; every
/// moment is printed as it comes.
pub fn run() {
    let variable = |name: &str| std::env::var(name).unwrap_or_default();
    let request = DeviceRequest {
        device: Some(variable("PLAYER_DEVICE")).filter(|device| !device.is_empty()),
        rate: None,
        channels: variable("PLAYER_CHANNELS").parse().ok(),
        buffer: variable("PLAYER_BUFFER").parse().ok().map(FrameCount),
    };
    if request.device.as_deref() == Some("list") {
        for output in evenbass::engine::outputs().unwrap_or_default() {
            println!("{MARK}output {output:?}");
        }
        return;
    }
    let on_moment = Box::new(|moment| println!("{MARK}{moment:?}"));
    let engine = match Engine::live(&request, on_moment) {
        Ok(engine) => engine,
        Err(error) => {
            println!("{MARK}refused {error:?} {error}");
            return;
        }
    };
    println!("{MARK}open {:?}", engine.device());
    let engine = Arc::new(Mutex::new(Some(engine)));
    let beaten = engine.clone();
    let heart = thread::spawn(move || {
        while let Some(engine) = beaten.lock().unwrap().as_mut() {
            engine.beat();
            thread::park_timeout(Duration::from_millis(1));
        }
    });
    for line in std::io::stdin().lines().map_while(Result::ok) {
        if line == "close" {
            break;
        }
        let mut engine = engine.lock().unwrap();
        println!("{MARK}{}", obey(engine.as_mut().expect("it is open"), &line));
    }
    let open = engine.lock().unwrap().take();
    open.expect("it is open").close();
    let _ = heart.join();
    println!("{MARK}closed");
}

fn obey(engine: &mut Engine, line: &str) -> String {
    let words: Vec<&str> = line.split(' ').collect();
    let number = |place: usize| words[place].parse::<f64>().expect("a number");
    let done = match words[0] {
        "start" => {
            let channels: Vec<u16> = words[5].split(',').map(|channel| channel.parse().expect("a channel")).collect();
            let order = sine_of(number(1) as u64, number(2), number(3), number(4) as u64);
            engine.start(evenbass::engine::Order { outputs: Outputs::all(&channels), ..order })
        }
        "level" => engine.set_level(ToneId(number(1) as u64), Dbfs::new(number(2))),
        "ceiling" => {
            engine.set_ceiling(Dbfs::new(number(1)));
            Ok(())
        }
        "fade" => {
            engine.fade_all();
            Ok(())
        }
        "stop" => {
            engine.emergency_stop();
            Ok(())
        }
        other => panic!("the player does not know '{other}'"),
    };
    done.map_or_else(|error| format!("refused {error:?} {error}"), |()| "ok".to_owned())
}
