//! The full screen in a real pseudo-terminal: it comes, answers, is lent and taken back, and leaves nothing behind.
//!
//! The face runs in a child: this test binary itself, started again for the ignored test `stage` under a pty, with a
//! small conductor that does what the tests need.
#![cfg(target_os = "linux")]

use std::io::Write;
use std::num::NonZeroU16;
use std::process::Command;
use std::sync::Arc;
use std::thread;
use std::time::{Duration, Instant};

use crossbeam_channel::bounded;
use evenbass::faces::terminal::{self, Look, ScreenHandle};
use evenbass::faces::{FaceId, Wires};
use evenbass::view::{Action, Question, QuestionId, View};
// The scenes name the crate's modules from its root, which is this file here.
use evenbass::{units, view};
use expectrl::Session;
use expectrl::process::unix::{Signal, WaitStatus};
use expectrl::session::OsSession;
use signal_hook::consts::SIGTSTP;
use signal_hook::iterator::Signals;

#[allow(dead_code, reason = "the scenes serve the unit tests as well")]
#[path = "../src/faces/scenes.rs"]
mod scenes;

/// Only keeps a broken test from hanging.
const PATIENCE: Duration = Duration::from_secs(30);

/// The child's part: a face on the real terminal and a conductor that takes every answer.
#[test]
#[ignore = "runs only as the child of the other tests"]
fn stage() {
    let (views, view_end) = bounded::<Arc<View>>(8);
    let (action_end, actions) = bounded(64);
    let screen = ScreenHandle::new();
    let lent = screen.clone();
    let mut signals = Signals::new([SIGTSTP]).unwrap();
    thread::spawn(move || {
        for signal in signals.forever() {
            lent.suspend();
            println!("lent");
            signal_hook::low_level::emulate_default_handler(signal).unwrap();
            lent.resume().unwrap();
        }
    });
    let conductor = thread::spawn(move || {
        let mut view = scenes::rate();
        views.send(Arc::new(view.clone())).unwrap();
        for (_, action) in actions {
            match action {
                Action::Answer { question, answer, .. } => {
                    let open = view.question.clone().unwrap();
                    view.taken = Some(format!("{question:?} {answer:?}"));
                    view.taken_question = Some(question);
                    view.question = Some(Arc::new(Question { id: QuestionId(question.0 + 1), ..(*open).clone() }));
                }
                Action::Stop => view.paused = Some("stop was pressed".into()),
                Action::Leave => view.closing = true,
                Action::Decide => panic!("the conductor failed on purpose"),
                _ => continue,
            }
            if views.send(Arc::new(view.clone())).is_err() || view.closing {
                return;
            }
        }
    });
    let wires = Wires { views: view_end, actions: action_end, face: FaceId(0) };
    let look = Look { ascii: true, colour: false };
    let result = terminal::run(wires, look, &screen, None);
    println!("face {result:?}, conductor {}", if conductor.join().is_ok() { "well" } else { "failed" });
}

struct Screen {
    session: OsSession,
    parser: vt100::Parser,
    /// Everything that was written, for what is no longer on the screen.
    raw: String,
}

impl Screen {
    fn start() -> Self {
        let mut command = Command::new(std::env::current_exe().unwrap());
        command.args(["--exact", "stage", "--ignored", "--nocapture"]).env("TERM", "xterm").env("RUST_BACKTRACE", "0");
        let mut session = Session::spawn(command).unwrap();
        session.get_process_mut().set_window_size(80, 24).unwrap();
        Self { session, parser: vt100::Parser::new(size(24), size(80), 0), raw: String::new() }
    }

    fn resize(&mut self, columns: u16, rows: u16) {
        self.session.get_process_mut().set_window_size(columns, rows).unwrap();
        self.parser.set_size(size(rows), size(columns));
    }

    fn press(&mut self, keys: &str) {
        self.session.write_all(keys.as_bytes()).unwrap();
        self.session.flush().unwrap();
    }

    /// Reads until what is there satisfies `done`; polls the contents, never the clock.
    fn wait(&mut self, what: &str, done: impl Fn(&Self) -> bool) {
        let start = Instant::now();
        let mut bytes = [0; 4096];
        while !done(self) {
            assert!(start.elapsed() < PATIENCE, "{what} never came:\n{}\n{:?}", self.text(), self.raw);
            match self.session.try_read(&mut bytes) {
                Ok(0) => {}
                Ok(read) => {
                    self.parser.process(&bytes[..read]);
                    self.raw.push_str(&String::from_utf8_lossy(&bytes[..read]));
                    continue;
                }
                Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => {}
                // Linux says so when the child has closed its end.
                Err(_) => assert!(done(self), "{what} never came before the end:\n{}\n{:?}", self.text(), self.raw),
            }
            thread::yield_now();
        }
    }

    fn wait_for(&mut self, text: &str) {
        self.wait(text, |screen| screen.text().contains(text));
    }

    fn text(&self) -> String {
        self.parser.screen().contents()
    }

    fn is_given_back(&self) -> bool {
        let screen = self.parser.screen();
        !screen.alternate_screen() && !screen.hide_cursor() && !screen.bracketed_paste()
    }

    fn echoes(&self) -> bool {
        self.session.get_process().get_echo().unwrap()
    }
}

fn size(cells: u16) -> NonZeroU16 {
    NonZeroU16::new(cells).unwrap()
}

#[test]
fn it_answers_and_leaves_the_terminal_as_it_was() {
    let mut screen = Screen::start();
    let echoed = screen.echoes();
    screen.wait_for("How loud is this note");
    assert!(screen.parser.screen().alternate_screen() && !screen.echoes());
    screen.press("5");
    screen.wait_for("Taken: QuestionId(12) Rating(Rating(1))");
    screen.press(" ");
    screen.wait_for("stop was pressed");
    screen.press("q");
    screen.wait("the end", |screen| screen.raw.contains("face Ok(()), conductor well"));
    assert!(screen.is_given_back());
    assert_eq!(screen.echoes(), echoed, "the terminal echoes as it did");
}

#[test]
fn it_follows_the_window() {
    let mut screen = Screen::start();
    screen.wait_for("How loud is this note");
    screen.resize(50, 12);
    screen.wait_for("This window is 50 x 12.");
    screen.wait_for("--face lines");
    // Keys whose page cannot be seen do nothing.
    screen.press("5q");
    screen.resize(120, 40);
    screen.wait_for("7               |============   booming");
    screen.wait("stop in the last row", |screen| {
        screen.parser.screen().rows(0, 120).nth(39).is_some_and(|last| last.contains("space STOP"))
    });
    assert!(!screen.text().contains("Taken: QuestionId"), "{}", screen.text());
    screen.press("q");
    screen.wait("the end", |screen| screen.raw.contains("face Ok(())"));
}

#[test]
fn a_panic_on_another_thread_gives_the_terminal_back_before_it_is_told() {
    let mut screen = Screen::start();
    screen.wait_for("How loud is this note");
    screen.press("d");
    screen.wait("the end", |screen| screen.raw.contains("conductor failed\r\n"));
    assert!(screen.is_given_back());
    assert!(screen.text().contains("the conductor failed on purpose"), "{}", screen.text());
}

#[test]
fn suspending_lends_the_terminal_to_the_shell_and_takes_it_again() {
    let mut screen = Screen::start();
    let echoed = screen.echoes();
    screen.wait_for("How loud is this note");
    screen.press("\u{1a}");
    screen.wait("lending", |screen| screen.raw.contains("lent"));
    assert!(screen.is_given_back());
    screen.wait("the stop", |screen| is_stopped(screen.session.get_process().pid().as_raw()));
    assert_eq!(screen.echoes(), echoed, "the shell's terminal echoes as it did");
    screen.session.get_process_mut().signal(Signal::SIGCONT).unwrap();
    screen.wait("the page again", |screen| {
        screen.parser.screen().alternate_screen() && screen.text().contains("How loud is this note")
    });
    screen.press("3");
    screen.wait_for("Taken: QuestionId(12) Rating(Rating(-1))");
    screen.press("q");
    screen.wait("the end", |screen| screen.raw.contains("face Ok(())"));
    assert!(matches!(screen.session.get_process().wait(), Ok(WaitStatus::Exited(_, 0))));
}

/// Whether the kernel has stopped the process: the letter after its name.
fn is_stopped(pid: i32) -> bool {
    let status = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap();
    status.rsplit(')').next().is_some_and(|rest| rest.trim_start().starts_with('T'))
}
