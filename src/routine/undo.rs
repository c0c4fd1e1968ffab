//! Taking the last answer back.

use crate::routine::{Effect, Event, Refusal, Stamped, State};

impl State {
    /// Takes the last answer back: everything before it is gone through again.
    pub(super) fn undo(self) -> Result<(Self, Vec<Effect>), Refusal> {
        let Some(at) = self.log.iter().rposition(|stamped| matches!(stamped.event, Event::Answered { .. })) else {
            return Err(Refusal::Because("There is no answer to take back.".into()));
        };
        let mut again = Self::new(self.brief.clone());
        // What no answer can undo stays: new starts, lost devices, and every step down.
        let stays = |event: &Event| {
            matches!(event, Event::Opened { .. } | Event::DeviceLost { .. } | Event::DeviceBack | Event::Quieter)
        };
        let kept = self.log[..at].iter().chain(self.log[at + 1..].iter().filter(|stamped| stays(&stamped.event)));
        for stamped in kept {
            again.serial = serial_of(stamped, again.serial);
            again = again.step(stamped)?.0;
        }
        again.paused = None;
        again.serial = self.serial + 1;
        again.now_s = self.now_s;
        again.asked_at_s = self.now_s;
        let effects = again.entering();
        Ok((again, effects))
    }
}

/// The serial at which a logged event was taken, where that matters.
fn serial_of(stamped: &Stamped, otherwise: u64) -> u64 {
    match stamped.event {
        Event::Answered { question, .. } => question.0,
        _ => otherwise,
    }
}
