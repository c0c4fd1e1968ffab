//! How one answer reads the unknowns, and what it adds to what is known of them.

use crate::judge::arrow::{Arrow, Marginals, Parts};
use crate::judge::grading::{Distances, STEPS};

/// Borders between the words.
pub const BORDERS: usize = STEPS - 1;

/// One answer, made ready.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answer {
    /// Position of the seat-and-spot pair.
    pub pair: usize,
    /// Position of the note.
    pub note: usize,
    /// Position among the pair's offsets.
    pub offset: usize,
    /// What it says.
    pub says: Says,
}

/// What an answer says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Says {
    /// The position of the word among the seven; the shortfall is in dB of level.
    Word {
        /// 0 ..= 6.
        word: usize,
        /// By how much the note was played under equal loudness, dB.
        shortfall_db: f64,
    },
    /// A level in dB up to the offset, with its own noise; `by_ear` if the listener's contour is in it.
    Level {
        /// dB.
        level_db: f64,
        /// Standard deviation, dB.
        noise_db: f64,
        /// Whether an ear compared it.
        by_ear: bool,
    },
}

/// How one answer reads the unknowns.
pub struct Reading {
    /// Position of the seat-and-spot pair.
    pub pair: usize,
    /// Position of the note, among the pair's own numbers.
    pub note: usize,
    /// Position of the offset, among the pair's own numbers.
    pub offset: usize,
    /// Position of the listener's own error at this note, among the common numbers.
    pub contour: usize,
    /// By how much a decibel at the seat changes what is heard.
    pub gain: f64,
    /// By how much the listener's own error does.
    pub ear: f64,
}

impl Reading {
    /// * `stretch` - by which factor the listener stretches or squeezes the scale at the answer's pair
    pub fn of(answer: &Answer, growth: &[f64], stretch: f64) -> Self {
        let here = growth[answer.note];
        let (gain, ear) = match answer.says {
            Says::Word { .. } => (here * stretch, 1.0),
            Says::Level { by_ear, .. } => (1.0, if by_ear { 1.0 / here } else { 0.0 }),
        };
        Self {
            pair: answer.pair,
            note: answer.note,
            offset: growth.len() + answer.offset,
            contour: BORDERS + answer.note,
            gain,
            ear,
        }
    }

    /// Mean and covariance of the two distances of a rating.
    pub fn distances(&self, word: usize, mean: &Parts, at: &Marginals) -> Distances {
        let (own, tie, common) = (&at.own[self.pair], &at.tie[self.pair], &at.common);
        let (n, o, c, g) = (self.note, self.offset, self.contour, self.gain);
        let heard = g * mean.own[self.pair][n] + mean.own[self.pair][o] + mean.common[c];
        let variance = g * g * own[(n, n)]
            + own[(o, o)]
            + common[(c, c)]
            + 2.0 * (g * own[(n, o)] + g * tie[(n, c)] + tie[(o, c)]);
        let with = |t: usize| g * tie[(n, t)] + tie[(o, t)] + common[(c, t)];
        let (low, high) = (word.checked_sub(1), Some(word).filter(|w| *w < BORDERS));
        let one = |t: Option<usize>| {
            t.map_or((0.0, 1.0), |t| (mean.common[t] - heard, variance - 2.0 * with(t) + common[(t, t)]))
        };
        let ((a, va), (b, vb)) = (one(low), one(high));
        let both = match (low, high) {
            (Some(l), Some(h)) => variance - with(l) - with(h) + common[(l, h)],
            _ => 0.0,
        };
        Distances { mean: [a, b], covariance: [va, both, vb] }
    }

    /// What the answer as a whole contributes: `s` to the shift, `h` to the precision of what is heard.
    pub fn add(&self, arrow: &mut Arrow, shift: &mut Parts, s: f64, h: f64) {
        let (n, o, c, g, e) = (self.note, self.offset, self.contour, self.gain, self.ear);
        let (own, tie) = (&mut arrow.own[self.pair], &mut arrow.tie[self.pair]);
        own[(n, n)] += g * g * h;
        own[(n, o)] += g * h;
        own[(o, n)] += g * h;
        own[(o, o)] += h;
        tie[(n, c)] += g * e * h;
        tie[(o, c)] += e * h;
        arrow.common[(c, c)] += e * e * h;
        shift.own[self.pair][n] += g * s;
        shift.own[self.pair][o] += s;
        shift.common[c] += e * s;
    }

    /// What one border contributes: its own part, and its tie to what is heard.
    pub fn add_border(&self, arrow: &mut Arrow, shift: &mut Parts, border: usize, s: f64, own: f64, with_heard: f64) {
        let tie = &mut arrow.tie[self.pair];
        tie[(self.note, border)] += self.gain * with_heard;
        tie[(self.offset, border)] += with_heard;
        arrow.common[(border, border)] += own;
        arrow.common[(border, self.contour)] += with_heard;
        arrow.common[(self.contour, border)] += with_heard;
        shift.common[border] += s;
    }
}
