//! What main speakers and subwoofer add up to, as far as filters, polarity, delay, distance and level say it.
//!
//! The room is not in it: what is heard differs by what the room does, and the difference is what the blend is about.
//! Sources: crossover responses in [`crate::acoustics::crossover`]; a delay τ turns the phase by -2πfτ; two coherent
//! sources add as complex numbers.

use std::f64::consts::{PI, TAU};

use serde::{Deserialize, Serialize};

use crate::acoustics::air;
use crate::acoustics::crossover::{Filter, Response};
use crate::stats::gaussian::NormalDraws;

/// Deviations are smoothed over this many octaves, in power, and looked at from `crossover/√2` to `crossover·√2`.
pub const SMOOTHED_OCTAVES: f64 = 1.0 / 6.0;
/// Frequencies to the octave in everything that looks at a curve.
const PER_OCTAVE: i32 = 24;
/// Frequencies from one end of the looked-at octave to the other.
const IN_THE_OCTAVE: i32 = PER_OCTAVE;
/// Frequencies on either side of one that are smoothed with it.
const SMOOTHED_STEPS: i32 = PER_OCTAVE / 12;
/// Below this a response counts as silence, dB.
const SILENCE_DB: f64 = -200.0;

/// A phase control: an all-pass of the first order, as most subwoofers have it (*common practice*). Its figure holds at
/// one frequency, below which it turns less and above which it turns more; 180 degrees and more are an inversion and
/// the rest.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PhaseControl {
    /// By how much it makes the subwoofer lag, 0 to 360 degrees.
    pub degrees: f64,
    /// Where it does exactly that, Hz.
    pub at_hz: f64,
}

impl PhaseControl {
    /// (1 - jr)/(1 + jr) with r = tan(θ/2)·f/f₀: turns by θ at f₀.
    pub fn response(self, frequency_hz: f64) -> Response {
        let degrees = self.degrees.rem_euclid(360.0);
        let (rest, inverted) = if degrees >= 180.0 { (degrees - 180.0, true) } else { (degrees, false) };
        let r = libm::tan(rest * PI / 360.0) * frequency_hz / self.at_hz;
        let scale = 1.0 / (1.0 + r * r);
        let turned = Response { re: (1.0 - r * r) * scale, im: -2.0 * r * scale };
        if inverted { turned.inverted() } else { turned }
    }
}

/// One way from the signal to the seat.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Path {
    /// Its filters, in a row.
    pub filters: Vec<Filter>,
    /// Its phase control.
    pub phase: Option<PhaseControl>,
    /// Polarity turned over.
    pub inverted: bool,
    /// Latency of electronics and links, seconds.
    pub delay_s: f64,
    /// How far the sound travels, metres.
    pub distance_m: f64,
    /// How loud it arrives in its passband, dB.
    pub gain_db: f64,
}

impl Path {
    /// What arrives.
    pub fn response(&self, frequency_hz: f64) -> Response {
        let late_s = self.delay_s + self.distance_m / air::SPEED_AT_20_C_M_PER_S;
        let angle = -TAU * frequency_hz * late_s;
        let size = libm::pow(10.0, self.gain_db / 20.0) * if self.inverted { -1.0 } else { 1.0 };
        let turned = Response { re: size * libm::cos(angle), im: size * libm::sin(angle) };
        let filtered = self.filters.iter().fold(turned, |product, filter| product * filter.response(frequency_hz));
        self.phase.map_or(filtered, |phase| filtered * phase.response(frequency_hz))
    }
}

/// Main speakers and subwoofer together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sum {
    /// The main speakers.
    pub mains: Path,
    /// The subwoofer.
    pub subwoofer: Path,
    /// Where one hands over to the other, Hz.
    pub crossover_hz: f64,
}

/// A delay and a polarity for the subwoofer.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Alignment {
    /// Subwoofer's polarity turned over.
    pub inverted: bool,
    /// Later than now by this, seconds; negative where it must be earlier.
    pub later_s: f64,
    /// The worst deviation that remains, dB.
    pub worst_db: f64,
    /// Level of the sum at the crossover, dB.
    pub at_crossover_db: f64,
}

impl Sum {
    /// Level at a frequency, dB; -200 for a complete cancellation.
    pub fn level_db(&self, frequency_hz: f64) -> f64 {
        (self.mains.response(frequency_hz) + self.subwoofer.response(frequency_hz)).db().max(SILENCE_DB)
    }

    /// The curve at some frequencies, dB.
    pub fn curve_db(&self, frequencies_hz: &[f64]) -> Vec<f64> {
        frequencies_hz.iter().map(|&hz| self.level_db(hz)).collect()
    }

    /// The curve over the octave around the crossover, smoothed, as pairs of Hz and dB.
    pub fn smoothed(&self) -> Vec<(f64, f64)> {
        smoothed(self.crossover_hz, |hz| self.level_db(hz))
    }

    /// How far the curve strays from its own mean at its worst, dB, over the octave around the crossover.
    pub fn worst_deviation_db(&self) -> f64 {
        worst_deviation_db(self.crossover_hz, |hz| self.level_db(hz))
    }

    /// The same with the subwoofer later and, if said so, turned over.
    pub fn with(&self, later_s: f64, turned_over: bool) -> Self {
        let mut sum = self.clone();
        sum.subwoofer.delay_s += later_s;
        sum.subwoofer.inverted ^= turned_over;
        sum
    }

    /// The flattest sum among some delays and both polarities: the best of the present polarity and the best of the
    /// other one, the better one first. `None` without a delay to choose from.
    pub fn best_delay(&self, later_s: &[f64]) -> Option<[Alignment; 2]> {
        let best = |turned_over: bool| {
            let tried = later_s.iter().map(|&later_s| {
                let sum = self.with(later_s, turned_over);
                Alignment {
                    inverted: sum.subwoofer.inverted,
                    later_s,
                    worst_db: sum.worst_deviation_db(),
                    at_crossover_db: sum.level_db(self.crossover_hz),
                }
            });
            tried.min_by(|a, b| a.worst_db.total_cmp(&b.worst_db))
        };
        let both = [best(false)?, best(true)?];
        Some(if both[0].worst_db <= both[1].worst_db { both } else { [both[1], both[0]] })
    }

    /// The setting of the phase control that gives the flattest sum, and its worst deviation, dB.
    pub fn best_phase(&self, degrees: &[f64], at_hz: f64) -> Option<(f64, f64)> {
        let tried = degrees.iter().map(|&degrees| {
            let mut sum = self.clone();
            sum.subwoofer.phase = Some(PhaseControl { degrees, at_hz });
            (degrees, sum.worst_deviation_db())
        });
        tried.min_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// The distance to enter for the subwoofer, metres, so that it arrives later by `later_s`; a processor delays the
    /// nearer one, so a subwoofer that is said to be farther comes earlier.
    pub fn distance_for(now_m: f64, later_s: f64) -> f64 {
        now_m - later_s * air::SPEED_AT_20_C_M_PER_S
    }

    /// How wrong the prediction may be if its figures are off by chance.
    pub fn doubt(&self, tolerance: &Tolerance, draws: usize, seed: u64) -> Doubt {
        let mut normal = NormalDraws::new(seed);
        let sums: Vec<Self> = (0..draws.max(20)).map(|_| self.disturbed(tolerance, &mut normal)).collect();
        let curves: Vec<Vec<(f64, f64)>> = sums.iter().map(Self::smoothed).collect();
        let band = (0..=IN_THE_OCTAVE as usize).map(|at| {
            let mut levels_db: Vec<f64> = curves.iter().map(|curve| curve[at].1).collect();
            levels_db.sort_by(f64::total_cmp);
            Band { hz: curves[0][at].0, low_db: at_share(&levels_db, 0.05), high_db: at_share(&levels_db, 0.95) }
        });
        let mut worst_db: Vec<f64> = curves.iter().map(|curve| worst_of(curve)).collect();
        worst_db.sort_by(f64::total_cmp);
        Doubt { band: band.collect(), worst_db: [0.05, 0.5, 0.95].map(|share| at_share(&worst_db, share)) }
    }

    fn disturbed(&self, tolerance: &Tolerance, normal: &mut NormalDraws) -> Self {
        let mut sum = self.clone();
        for path in [&mut sum.mains, &mut sum.subwoofer] {
            for filter in &mut path.filters {
                filter.corner_hz *= libm::exp2(tolerance.corner_octaves * normal.draw());
            }
            if let Some(phase) = &mut path.phase {
                phase.degrees = (phase.degrees + tolerance.phase_degrees * normal.draw()).clamp(0.0, 360.0);
            }
            path.gain_db += tolerance.level_db * normal.draw();
            path.delay_s += tolerance.delay_s * normal.draw();
            path.distance_m += tolerance.distance_m * normal.draw();
        }
        sum
    }
}

/// How far the figures of a prediction may be off: standard deviations.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Tolerance {
    /// Corner frequencies of filters and of the speakers themselves, octaves.
    pub corner_octaves: f64,
    /// Phase control, degrees.
    pub phase_degrees: f64,
    /// Levels, dB.
    pub level_db: f64,
    /// Latencies, seconds.
    pub delay_s: f64,
    /// Distances, metres.
    pub distance_m: f64,
}

impl Tolerance {
    /// Knobs as they are printed, a tape measure, levels matched by ear (*common practice*).
    pub const USUAL: Self =
        Self { corner_octaves: 0.1, phase_degrees: 15.0, level_db: 1.5, delay_s: 0.5e-3, distance_m: 0.1 };
}

/// How wrong a prediction may be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Doubt {
    /// Between these levels the curve lies nine times in ten, at each frequency.
    pub band: Vec<Band>,
    /// The worst deviation: exceeded 95, 50 and 5 times in a hundred, dB.
    pub worst_db: [f64; 3],
}

/// A frequency and the range of levels there.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Band {
    /// Frequency.
    pub hz: f64,
    /// Below this one time in twenty.
    pub low_db: f64,
    /// Above this one time in twenty.
    pub high_db: f64,
}

/// A curve from `crossover/√2` to `crossover·√2`, smoothed over a sixth of an octave in power; pairs of Hz and dB.
pub fn smoothed(crossover_hz: f64, level_db: impl Fn(f64) -> f64) -> Vec<(f64, f64)> {
    let reach = IN_THE_OCTAVE + SMOOTHED_STEPS;
    let hz = |step: i32| crossover_hz * libm::exp2(f64::from(step) / f64::from(PER_OCTAVE));
    let first = -IN_THE_OCTAVE / 2 - SMOOTHED_STEPS;
    let powers: Vec<f64> =
        (first..=first + reach + SMOOTHED_STEPS).map(|step| libm::pow(10.0, level_db(hz(step)) / 10.0)).collect();
    let middle = |at: i32| {
        let at = at as usize;
        let window = &powers[at..=at + 2 * SMOOTHED_STEPS as usize];
        // Trapezoid: the outermost two lie on the window's edges.
        let edges = f64::midpoint(window[0], window[window.len() - 1]);
        let inside: f64 = window[1..window.len() - 1].iter().sum();
        10.0 * libm::log10((edges + inside) / (window.len() - 1) as f64)
    };
    (0..=IN_THE_OCTAVE).map(|at| (hz(at - IN_THE_OCTAVE / 2), middle(at))).collect()
}

/// How far a curve strays from its own mean at its worst, dB: smoothed over a sixth of an octave, over the octave
/// around the crossover.
pub fn worst_deviation_db(crossover_hz: f64, level_db: impl Fn(f64) -> f64) -> f64 {
    worst_of(&smoothed(crossover_hz, level_db))
}

fn worst_of(curve: &[(f64, f64)]) -> f64 {
    let mean_db = curve.iter().map(|point| point.1).sum::<f64>() / curve.len() as f64;
    curve.iter().map(|point| (point.1 - mean_db).abs()).fold(0.0, f64::max)
}

/// The value below which a share of sorted values lies.
fn at_share(sorted: &[f64], share: f64) -> f64 {
    let position = share * (sorted.len() - 1) as f64;
    let below = (position as usize).min(sorted.len() - 1);
    let above = (below + 1).min(sorted.len() - 1);
    sorted[below] + (sorted[above] - sorted[below]) * (position - below as f64)
}

#[cfg(test)]
mod tests;
