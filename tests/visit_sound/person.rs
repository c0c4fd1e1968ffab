//! A person who does what the screen of a visit says.

use std::path::Path;
use std::time::Duration;

use crate::support::screen::Screen;
use crate::support::script::evenbass;
use crate::support::sound_server::{Sink, SoundServer};

/// What the person finds comfortable.
pub const COMFORT_DBFS: f64 = -52.0;
/// A person presses louder at this pace; the program takes no more than six a second.
const PACE: Duration = Duration::from_millis(180);
/// A pause between two tones is over after so many looks at the screen.
const LOOKS_OF_SILENCE: usize = 80;

/// A person at the screen of a visit.
pub struct Person {
    pub screen: Screen,
    ratings: usize,
}

impl Person {
    pub fn begin(server: &SoundServer, home: &Path, name: &str, sink: Sink, options: &[&str]) -> Self {
        let mut command = evenbass(home);
        command.envs(server.environment()).env("HOME", home).env("XDG_CONFIG_HOME", home.join("config"));
        command.args(["begin", name, "--room", "room.toml", "--kit", "small-kit.toml", "--notes", "short"]);
        command.args(["--buffer-frames", "8192", "--seed", "7", "--output", sink.name()]).args(options);
        std::fs::write(home.join("small-kit.toml"), "rated_low_hz = 45.0\ntoo_heavy = false\nmeter = false\n").unwrap();
        Self { screen: Screen::start(command), ratings: 0 }
    }

    pub fn resume(server: &SoundServer, home: &Path, file: &Path, sink: Sink) -> Self {
        let mut command = evenbass(home);
        command.envs(server.environment()).env("HOME", home).env("XDG_CONFIG_HOME", home.join("config"));
        command.arg("resume").arg(file).args(["--buffer-frames", "8192", "--output", sink.name()]);
        Self { screen: Screen::start(command), ratings: 0 }
    }

    /// Does what the screen says until it shows `wanted`.
    pub fn go_on_until(&mut self, wanted: &str) {
        loop {
            let text = self.read();
            if text.contains(wanted) {
                return;
            }
            if let Some(level_dbfs) = shown_level(&text) {
                if level_dbfs < COMFORT_DBFS {
                    self.screen.press("+");
                    std::thread::sleep(PACE);
                    continue;
                }
                self.answer("\r");
            } else if text.contains("How strong is") {
                self.ratings += 1;
                // Some people answer before the note has ended.
                if self.ratings % 4 != 2 {
                    self.hear_out();
                }
                let key = if self.ratings.is_multiple_of(4) { "d".into() } else { (3 + self.ratings % 3).to_string() };
                self.answer(&key);
            } else {
                self.hear_out();
                if instruction(&self.screen.text()) == instruction(&text) {
                    self.answer("\r");
                }
            }
        }
    }

    /// Reads the screen once it asks for something and has come to rest.
    fn read(&mut self) -> String {
        let (mut text, mut looks) = (String::new(), 0);
        self.screen.wait("something to do", |screen| {
            looks = if screen.text() == text { looks + 1 } else { 0 };
            text = screen.text();
            let waits =
                text.contains("One moment.") || text.contains("being written") || screen.page().trim().is_empty();
            looks > 3 && !waits
        });
        text
    }

    /// Listens until nothing has sounded for longer than the pause between two tones.
    fn hear_out(&mut self) {
        let mut looks = 0;
        self.screen.wait("the end of the tones", |screen| {
            looks = if screen.text().contains("silent  ") { looks + 1 } else { 0 };
            looks > LOOKS_OF_SILENCE
        });
    }

    /// One key, and what follows from it.
    pub fn answer(&mut self, key: &str) {
        let before = self.screen.page();
        self.screen.press(key);
        self.screen.wait("the next page", |screen| screen.page() != before && !screen.text().contains("being written"));
    }
}

/// What the page asks for.
fn instruction(text: &str) -> Option<&str> {
    text.lines().nth(3)
}

/// The level of the comfort page.
pub fn shown_level(text: &str) -> Option<f64> {
    text.lines().find_map(|line| line.trim().strip_prefix("now ")?.strip_suffix(" dBFS")?.trim().parse().ok())
}
