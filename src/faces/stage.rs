//! A conductor for the tests of the line faces: it holds the other ends of all pipes and channels.

use std::io::{BufRead, BufReader, PipeReader, PipeWriter, Write, pipe};
use std::sync::Arc;
use std::thread::{self, JoinHandle};
use std::time::Duration;

use crossbeam_channel::{Receiver, Sender, bounded};
use serde_json::Value;

use crate::faces::{FaceError, FaceId, Wires};
use crate::view::{Action, View};

/// Nothing in these tests takes long; this only keeps a broken one from hanging.
const PATIENCE: Duration = Duration::from_secs(20);

pub(super) struct Stage {
    views: Option<Sender<Arc<View>>>,
    actions: Receiver<(FaceId, Action)>,
    input: Option<PipeWriter>,
    output: BufReader<PipeReader>,
    face: JoinHandle<Result<(), FaceError>>,
}

impl Stage {
    /// Starts a face on pipes.
    pub(super) fn with(run: fn(Wires, PipeReader, PipeWriter) -> Result<(), FaceError>) -> Self {
        let (input_end, input) = pipe().unwrap();
        let (output, output_end) = pipe().unwrap();
        let (views, view_end) = bounded(16);
        let (action_end, actions) = bounded(64);
        let wires = Wires { views: view_end, actions: action_end, face: FaceId(3) };
        let face = thread::spawn(move || run(wires, input_end, output_end));
        Self { views: Some(views), actions, input: Some(input), output: BufReader::new(output), face }
    }

    pub(super) fn show(&self, view: &View) {
        self.views.as_ref().unwrap().send(Arc::new(view.clone())).unwrap();
    }

    pub(super) fn say(&mut self, line: &str) {
        writeln!(self.input.as_mut().unwrap(), "{line}").unwrap();
    }

    pub(super) fn say_bytes(&mut self, bytes: &[u8]) {
        self.input.as_mut().unwrap().write_all(bytes).unwrap();
    }

    /// Ends the face's input.
    pub(super) fn hush(&mut self) {
        self.input = None;
    }

    /// The conductor is gone.
    pub(super) fn vanish(&mut self) {
        self.views = None;
    }

    pub(super) fn line(&mut self) -> String {
        let mut line = String::new();
        self.output.read_line(&mut line).unwrap();
        assert!(line.ends_with('\n'), "the face's output ended");
        line.pop();
        line
    }

    /// Lines up to and with the first that starts like this.
    pub(super) fn lines_to(&mut self, start: &str) -> Vec<String> {
        let mut lines = Vec::new();
        loop {
            lines.push(self.line());
            if lines.last().is_some_and(|line| line.trim_start().starts_with(start)) {
                return lines;
            }
        }
    }

    /// Lines up to and with the first that ends like this.
    pub(super) fn lines_ending(&mut self, end: &str) -> Vec<String> {
        let mut lines = Vec::new();
        loop {
            lines.push(self.line());
            if lines.last().is_some_and(|line| line.ends_with(end)) {
                return lines;
            }
        }
    }

    pub(super) fn json(&mut self) -> Value {
        serde_json::from_str(&self.line()).unwrap()
    }

    /// The next action that is not just a sign of life.
    pub(super) fn action(&self) -> Action {
        loop {
            let (face, action) = self.actions.recv_timeout(PATIENCE).unwrap();
            assert_eq!(face, FaceId(3));
            if action != Action::Alive {
                return action;
            }
        }
    }

    /// Whether an action other than a sign of life has been sent.
    pub(super) fn has_acted(&self) -> bool {
        self.actions.try_iter().any(|(_, action)| action != Action::Alive)
    }

    pub(super) fn is_alive_now(&self) -> bool {
        matches!(self.actions.recv_timeout(PATIENCE), Ok((_, Action::Alive)))
    }

    /// Waits for the face to return; the rest of what it wrote.
    pub(super) fn end(mut self) -> (Result<(), FaceError>, Vec<String>) {
        let result = self.face.join().unwrap();
        let mut rest = Vec::new();
        let mut line = String::new();
        while self.output.read_line(&mut line).unwrap() > 0 {
            rest.push(line.trim_end().to_string());
            line.clear();
        }
        (result, rest)
    }
}
