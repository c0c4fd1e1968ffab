//! Where the blend is not even: which hole or hump, its likely cause, and what to try next.
//!
//! The rules are *common practice*: a loss that is deepest at the crossover is a cancellation, one side as a whole is
//! level, a hump across both is overlap, and what is narrow and elsewhere is the room.

use serde::{Deserialize, Serialize};

/// A likely cause.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// Mains and subwoofer work against each other all across the crossover.
    Polarity,
    /// They are out of time: a hole to one side of the crossover.
    Delay,
    /// Both play the same notes.
    Overlap,
    /// Neither plays them.
    Gap,
    /// Everything below the crossover is stronger than above it.
    TooLoud,
    /// Everything below it is weaker.
    TooSoft,
    /// A single note, away from the crossover.
    Room,
}

impl Cause {
    /// In words.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Polarity => "polarity: main speakers and subwoofer work against each other",
            Self::Delay => "time: the two do not arrive together",
            Self::Overlap => "overlap: both play these notes",
            Self::Gap => "a gap: neither plays these notes",
            Self::TooLoud => "level: the subwoofer is too loud",
            Self::TooSoft => "level: the subwoofer is too soft",
            Self::Room => "the room",
        }
    }

    /// What to try next.
    pub const fn next(self) -> &'static str {
        match self {
            Self::Polarity => "Compare the two polarities again.",
            Self::Delay => "Try the phase control or the distance again, in smaller steps.",
            Self::Overlap => "Turn the low-pass down a step, or the level.",
            Self::Gap => "Turn the low-pass up a step.",
            Self::TooLoud => "Turn the subwoofer's level down.",
            Self::TooSoft => "Turn the subwoofer's level up.",
            Self::Room => "No control mends it. Another seat or spot would; leave it if it is narrow.",
        }
    }
}

/// Something that stands out, and what is likely behind it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Trace {
    /// Where it is worst, Hz.
    pub frequency_hz: f64,
    /// By how much, dB against the mean of the notes.
    pub deviation_db: f64,
    /// Its likely cause.
    pub cause: Cause,
}

/// Deviations smaller than this are not worth a word, dB: the border between 'a little' and plain in the words of the
/// ratings.
const NOTABLE_DB: f64 = 3.5;
/// How much one side has to stand over the other to be a matter of level, dB.
const LOPSIDED_DB: f64 = 4.0;
/// A hole deeper than this at the crossover is a cancellation, dB against the mean.
const DEEP_DB: f64 = -6.0;

/// Traces what stands out in notes across a crossover, ascending pairs of hertz and dB. The worst comes first.
pub fn traces(crossover_hz: f64, notes: &[(f64, f64)]) -> Vec<Trace> {
    let count = notes.len() as f64;
    if notes.len() < 4 {
        return Vec::new();
    }
    let mean_db = notes.iter().map(|(_, db)| db).sum::<f64>() / count;
    let deviations: Vec<(f64, f64)> = notes.iter().map(|&(hz, db)| (hz, db - mean_db)).collect();
    let mean_of = |side: &dyn Fn(f64) -> bool| {
        let there: Vec<f64> = deviations.iter().filter(|(hz, _)| side(*hz)).map(|(_, db)| *db).collect();
        if there.is_empty() { 0.0 } else { there.iter().sum::<f64>() / there.len() as f64 }
    };
    let third = libm::exp2(1.0 / 3.0);
    let below_db = mean_of(&|hz| hz < crossover_hz / third.sqrt());
    let above_db = mean_of(&|hz| hz > crossover_hz * third.sqrt());
    let mut traces = Vec::new();
    if (below_db - above_db).abs() > LOPSIDED_DB {
        let (cause, worst) = if below_db > above_db {
            (Cause::TooLoud, deviations.iter().max_by(|a, b| a.1.total_cmp(&b.1)))
        } else {
            (Cause::TooSoft, deviations.iter().min_by(|a, b| a.1.total_cmp(&b.1)))
        };
        traces.extend(worst.map(|&(frequency_hz, deviation_db)| Trace { frequency_hz, deviation_db, cause }));
    }
    for worst in
        [deviations.iter().min_by(|a, b| a.1.total_cmp(&b.1)), deviations.iter().max_by(|a, b| a.1.total_cmp(&b.1))]
    {
        let Some(&(frequency_hz, deviation_db)) = worst else { continue };
        if deviation_db.abs() < NOTABLE_DB || traces.iter().any(|trace: &Trace| trace.frequency_hz == frequency_hz) {
            continue;
        }
        let octaves = libm::log2(frequency_hz / crossover_hz);
        let wide = width_octaves(&deviations, frequency_hz, deviation_db) > 0.4;
        let cause = match (deviation_db < 0.0, octaves.abs()) {
            // Two signals that work against each other leave a deep hole, a gap between two corners a shallow one.
            (true, away) if away < 0.2 && deviation_db < DEEP_DB => Cause::Polarity,
            (true, away) if away < 0.2 => Cause::Gap,
            (true, away) if away < 0.6 && wide => Cause::Delay,
            (false, away) if away < 0.4 && wide => Cause::Overlap,
            _ => Cause::Room,
        };
        traces.push(Trace { frequency_hz, deviation_db, cause });
    }
    traces.sort_by(|a, b| b.deviation_db.abs().total_cmp(&a.deviation_db.abs()));
    traces
}

/// How far the worst of some notes is from the mean of all, dB; `None` without notes.
pub fn worst_db(levels_db: &[f64]) -> Option<f64> {
    let mean_db = levels_db.iter().sum::<f64>() / levels_db.len() as f64;
    levels_db.iter().map(|db| (db - mean_db).abs()).reduce(f64::max)
}

/// Whether notes that were `then_db` off at worst are clearly worse by now: by as much as would be worth a word in
/// itself.
pub fn is_clearly_worse(then_db: f64, now_db: f64) -> bool {
    now_db - then_db >= NOTABLE_DB
}

/// How far to both sides at least half of a deviation is kept, octaves.
fn width_octaves(deviations: &[(f64, f64)], frequency_hz: f64, deviation_db: f64) -> f64 {
    let Some(at) = deviations.iter().position(|(hz, _)| *hz == frequency_hz) else { return 0.0 };
    let keeps = |&&(_, db): &&(f64, f64)| db * deviation_db.signum() >= 0.5 * deviation_db.abs();
    let up = deviations[at..].iter().take_while(keeps).count() - 1;
    let down = deviations[..=at].iter().rev().take_while(keeps).count() - 1;
    libm::log2(deviations[at + up].0 / deviations[at - down].0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acoustics::crossover::{Alignment, EvenOrder, Filter, Side};
    use crate::blend::sum::{Path, Sum};

    const NOTES_HZ: [f64; 9] = [50.0, 56.1, 63.0, 70.7, 79.4, 89.1, 100.0, 112.2, 126.0];

    fn sum() -> Sum {
        let alignment = Alignment::LinkwitzRiley(EvenOrder::try_from(4).unwrap());
        let filter = |side| vec![Filter { alignment, side, corner_hz: 80.0 }];
        Sum {
            mains: Path { filters: filter(Side::HighPass), ..Path::default() },
            subwoofer: Path { filters: filter(Side::LowPass), ..Path::default() },
            crossover_hz: 80.0,
        }
    }

    fn worst(sum: &Sum) -> Option<Cause> {
        let notes: Vec<(f64, f64)> = NOTES_HZ.iter().map(|&hz| (hz, sum.level_db(hz).max(-20.0))).collect();
        traces(80.0, &notes).first().map(|trace| trace.cause)
    }

    #[test]
    fn causes_are_told_apart_on_a_textbook_crossover() {
        // A fourth-order Linkwitz-Riley pair sums flat in phase, and has its null at the crossover with one side turned
        // over.
        assert_eq!(worst(&sum()), None);
        assert_eq!(worst(&sum().with(0.0, true)), Some(Cause::Polarity));
        let mut loud = sum();
        loud.subwoofer.gain_db = 9.0;
        assert_eq!(worst(&loud), Some(Cause::TooLoud));
        loud.subwoofer.gain_db = -9.0;
        assert_eq!(worst(&loud), Some(Cause::TooSoft));
    }

    #[test]
    fn a_single_note_away_from_the_crossover_is_the_room() {
        let mut notes: Vec<(f64, f64)> = NOTES_HZ.iter().map(|&hz| (hz, 0.0)).collect();
        notes[8].1 = -9.0;
        assert_eq!(traces(80.0, &notes).first().map(|trace| trace.cause), Some(Cause::Room));
        assert_eq!(traces(80.0, &notes[..3]), []);
    }
}
