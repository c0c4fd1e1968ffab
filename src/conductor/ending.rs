//! Suspending the program and ending it: the sound fades first, and what it was is written down.

use std::time::{Duration, Instant};

use crate::conductor::{Conductor, Ending, TURN, watch};
use crate::routine::{Stage, Stamped};

/// A stop takes at most 250 ms, and the device some more until it has taken the last of it.
const LONGEST_FADE: Duration = Duration::from_millis(400);

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
    fn fade_out(&mut self) {
        let mut told = Vec::new();
        if self.baton.clock.is_fast() {
            self.baton.player.render_until(&mut told, |player| player.sounding().is_none());
        } else {
            let until = Instant::now() + LONGEST_FADE;
            while self.baton.player.sounding().is_some() && Instant::now() < until {
                self.baton.player.turn(&mut told);
                std::thread::sleep(TURN);
            }
        }
        self.hear(told);
    }

    pub(super) fn end(mut self) -> Ending {
        self.changed = true;
        self.publish();
        self.faces.clear();
        self.baton.player.hush();
        self.fade_out();
        self.write_the_rest();
        self.baton.player.close(&mut Vec::new());
        let ending =
            Ending { done: self.baton.state.stage() == &Stage::Done, sheet: self.sheet.take(), signal: self.signal };
        // Everything handed in is written before the program ends; what fails now was never shown as taken.
        let _ = self.baton.journal.close();
        ending
    }

    /// What happened last and has not been handed to the journal: the tone that was cut short, a stop, a press of
    /// quieter. It follows what may still be on its way to the disk; if that fails, so does this.
    fn write_the_rest(&mut self) {
        let mut state = match self.pending.take() {
            Some(pending) => pending.next,
            None => self.baton.state.clone(),
        };
        for event in std::mem::take(&mut self.facts) {
            let stamped = Stamped { at_s: self.baton.clock.now_s().max(state.now_s()), event };
            // A fact that does not fit any more, such as advice nobody waits for, is left out.
            let Ok((next, _)) = state.clone().step(&stamped) else { continue };
            self.tickets += 1;
            if self.baton.journal.write(stamped, self.tickets).is_err() {
                return;
            }
            state = next;
        }
    }
}
