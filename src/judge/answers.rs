//! What was answered, made ready for the fit.

use std::collections::BTreeMap;

use crate::evidence::{Evidence, Heard};
use crate::judge::posterior::{Offset, Problem};
use crate::judge::prior::FieldPrior;
use crate::judge::reading::{Answer, Says};
use crate::judge::usual::straightened;

/// Noise of one match, in loudness relative to 63 Hz, *from memory*, dB.
const MATCH_NOISE_DB: f64 = 1.5;
/// Noise of one meter reading, dB.
pub const METER_NOISE_DB: f64 = 1.2;
/// Noise of one level from a microphone, dB.
const MICROPHONE_NOISE_DB: f64 = 0.7;
/// What is further from 0 than this is no level, dB.
const ABSURD_DB: f64 = 1000.0;

/// Answers that fit the case, with their offsets numbered.
pub struct Answers {
    answers: Vec<Answer>,
    offsets: Vec<Vec<Offset>>,
    levels_as_heard: bool,
}

impl Answers {
    /// Leaves out what does not fit the case, and numbers the offsets. Levels in an unknown room are turned back to the
    /// bell curve behind them; the levels of a measured one are compared with what its model predicts, as they are.
    pub fn prepare(evidence: &[Evidence], prior: &FieldPrior, growth: &[f64]) -> Self {
        let pairs = prior.spots * prior.seats;
        let mut keys: Vec<Vec<(u8, usize)>> = vec![Vec::new(); pairs];
        let mut offsets = vec![Vec::new(); pairs];
        let mut answers = Vec::new();
        for e in evidence {
            if e.note >= prior.notes || e.spot >= prior.spots || e.seat >= prior.seats {
                continue;
            }
            let Some((kind, key, says)) = says(e, growth[e.note]) else { continue };
            let pair = e.seat * prior.spots + e.spot;
            let of_pair = &mut keys[pair];
            let offset = of_pair.iter().position(|k| *k == (kind, key)).unwrap_or_else(|| {
                of_pair.push((kind, key));
                offsets[pair].push(if kind == 0 { Offset::Rating } else { Offset::Reading });
                of_pair.len() - 1
            });
            answers.push(Answer { pair, note: e.note, offset, says });
        }
        if prior.unknown_room {
            straighten(&mut answers, prior.notes);
        }
        let levels_as_heard = !prior.unknown_room && answers.iter().any(|a| matches!(a.says, Says::Level { .. }));
        Self { answers, offsets, levels_as_heard }
    }

    /// The answers with what they hang on.
    pub fn problem<'a>(&'a self, growth: &'a [f64], octave: &'a [f64]) -> Problem<'a> {
        let Self { answers, offsets, levels_as_heard } = self;
        Problem { growth, octave, answers, offsets, levels_as_heard: *levels_as_heard }
    }
}

/// What one answer says, with the kind and key by which it shares an offset with others of its pair; `None` for what is
/// no number.
fn says(e: &Evidence, growth: f64) -> Option<(u8, usize, Says)> {
    let shortfall_db = if e.shortfall_db.is_finite() { e.shortfall_db.clamp(0.0, 60.0) } else { 0.0 };
    let level = |level_db: f64, noise_db, by_ear| {
        (level_db.is_finite() && level_db.abs() < ABSURD_DB).then_some(Says::Level { level_db, noise_db, by_ear })
    };
    match e.heard {
        Heard::Rating { rating } => Some((0, e.stay, Says::Word { word: rating.index(), shortfall_db })),
        Heard::Match { offset_db } => {
            Some((1, e.stay, level(offset_db - shortfall_db, MATCH_NOISE_DB / growth, true)?))
        }
        // A meter's scale stays the same over all stays.
        Heard::Meter { level_db_spl } => Some((2, 0, level(level_db_spl + shortfall_db, METER_NOISE_DB, false)?)),
        Heard::Microphone { level_db } => {
            Some((3, e.stay, level(level_db + shortfall_db, MICROPHONE_NOISE_DB, false)?))
        }
    }
}

/// Turns levels into what the bell curve behind them is. Where less than half of the notes were read, nobody knows what
/// they deviate from: they stay as they are.
fn straighten(answers: &mut [Answer], notes: usize) {
    let mut read: BTreeMap<(usize, usize), BTreeMap<usize, (f64, usize)>> = BTreeMap::new();
    for answer in answers.iter() {
        if let Says::Level { level_db, .. } = answer.says {
            let of_note = read.entry((answer.pair, answer.offset)).or_default().entry(answer.note).or_default();
            *of_note = (of_note.0 + level_db, of_note.1 + 1);
        }
    }
    for answer in answers {
        let Says::Level { level_db, noise_db, .. } = &mut answer.says else { continue };
        let by_note = &read[&(answer.pair, answer.offset)];
        if 2 * by_note.len() < notes {
            continue;
        }
        let mean = by_note.values().map(|(sum, count)| sum / *count as f64).sum::<f64>() / by_note.len() as f64;
        let (straight, slope) = straightened(*level_db - mean);
        *level_db = mean + straight;
        *noise_db /= slope;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn level(note: usize, level_db: f64) -> Answer {
        Answer { pair: 0, note, offset: 0, says: Says::Level { level_db, noise_db: 1.0, by_ear: false } }
    }

    fn levels(answers: &[Answer]) -> Vec<f64> {
        answers.iter().map(|a| if let Says::Level { level_db, .. } = a.says { level_db } else { f64::NAN }).collect()
    }

    #[test]
    fn a_deep_hole_is_turned_back_where_half_of_the_notes_were_read_however_often() {
        let mut all: Vec<Answer> = (0..8).map(|n| level(n, if n == 3 { 54.0 } else { 70.0 })).collect();
        straighten(&mut all, 8);
        // The mean is 68: the hole of 14 dB stands for 7 + 7 / 1.27 dB; what is near the mean stays.
        assert!((levels(&all)[3] - (68.0 - 7.0 - 7.0 / 1.27)).abs() < 1e-9);
        assert_eq!(levels(&all)[0], 70.0);
        // Three notes of eight, each read twice, are not half of them.
        let mut few: Vec<Answer> = (0..6).map(|k| level(k % 3, if k % 3 == 0 { 54.0 } else { 70.0 })).collect();
        let before = levels(&few);
        straighten(&mut few, 8);
        assert_eq!(levels(&few), before);
    }
}
