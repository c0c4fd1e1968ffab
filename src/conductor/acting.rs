//! What a face asks for: at once where it makes things quieter, otherwise as an event.

use std::time::{Duration, Instant};

use crate::conductor::{Conductor, PRESS_S};
use crate::routine::Event;
use crate::routine::levels::START;
use crate::routine::question::{Answer, Ask};
use crate::units::GainDb;
use crate::view::{Action, FaceId};

/// Two presses of stop within this time are an emergency.
const TWICE: Duration = Duration::from_secs(1);
/// One press of quieter.
const PRESS: GainDb = GainDb::new(1.0);

/// Tells a second press of stop from a first.
#[derive(Debug, Default)]
pub(super) struct Stops {
    last: Option<Instant>,
}

impl Stops {
    /// Whether this press makes it an emergency.
    fn press(&mut self, now: Instant) -> bool {
        self.last.replace(now).is_some_and(|then| now.duration_since(then) < TWICE)
    }
}

impl Conductor {
    pub(super) fn act(&mut self, face: FaceId, action: Action) {
        self.watch.alive(face);
        // What makes things quieter never waits.
        match action {
            Action::Alive => return,
            Action::Stop => {
                self.stop();
                return self.pause("Stop was pressed.".into());
            }
            Action::Quieter => return self.quieter(),
            Action::Notice(notice) => return self.notice(notice),
            Action::Leave => {
                self.baton.player.hush();
                self.complete();
                self.closing = true;
                return;
            }
            _ => {}
        }
        if self.pending.is_some() {
            self.waiting.push_back((face, action));
            return;
        }
        self.changed = true;
        if self.is_hasty(face, &action) {
            self.refusal = Some(format!(
                "It is at the lowest level, {:.0} dBFS, where most systems are not heard. Press louder until it is \
                 comfortable; if it is loud enough already, answer once more.",
                START.dbfs()
            ));
            self.refusals += 1;
            return;
        }
        if self.is_early(&action) {
            return self.hold(face, action);
        }
        let Some(event) = self.event(&action) else { return };
        self.happen(event, Some(face));
    }

    /// Whether somebody says of the level that every visit begins with that it is comfortable, without having pressed
    /// louder: a whole visit could be gone through on tones that nobody hears. It is said once; a second answer counts.
    /// The routine takes either, so that visit files do not depend on it.
    fn is_hasty(&mut self, face: FaceId, action: &Action) -> bool {
        let state = &self.baton.state;
        let by_person = self.faces.get(face.0 as usize).is_some_and(|line| line.is_persons);
        let Some(open) = state.question().filter(|_| by_person && state.paused().is_none()) else { return false };
        match (action, &open.ask) {
            (Action::Answer { question, answer: Answer::Yes, .. }, Ask::Comfort { level, .. })
                if *question == open.id && *level <= START =>
            {
                self.low_comfort.replace(open.id) != Some(open.id)
            }
            (Action::Louder, Ask::Comfort { .. }) => {
                self.low_comfort = Some(open.id);
                false
            }
            _ => false,
        }
    }

    /// Fades; pressed twice in quick succession it stops by the shortest ramp that does not click.
    fn stop(&mut self) {
        if self.stops.press(Instant::now()) {
            self.baton.player.emergency_stop();
        } else {
            self.baton.player.hush();
        }
    }

    /// The event that an action asks for; time moves on by what it took.
    pub(super) fn event(&mut self, action: &Action) -> Option<Event> {
        Some(match action {
            Action::Answer { question, answer, rattles, seconds } => {
                if self.baton.clock.is_fast() {
                    self.hear_out(answer);
                    self.time_passes(*seconds);
                }
                Event::Answered {
                    question: *question,
                    answer: answer.clone(),
                    rattles: *rattles,
                    parts_begun: self.baton.player.begun(),
                }
            }
            Action::Again => Event::Again,
            Action::Back => Event::Back,
            Action::Skip => Event::Skip,
            Action::Undo => Event::Undo,
            Action::Pause => Event::Paused { why: "Pause was pressed.".into() },
            Action::Continue => Event::Continued,
            Action::Louder => {
                self.let_time_jump(PRESS_S);
                Event::Louder
            }
            &Action::Nudge { up } => {
                self.let_time_jump(PRESS_S);
                Event::Nudged { up }
            }
            &Action::AnswerBy(way) => Event::AnswerBy { way },
            Action::Decide => Event::Decide,
            Action::Stop | Action::Quieter | Action::Leave | Action::Alive | Action::Notice(_) => return None,
        })
    }

    /// Where time jumps, a tone is heard to its end before it is answered.
    pub(super) fn hear_out(&mut self, answer: &Answer) {
        let mut told = Vec::new();
        let needed = self.baton.state.parts_needed(answer);
        let matching = self.baton.state.may_be_nudged();
        let endless = self.baton.player.sounding().is_some_and(|part| part.seconds.is_none());
        if endless {
            self.baton.player.render_for(PRESS_S, &mut told);
        } else if matching {
            // Reference and note alternate for as long as it takes; the answer comes in the middle of it.
            self.baton.player.render_until(&mut told, |player| player.begun() >= needed);
        } else {
            self.baton.player.render_until(&mut told, |player| needed == 0 && player.begun() > 0);
        }
        self.hear(told);
    }

    pub(super) fn time_passes(&mut self, seconds: Option<f64>) {
        let rendered_s = self.baton.player.rendered_s();
        let took_s = seconds.unwrap_or(rendered_s - self.rendered_mark_s);
        self.rendered_mark_s = rendered_s;
        self.baton.clock.advance(if took_s.is_finite() { took_s } else { 0.0 });
    }

    pub(super) fn let_time_jump(&mut self, seconds: f64) {
        if self.baton.clock.is_fast() {
            let mut told = Vec::new();
            self.baton.player.render_for(seconds, &mut told);
            self.hear(told);
            self.time_passes(None);
        }
    }

    pub(super) fn pause(&mut self, why: String) {
        self.changed = true;
        if self.baton.state.paused().is_none() {
            self.facts.push_back(Event::Paused { why });
        }
    }

    pub(super) fn quieter(&mut self) {
        self.changed = true;
        let mut told = Vec::new();
        self.baton.player.lower(PRESS, &mut told);
        self.hear(told);
        self.facts.push_back(Event::Quieter);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_press_of_stop_within_a_second_is_an_emergency() {
        let first = Instant::now();
        let after = |milliseconds| first + Duration::from_millis(milliseconds);
        let mut stops = Stops::default();
        assert!(!stops.press(first));
        assert!(stops.press(after(999)));
        assert!(stops.press(after(1500)), "a third one is no less urgent");
        assert!(!stops.press(after(2600)));
    }
}
