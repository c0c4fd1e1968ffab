//! A laptop with a virtual sound card, and a visit on it with a handset that only this machine can reach.

use std::path::Path;
use std::process::Command;
use std::sync::{Mutex, MutexGuard, PoisonError};

use crate::support::script::{SHORT_SET, evenbass};
use crate::support::sound_server::{Sink, SoundServer};

/// What the person finds comfortable.
pub const COMFORT_DBFS: f64 = -52.0;

/// Of the long visits with sound one at a time, for fewer gaps.
pub fn alone() -> MutexGuard<'static, ()> {
    static ALONE: Mutex<()> = Mutex::new(());
    ALONE.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A command of the program that plays through the virtual sound card and is answered by a script. Two more sets are
/// there: `small-kit.toml`, and the notes `long`.
pub fn with_sound(server: &SoundServer, home: &Path, arguments: &[&str]) -> Command {
    let mut command = evenbass(home);
    std::fs::write(home.join("small-kit.toml"), "rated_low_hz = 45.0\ntoo_heavy = false\nmeter = false\n").unwrap();
    let long = SHORT_SET.replace("seconds = 0.5", "seconds = 8.0");
    std::fs::write(home.join("config/evenbass/notes/long.toml"), long).unwrap();
    command.envs(server.environment()).env("HOME", home).env("XDG_CONFIG_HOME", home.join("config"));
    command.env("XDG_DATA_HOME", home.join("data")).args(arguments);
    command.args(["--face", "json", "--output", Sink::Front.name()]);
    command
}

/// A visit called `short`.
pub fn begin(server: &SoundServer, home: &Path, notes: &str, frames: &str) -> Command {
    let mut command = with_sound(server, home, &["begin", "short", "--room", "room.toml", "--kit", "small-kit.toml"]);
    command.args(["--notes", notes, "--seed", "7", "--minutes", "1", "--buffer-frames", frames, "--handset"]);
    command
}
