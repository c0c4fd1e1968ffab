//! The program in a pseudo-terminal of 80 by 24, read as a person reads it.

use std::io::Write;
use std::num::NonZeroU16;
use std::process::Command;
use std::thread;
use std::time::{Duration, Instant};

use expectrl::Session;
use expectrl::process::unix::{Signal, WaitStatus};
use expectrl::session::OsSession;

/// Only keeps a broken test from hanging.
const PATIENCE: Duration = Duration::from_secs(60);

pub struct Screen {
    session: OsSession,
    parser: vt100::Parser,
    /// Everything that was written, for what is no longer on the screen.
    pub raw: String,
}

impl Screen {
    pub fn start(mut command: Command) -> Self {
        command.env("TERM", "xterm").env("NO_COLOR", "1");
        let mut session = Session::spawn(command).expect("the program starts");
        session.get_process_mut().set_window_size(80, 24).expect("a terminal has a size");
        let size = |cells| NonZeroU16::new(cells).expect("not zero");
        Self { session, parser: vt100::Parser::new(size(24), size(80), 0), raw: String::new() }
    }

    pub fn press(&mut self, keys: &str) {
        self.session.write_all(keys.as_bytes()).expect("the program reads its keys");
        self.session.flush().expect("the program reads its keys");
    }

    pub fn send(&mut self, signal: Signal) {
        self.session.get_process_mut().signal(signal).expect("the program is there");
    }

    /// Takes up what was written since.
    pub fn look(&mut self) {
        let mut bytes = [0; 4096];
        loop {
            match self.session.try_read(&mut bytes) {
                Ok(0) => break,
                Ok(read) => {
                    self.parser.process(&bytes[..read]);
                    self.raw.push_str(&String::from_utf8_lossy(&bytes[..read]));
                }
                // Nothing more now; Linux answers with another error when the program has closed its end.
                Err(_) => break,
            }
        }
    }

    /// Looks until something is so.
    pub fn wait(&mut self, what: &str, mut done: impl FnMut(&Self) -> bool) {
        let start = Instant::now();
        loop {
            self.look();
            if done(self) {
                return;
            }
            assert!(start.elapsed() < PATIENCE, "{what} never came:\n{}", self.text());
            assert!(!self.has_ended(), "the program ended before {what}:\n{}\n{:?}", self.text(), self.raw);
            // The sound server needs the processor more than an onlooker does.
            thread::park_timeout(Duration::from_millis(5));
        }
    }

    pub fn wait_for(&mut self, text: &str) {
        self.wait(text, |screen| screen.text().contains(text));
    }

    pub fn text(&self) -> String {
        self.parser.screen().contents()
    }

    /// The instruction and what belongs to it.
    pub fn page(&self) -> String {
        self.parser.screen().rows(0, 80).skip(3).take(12).collect::<Vec<_>>().join("\n")
    }

    pub fn process_id(&self) -> i32 {
        self.session.get_process().pid().as_raw()
    }

    /// Waits for the end; the exit code, 128 and more for a signal.
    pub fn end(&mut self) -> i32 {
        let start = Instant::now();
        while !self.has_ended() {
            self.look();
            assert!(start.elapsed() < PATIENCE, "the program hangs:\n{}", self.text());
            thread::park_timeout(Duration::from_millis(5));
        }
        self.look();
        match self.session.get_process().wait().expect("the program has ended") {
            WaitStatus::Exited(_, code) => code,
            WaitStatus::Signaled(_, signal, _) => 128 + signal as i32,
            other => panic!("not an end: {other:?}"),
        }
    }

    /// Whether the kernel has stopped the program.
    pub fn is_stopped(&self) -> bool {
        self.kernel_state() == Some('T')
    }

    pub fn has_ended(&self) -> bool {
        matches!(self.kernel_state(), None | Some('Z'))
    }

    /// The letter after the program's name.
    fn kernel_state(&self) -> Option<char> {
        let status = std::fs::read_to_string(format!("/proc/{}/stat", self.process_id())).ok()?;
        status.rsplit(')').next()?.trim_start().chars().next()
    }
}
