//! Suspending the program and ending it: the sound fades first, and what it was is written down.

use std::time::{Duration, Instant};

use crate::conductor::{Conductor, Ending, TURN, watch};
use crate::routine::Stage;

impl Conductor {
    pub(super) fn system_signal(&mut self, signal: i32) {
        self.baton.player.hush();
        if signal == watch::SUSPEND {
            self.fade_out();
            (self.baton.suspended)(true);
            watch::suspend();
            (self.baton.suspended)(false);
            self.pause("The program was suspended.".into());
        } else {
            self.signal = Some(signal);
            self.closing = true;
        }
    }

    /// Waits for silence, at most for as long as a fade takes.
    pub(super) fn fade_out(&mut self) {
        let mut told = Vec::new();
        let until = Instant::now() + Duration::from_millis(400);
        while self.baton.player.sounding().is_some() && Instant::now() < until {
            self.baton.player.turn(&mut told);
            std::thread::sleep(TURN);
        }
        self.hear(told);
    }

    pub(super) fn end(mut self) -> Ending {
        self.changed = true;
        let mut told = Vec::new();
        self.publish();
        self.faces.clear();
        self.baton.player.close(&mut told);
        let ending =
            Ending { done: self.baton.state.stage() == &Stage::Done, sheet: self.sheet.take(), signal: self.signal };
        // Everything handed in is written before the program ends; what fails now was never shown as taken.
        let _ = self.baton.journal.close();
        ending
    }
}
