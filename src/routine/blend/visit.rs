//! The blend seen from the visit around it: what it needs to know of that, and what an answer leads to there.

use crate::blend::tune::Next;
use crate::routine::blend::{Blend, Doing, Flow, tones};
use crate::routine::question::Answer;
use crate::routine::stage::Outcome;
use crate::routine::{Refusal, Stage, State};

/// What a blend needs to know of the visit around it.
#[derive(Debug, Clone, Copy)]
pub(in crate::routine) struct Here<'a> {
    /// Seeds draws and noises.
    pub seed: u64,
    /// How many seats there are.
    pub seats: usize,
    /// Their names.
    pub seat_names: &'a [crate::room::Place],
    /// The seat that everything is set for.
    pub seat: usize,
    /// A meter is at hand.
    pub meter: bool,
    /// Visit time.
    pub now_s: f64,
    /// Where a note is heard, for the question about it.
    pub spot: usize,
    /// What levels hang on.
    pub loudness: tones::Loudness,
}

impl State {
    pub(in crate::routine) fn here(&self) -> Here<'_> {
        Here {
            seed: self.brief.seed,
            seats: self.room.seats.len(),
            seat_names: &self.room.seats,
            seat: self.brief.seat,
            meter: self.kit.meter == Some(true),
            now_s: self.now_s,
            spot: self.chosen().unwrap_or(0),
            loudness: tones::Loudness {
                reference: self.reference_level(),
                phon: self.brief.loudness_phon,
                seed: self.brief.seed,
            },
        }
    }

    /// The blend, if there is one in this visit.
    pub fn blend(&self) -> Option<&Blend> {
        self.blend.as_deref()
    }

    /// Whether the channels of the blend sound from now on.
    pub(in crate::routine) fn is_blending(&self) -> bool {
        matches!(self.stage, Stage::Blend) || self.after_comfort.as_deref() == Some(&Stage::Blend)
    }

    pub(in crate::routine) fn take_thought(&mut self, passes: usize, next: &Next) -> Outcome {
        let seed = self.brief.seed;
        let Some(blend) = &mut self.blend else {
            return Err(Refusal::Because("There is no blend in this visit.".into()));
        };
        blend.thought(passes, next, seed)?;
        if blend.doing == Doing::Over {
            self.stage = Stage::Done;
        }
        Ok(())
    }

    pub(in crate::routine) fn blend_answer(&mut self, answer: &Answer) -> Outcome {
        let (Some(mut blend), Some(brief)) = (self.blend.clone(), self.brief.blend.clone()) else {
            return Err(Refusal::WrongKind);
        };
        let flow = blend.answer(answer, &brief, &self.here())?;
        self.blend = Some(blend);
        match flow {
            Flow::On => {}
            Flow::Comfort => {
                // Other channels sound from now on: comfort belongs to the channels that it was found with.
                self.after_comfort = Some(Box::new(Stage::Blend));
                self.stage = Stage::Comfort { level: crate::routine::levels::START, raised_at_s: None };
            }
            Flow::Over => self.stage = Stage::Done,
        }
        Ok(())
    }
}
