//! How an event is taken: by the routine, then by the disk, then it is in force.

use crate::conductor::showing::{asking, in_words};
use crate::conductor::{Conductor, Pending};
use crate::routine::{Effect, Event, Refusal, Stage, Stamped};
use crate::view::{Action, FaceId};
use crate::visit::JournalMoment;

/// What is said of an answer that is held.
const EARLY: &str =
    "Not before all of it has sounded; then it is taken by itself. If something strains, say so at once.";

impl Conductor {
    /// One event: taken by the routine, handed to the journal, in force once it is on disk.
    pub(super) fn happen(&mut self, event: Event, face: Option<FaceId>) {
        let stamped = Stamped { at_s: self.baton.clock.now_s().max(self.baton.state.now_s()), event };
        let (next, effects) = match self.baton.state.clone().step(&stamped) {
            Ok(step) => step,
            Err(refusal) => {
                if face.is_some() {
                    // What sounded and could not be written counts as unheard; the disk is why.
                    let why = self.not_written.clone().filter(|_| refusal == Refusal::NotHeardYet);
                    self.refusal = Some(why.unwrap_or_else(|| refusal.to_string()));
                    self.refusals += 1;
                }
                return;
            }
        };
        self.tickets += 1;
        let pending = Pending {
            ticket: self.tickets,
            taken: in_words(&self.baton.state, &stamped.event),
            leaves: matches!(stamped.event, Event::Undo | Event::Skip | Event::Back),
            quiet: asking(&self.baton.state) == asking(&next),
            next,
            effects,
            face,
        };
        if self.baton.journal.write(stamped, self.tickets).is_err() {
            self.notice(
                "The disk does not keep up; the last answer was not taken. Wait a moment, then answer again.".into(),
            );
            return;
        }
        self.unwritten += 1;
        self.pending = Some(pending);
    }

    /// Keeps an answer until what it answers has sounded. The question stays, where it is open: another answer to it, that
    /// something strained, takes this one's place.
    pub(super) fn hold(&mut self, face: FaceId, action: Action) {
        self.early = Some((face, action));
        let is_open = self.baton.state.cue().is_some_and(|cue| self.baton.player.begun() > cue.question_at);
        if is_open {
            self.refusal = Some(EARLY.into());
            self.refusals += 1;
            self.changed = true;
        }
    }

    /// Whether this answers the open question before all of what it speaks of has sounded, in a visit that takes its time;
    /// where time jumps, that is heard out before.
    pub(super) fn is_early(&self, action: &Action) -> bool {
        let (state, player) = (&self.baton.state, &self.baton.player);
        let Action::Answer { question, answer, .. } = action else { return false };
        asking(state) == Some(*question)
            && player.is_playing()
            && !self.baton.clock.is_fast()
            && (player.begun() < state.parts_needed(answer) || state.is_heard_out(answer))
    }

    /// Takes a held answer once its time has come, and forgets one to a question that is not open any more.
    pub(super) fn take_early(&mut self) {
        let Some((face, action)) = self.early.take() else { return };
        let state = &self.baton.state;
        let Action::Answer { question, .. } = &action else { return };
        if asking(state) != Some(*question) || state.paused().is_some() {
            return;
        }
        if self.is_early(&action) {
            self.early = Some((face, action));
        } else {
            self.act(face, action);
        }
    }

    pub(super) fn acknowledged(&mut self, moment: JournalMoment) {
        self.unwritten = self.unwritten.saturating_sub(1);
        self.changed = true;
        let (ticket, failed) = match moment {
            JournalMoment::Written { ticket, .. } => (ticket, None),
            JournalMoment::Failed { ticket, why } => (ticket, Some(why)),
        };
        let Some(pending) = self.pending.take_if(|pending| pending.ticket == ticket) else { return };
        match failed {
            None => self.in_force(pending),
            Some(why) => {
                self.baton.player.hush();
                self.baton.journal.carry_on();
                let words = format!("This was not taken, because it could not be written: {why}");
                self.not_written = Some(words.clone());
                if pending.face.is_some() {
                    // A face that missed the moment without a question still learns that its answer has to be given
                    // again.
                    self.refusal = Some(words.clone());
                    self.refusals += 1;
                }
                self.notice(words);
                if self.baton.state.stage() == &Stage::Consult {
                    // The judge's answer was lost with it; somebody has to ask again.
                    self.pause("The visit file cannot be written.".into());
                }
            }
        }
    }

    pub(super) fn in_force(&mut self, pending: Pending) {
        self.baton.state = pending.next;
        self.refusal = None;
        self.not_written = None;
        if pending.leaves {
            // What was said of an answer is no longer so, or was said of another question than the one that is left.
            (self.taken, self.taken_question) = (None, None);
        }
        if let Some((question, taken)) = pending.taken {
            self.taken = Some(taken);
            self.notices.answered(!self.baton.player.connected());
            self.taken_question = Some(question);
        }
        if let Some(face) = pending.face {
            self.watch.in_charge(face);
        }
        for effect in pending.effects {
            self.carry_out(effect);
        }
        if self.baton.state.stage() != &Stage::Done {
            self.facts.extend(self.after_the_end.drain(..));
            // After an undo the sheet says what was taken back; it is written anew at the end.
            self.sheet = None;
        } else if self.sheet.is_none() {
            match &self.ranking {
                Some(_) => self.write_sheet(),
                // Nobody asked the judge in a visit that was a blend alone.
                None => self.consult(self.baton.state.consultation()),
            }
        }
    }

    pub(super) fn carry_out(&mut self, effect: Effect) {
        match effect {
            Effect::Play(cue) => self.baton.player.play(cue),
            Effect::Nudge(cue) => {
                let mut told = Vec::new();
                self.baton.player.nudge(cue, &mut told);
                self.hear(told);
            }
            Effect::Hush => self.baton.player.hush(),
            Effect::Ceiling(ceiling) => self.baton.player.set_ceiling(ceiling),
            Effect::Glide(level) => {
                let mut told = Vec::new();
                self.baton.player.glide(level, &mut told);
                self.hear(told);
            }
            Effect::Consult => self.consult(self.baton.state.consultation()),
            Effect::Tune(tuner) => self.think_out(*tuner),
        }
    }
}
