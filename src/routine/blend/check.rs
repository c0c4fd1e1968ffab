//! Notes across the crossover, in random order, as in the crawl.

use crate::acoustics::notes::{A4_HZ, nearest};
use crate::random::Random;

/// Half the range of the notes, octaves, and how far apart they are.
const HALF_RANGE_OCTAVES: f64 = 2.0 / 3.0;
const APART_OCTAVES: f64 = 1.0 / 6.0;
/// Sets the order of the notes apart from other draws.
const ORDER: u64 = 0x63_68_65_63;

/// A run through the notes.
#[derive(Debug, Clone, PartialEq)]
pub struct Run {
    notes_hz: Vec<f64>,
    order: Vec<usize>,
    at: usize,
}

impl Run {
    /// Notes around a crossover: nine, a sixth of an octave apart.
    pub fn new(crossover_hz: f64) -> Self {
        let each_side = (HALF_RANGE_OCTAVES / APART_OCTAVES).round() as i32;
        let notes_hz: Vec<f64> =
            (-each_side..=each_side).map(|step| crossover_hz * libm::exp2(f64::from(step) * APART_OCTAVES)).collect();
        let mut order: Vec<usize> = (0..notes_hz.len()).collect();
        Random::new(crossover_hz.to_bits(), ORDER).shuffle(&mut order);
        Self { notes_hz, order, at: 0 }
    }

    /// All notes, ascending, Hz.
    pub fn notes_hz(&self) -> &[f64] {
        &self.notes_hz
    }

    /// The note that is up, Hz.
    pub fn note_hz(&self) -> f64 {
        self.order.get(self.at).and_then(|&note| self.notes_hz.get(note)).copied().unwrap_or(0.0)
    }

    /// Its position in ascending order.
    pub fn note(&self) -> usize {
        self.order.get(self.at).copied().unwrap_or(0)
    }

    /// Its nearest musical note.
    pub fn note_name(&self) -> String {
        note_name(self.note_hz())
    }

    /// Whether none was heard yet.
    pub fn is_first(&self) -> bool {
        self.at == 0
    }

    /// To the next note; whether there is one.
    pub fn go_on(&mut self) -> bool {
        self.at += 1;
        self.at < self.order.len()
    }
}

/// The musical note nearest to a frequency.
pub(super) fn note_name(frequency_hz: f64) -> String {
    nearest(frequency_hz, A4_HZ).map_or_else(String::new, |nearest| nearest.note.to_string())
}
