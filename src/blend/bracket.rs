//! Finding a control's setting by going too far and coming back.
//!
//! The method of limits (Fechner 1860; Gescheider, Psychophysics: The Fundamentals, 3rd ed. 1997, chapter 3; both from
//! memory): series that approach the setting from below and from above in turn, each ended by the first answer that
//! differs. The halves' mean cancels what a person adds by answering late (habituation) or early (anticipation), and
//! the series start at changing distances so that nobody can count steps. Here a coarse series finds the neighbourhood,
//! pairs of fine series follow until two pairs agree.
//!
//! The bracket keeps its answers and works everything else out from them: taking one back is dropping it.

use serde::{Deserialize, Serialize};
use thiserror::Error;

/// Coarse series, and answers within one series, never go on for longer than this.
const MOST_ANSWERS: usize = 90;
/// Pairs of fine series, at most.
const MOST_PAIRS: usize = 5;
/// Two pairs agree when they are no further apart than this many fine steps.
const AGREE_STEPS: f64 = 1.5;
/// How far from the last turning point the series of a pair start, fine steps: changing, so that steps are not counted.
const LEAD_STEPS: [usize; 6] = [2, 3, 2, 4, 3, 2];

/// The positions that a control can take, evenly spaced as a person hears or turns them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Ladder {
    rungs: Vec<f64>,
    coarse: usize,
}

/// Why there is no ladder.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum LadderError {
    /// Fewer than two positions.
    #[error("a control that is bracketed needs two positions or more, and this one has {0}: leave the step out")]
    TooFew(usize),
    /// The positions are not numbers in rising order.
    #[error(
        "the positions of a control must be numbers in rising order; {after} does not lie above {before}: sort them"
    )]
    NotRising {
        /// A position.
        before: f64,
        /// The next one.
        after: f64,
    },
}

impl Ladder {
    /// A control with these positions, in rising order; a coarse step is `coarse` of them.
    ///
    /// # Errors
    /// Fewer than two positions, or not in rising order.
    pub fn stepped(positions: Vec<f64>, coarse: usize) -> Result<Self, LadderError> {
        if positions.len() < 2 {
            return Err(LadderError::TooFew(positions.len()));
        }
        // Not `>=`: something that is no number must end here as well.
        if let Some(pair) =
            positions.windows(2).find(|pair| pair[0].partial_cmp(&pair[1]) != Some(std::cmp::Ordering::Less))
        {
            return Err(LadderError::NotRising { before: pair[0], after: pair[1] });
        }
        let coarse = coarse.clamp(1, positions.len() - 1);
        Ok(Self { rungs: positions, coarse })
    }

    /// A control that takes any position from `low` to `high`, in steps of `fine` (the last one may be shorter).
    ///
    /// # Errors
    /// As [`Ladder::stepped`].
    pub fn continuous(low: f64, high: f64, fine: f64, coarse: usize) -> Result<Self, LadderError> {
        let count = ((high - low) / fine).ceil();
        if !(fine > 0.0 && (1.0..10_000.0).contains(&count)) {
            return Err(LadderError::NotRising { before: low, after: high });
        }
        let rungs = (0..=count as usize).map(|k| if k as f64 >= count { high } else { low + fine * k as f64 });
        Self::stepped(rungs.collect(), coarse)
    }

    /// A control whose frequencies are evenly spaced by ratio, `per_octave` fine steps to the octave.
    ///
    /// # Errors
    /// As [`Ladder::stepped`].
    pub fn by_ratio(low: f64, high: f64, per_octave: f64, coarse: usize) -> Result<Self, LadderError> {
        let count = (libm::log2(high / low) * per_octave).round();
        if !(low > 0.0 && (1.0..10_000.0).contains(&count)) {
            return Err(LadderError::NotRising { before: low, after: high });
        }
        Self::stepped((0..=count as usize).map(|k| low * (high / low).powf(k as f64 / count)).collect(), coarse)
    }

    /// All positions, rising.
    pub fn positions(&self) -> &[f64] {
        &self.rungs
    }

    /// The position nearest to a value.
    pub fn nearest(&self, value: f64) -> f64 {
        self.rungs[self.nearest_rung(value)]
    }

    fn nearest_rung(&self, value: f64) -> usize {
        let distance = |rung: &usize| (self.rungs[*rung] - value).abs();
        (0..self.rungs.len()).min_by(|a, b| distance(a).total_cmp(&distance(b))).unwrap_or(0)
    }

    /// The value between rungs, by straight lines.
    fn at(&self, rung: f64) -> f64 {
        let below = (rung.max(0.0) as usize).min(self.rungs.len() - 2);
        let share = (rung - below as f64).clamp(0.0, 1.0);
        self.rungs[below] * (1.0 - share) + self.rungs[below + 1] * share
    }
}

/// Which way 'too far' lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Toward {
    /// Raising the control goes too far.
    Up,
    /// Lowering it does.
    Down,
}

/// What the person says about where the control stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Heard {
    /// It has gone too far.
    TooFar,
    /// Not yet.
    NotYet,
}

/// How big a turn is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Size {
    /// While looking for the neighbourhood.
    Coarse,
    /// While closing in.
    Fine,
}

/// What to do next: turn the control from one position to another, listen, and say what is heard.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Instruction {
    /// Where it stands.
    pub from: f64,
    /// Where it goes.
    pub to: f64,
    /// By how many of this size; negative when it goes down, 0 where it is only listened to.
    pub turns: i32,
    /// How big one is.
    pub size: Size,
    /// What is heard ought to come up, so the tone must be lowered first (design: before a knob goes up, the tone
    /// drops).
    pub rises: bool,
}

/// What a bracket has found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The setting, in the control's own unit; between positions where the control has steps.
    pub value: f64,
    /// Standard error of it, in the control's unit: scatter of the turning points, and the width of a step.
    pub standard_error: f64,
    /// How many pairs of series it rests on.
    pub pairs: usize,
    /// Two pairs in a row agreed within 1.5 steps. Otherwise the answers contradicted each other to the end.
    pub agreed: bool,
    /// The control ended before it had gone too far (or was too far everywhere): the value is that end.
    pub at_the_end: bool,
}

/// A bracket in progress: a pure state machine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Bracket {
    ladder: Ladder,
    toward: Toward,
    start: f64,
    answers: Vec<Heard>,
}

/// Where the answers so far have led, counted in rungs towards 'too far'.
struct Walk {
    /// Where the control stands after the last answer.
    stands: usize,
    /// Where it goes, and how; `None` when nothing more is asked.
    next: Option<(usize, Size)>,
    /// Turning points of complete pairs, each the mean of its two halves, in rungs.
    pairs: Vec<f64>,
    /// All turning points of fine series.
    turning: Vec<f64>,
    agreed: bool,
    at_the_end: bool,
}

impl Bracket {
    /// Begins with the control standing at `start`.
    pub fn new(ladder: Ladder, toward: Toward, start: f64) -> Self {
        Self { ladder, toward, start, answers: Vec::new() }
    }

    /// What to do next; `None` when the estimate is final.
    pub fn instruction(&self) -> Option<Instruction> {
        let walk = self.walk();
        let (to, size) = walk.next?;
        let (from, to) = (self.rung(walk.stands), self.rung(to));
        let per = if size == Size::Coarse { self.ladder.coarse } else { 1 };
        let steps = to as i64 - from as i64;
        let turns = if steps == 0 { 0 } else { steps.signum() * (steps.abs() / per as i64).max(1) };
        Some(Instruction {
            from: self.ladder.rungs[from],
            to: self.ladder.rungs[to],
            turns: turns as i32,
            size,
            rises: to > from,
        })
    }

    /// Takes what was heard at the position of the last instruction. An answer after the end is left out.
    pub fn answer(&mut self, heard: Heard) {
        if self.walk().next.is_some() {
            self.answers.push(heard);
        }
    }

    /// Takes the last answer back, after a wrong knob or a slip: the instruction before it is given again. `false` if
    /// there was none.
    pub fn back(&mut self) -> bool {
        self.answers.pop().is_some()
    }

    /// How many answers it has taken so far.
    pub fn answers(&self) -> usize {
        self.answers.len()
    }

    /// The setting found; `None` until there is nothing more to ask.
    pub fn estimate(&self) -> Option<Estimate> {
        let walk = self.walk();
        if walk.next.is_some() {
            return None;
        }
        if walk.at_the_end || walk.turning.is_empty() {
            let value = self.ladder.rungs[self.rung(walk.stands)];
            let step = self.step_at(walk.stands as f64);
            return Some(Estimate { value, standard_error: step, pairs: 0, agreed: false, at_the_end: true });
        }
        let count = walk.turning.len() as f64;
        let middle = walk.turning.iter().sum::<f64>() / count;
        let scatter = walk.turning.iter().map(|t| (t - middle).powi(2)).sum::<f64>() / (count - 1.0).max(1.0);
        // A turning point lies anywhere between two positions: uniform, variance 1/12 of a step squared.
        let error_rungs = ((scatter + 1.0 / 12.0) / count).sqrt();
        let last = (self.ladder.rungs.len() - 1) as f64;
        let value = self.ladder.at(if self.toward == Toward::Up { middle } else { last - middle });
        Some(Estimate {
            value,
            standard_error: error_rungs * self.step_at(middle),
            pairs: walk.pairs.len(),
            agreed: walk.agreed,
            at_the_end: false,
        })
    }

    /// The rung of the ladder for a place counted towards 'too far'.
    fn rung(&self, place: usize) -> usize {
        if self.toward == Toward::Up { place } else { self.ladder.rungs.len() - 1 - place }
    }

    /// How wide a step is around a place, in the control's unit.
    fn step_at(&self, place: f64) -> f64 {
        let last = self.ladder.rungs.len() - 1;
        let rung = self.rung((place.max(0.0) as usize).min(last));
        let below = rung.saturating_sub(1);
        let above = (rung + 1).min(last);
        (self.ladder.rungs[above] - self.ladder.rungs[below]) / (above - below) as f64
    }

    fn walk(&self) -> Walk {
        let mut walk = Walk {
            stands: self.rung(self.ladder.nearest_rung(self.start)),
            next: None,
            pairs: Vec::new(),
            turning: Vec::new(),
            agreed: false,
            at_the_end: false,
        };
        self.follow(&mut walk);
        if self.answers.len() >= MOST_ANSWERS {
            walk.next = None;
        }
        walk
    }

    /// Leads the answers through the series, as far as they reach.
    fn follow(&self, walk: &mut Walk) -> Option<()> {
        let top = self.ladder.rungs.len() - 1;
        let mut answers = self.answers.iter().copied();
        // Coarse: on towards too far, or back out of it, until the answer changes.
        let mut place = walk.stands;
        let first = walk.hear(place, Size::Coarse, &mut answers)?;
        let turning = loop {
            let onward = first == Heard::NotYet;
            if place == if onward { top } else { 0 } {
                // Never too far, or too far from end to end.
                walk.at_the_end = true;
                return None;
            }
            let next =
                if onward { (place + self.ladder.coarse).min(top) } else { place.saturating_sub(self.ladder.coarse) };
            let heard = walk.hear(next, Size::Coarse, &mut answers)?;
            if heard != first {
                break (place as f64 + next as f64) / 2.0;
            }
            place = next;
        };
        // Fine: pairs of series, from below and from above.
        let mut centre = turning;
        let mut leads = LEAD_STEPS.into_iter().cycle();
        for _ in 0..MOST_PAIRS {
            let mut halves = [0.0; 2];
            for (half, rising) in halves.iter_mut().zip([true, false]) {
                let lead = leads.next().unwrap_or(2);
                let turned = self.series(walk, centre, lead, rising, &mut answers)?;
                *half = turned;
                walk.turning.push(turned);
                // The next one starts from where this one turned, not from the coarse guess.
                centre = turned;
            }
            let pair = f64::midpoint(halves[0], halves[1]);
            centre = pair;
            let agrees = walk.pairs.last().is_some_and(|before| (before - pair).abs() <= AGREE_STEPS);
            walk.pairs.push(pair);
            if agrees {
                walk.agreed = true;
                break;
            }
        }
        Some(())
    }

    /// One series of fine steps: its turning point, or `None` while an answer is wanted. If the first answer is already
    /// the one that ends it, it started too near (or the answer was a slip): it starts again from twice as far.
    fn series(
        &self,
        walk: &mut Walk,
        centre: f64,
        lead: usize,
        rising: bool,
        answers: &mut impl Iterator<Item = Heard>,
    ) -> Option<f64> {
        let top = self.ladder.rungs.len() - 1;
        let ends_with = if rising { Heard::TooFar } else { Heard::NotYet };
        let mut lead = lead;
        let mut place = loop {
            let start = if rising { centre.floor() - lead as f64 + 1.0 } else { centre.ceil() + lead as f64 - 1.0 };
            let place = start.clamp(0.0, top as f64) as usize;
            if walk.hear(place, Size::Fine, answers)? != ends_with {
                break place;
            }
            let at_the_end = place == if rising { 0 } else { top };
            if at_the_end {
                return Some(place as f64);
            }
            lead *= 2;
        };
        loop {
            if place == if rising { top } else { 0 } {
                return Some(place as f64);
            }
            let next = if rising { place + 1 } else { place - 1 };
            if walk.hear(next, Size::Fine, answers)? == ends_with {
                return Some(f64::midpoint(place as f64, next as f64));
            }
            place = next;
        }
    }
}

impl Walk {
    /// What was heard at a place; `None`, and the place is where to go next, if there is no answer yet.
    fn hear(&mut self, place: usize, size: Size, answers: &mut impl Iterator<Item = Heard>) -> Option<Heard> {
        match answers.next() {
            Some(heard) => {
                self.stands = place;
                Some(heard)
            }
            None => {
                self.next = Some((place, size));
                None
            }
        }
    }
}

#[cfg(test)]
mod tests;
