//! Whether an answer may be given at all, before the part of the visit that asked for it takes it up.

use crate::routine::question::{Answer, Ask, QuestionId};
use crate::routine::{Refusal, Stage, State};

impl State {
    /// Takes the answer to the open question up, or says why not; `begun` parts of its cue have begun to sound.
    pub(super) fn answer(
        &mut self,
        question: QuestionId,
        answer: &Answer,
        rattles: bool,
        begun: usize,
    ) -> Result<(), Refusal> {
        self.unless_paused()?;
        if question != self.question_id() {
            return Err(Refusal::Stale);
        }
        let open = self.question().ok_or(Refusal::Stale)?;
        if begun < self.parts_needed(answer) {
            return Err(Refusal::NotHeardYet);
        }
        let answer = &defaulted(&open.ask, answer);
        check_range(&open.ask, answer)?;
        match self.stage {
            Stage::Setup(step) => self.setup_answer(step, answer),
            Stage::Safety | Stage::Checklist(_) | Stage::LowPassFrequency | Stage::Placing => {
                self.before_answer(answer)
            }
            Stage::Comfort { .. } | Stage::Strain(_) | Stage::Anchors => self.loudness_answer(answer, begun),
            Stage::Blend => self.blend_answer(answer),
            _ => self.crawl_answer(answer, rattles),
        }
    }

    /// How many parts of the present cue must have begun before this answer means anything.
    pub fn parts_needed(&self, answer: &Answer) -> usize {
        match (&self.stage, self.cue()) {
            (Stage::Strain(_), Some(cue)) if *answer == Answer::Yes => cue.parts.len(),
            (Stage::Anchors, Some(_)) => 0,
            // Whoever compares hears all notes.
            (Stage::ShootOut(_), Some(cue)) => cue.parts.len(),
            (_, Some(cue)) => cue.question_at + 1,
            (_, None) => 0,
        }
    }

    /// Whether this answer speaks of everything that sounds, so that it counts only once the last of it is over: that nothing
    /// strained says nothing while the loudest step is to come.
    pub fn is_heard_out(&self, answer: &Answer) -> bool {
        matches!(self.stage, Stage::Strain(_)) && *answer == Answer::Yes
    }
}

/// Yes takes the default of a question that has one.
fn defaulted(ask: &Ask, answer: &Answer) -> Answer {
    match (ask, answer) {
        (Ask::Number { default: Some(number), .. }, Answer::Yes) => Answer::Number(*number),
        (Ask::Text { default: Some(text), .. }, Answer::Yes) => Answer::Text(text.clone()),
        _ => answer.clone(),
    }
}

fn check_range(ask: &Ask, answer: &Answer) -> Result<(), Refusal> {
    match (ask, answer) {
        (&Ask::Number { low, high, unit, .. }, &Answer::Number(number)) if !(low..=high).contains(&number) => {
            Err(Refusal::Because(format!("{number} {unit} is outside {low} to {high} {unit}. Type it again.")))
        }
        (Ask::Choose { options, .. }, &Answer::Choice(at)) if at >= options.len() => {
            Err(Refusal::Because(format!("There are {} options; number {} is not one of them.", options.len(), at + 1)))
        }
        (Ask::Confirm { no: None, .. }, Answer::No) => Err(Refusal::Because(
            "This has to be done before the visit can go on. Do it, then say so; or stop here and come back later."
                .into(),
        )),
        _ => Ok(()),
    }
}
