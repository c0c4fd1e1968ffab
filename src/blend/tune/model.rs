//! What a setting of the controls does to mains and subwoofer, and what would then be heard.

use std::f64::consts::{LN_10, PI, TAU};

use crate::blend::control::{Role, Unit};
use crate::blend::tune::filters::LowPass;
use crate::blend::tune::{BAND_HALF_WIDTH_OCTAVES, Case, Sounding};

/// Points to the octave, and their number either side of the crossover.
const PER_OCTAVE: f64 = 12.0;
const EITHER_SIDE: i32 = 9;
/// Points of the model.
pub const POINTS: usize = 2 * EITHER_SIDE as usize + 1;
/// A level knob without figures covers about this over its travel (*common practice*), dB.
const TRAVEL_DB: f64 = 40.0;
/// A low-pass knob without figures goes from here over so many octaves (*common practice*).
const TRAVEL_FROM_HZ: f64 = 40.0;
const TRAVEL_OCTAVES: f64 = 2.0;

/// Unknowns that are one number each, after the four curves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scalar {
    /// How far the low-pass's marks are off, octaves.
    LowPassOff,
    /// Steepness of the low-pass over what is stated, or else over that of the fourth-order Linkwitz-Riley filter.
    LowPassSlope,
    /// What the level control does over what it says.
    LevelScale,
    /// What the phase control does over what it says.
    PhaseScale,
    /// Delay over that of the hypothesis, milliseconds.
    Delay,
    /// How far differences are stretched in the person's answers.
    Stretch,
    /// What a meter reads when the reference's loudness is met, dB.
    Meter,
}

/// How many there are.
pub const SCALARS: usize = 7;

/// Where the unknowns lie in their vector.
pub const MAINS: usize = 0;
pub const SUBWOOFER: usize = POINTS;
pub const PHASE: usize = 2 * POINTS;
pub const CONTOUR: usize = 3 * POINTS;
pub const FIRST_SCALAR: usize = 4 * POINTS;
pub const FIRST_PASS: usize = FIRST_SCALAR + SCALARS;

impl Scalar {
    /// Its place in the vector of unknowns.
    pub const fn at(self) -> usize {
        FIRST_SCALAR + self as usize
    }
}

/// Frequencies of the model's points, Hz.
pub fn grid_hz(crossover_hz: f64) -> [f64; POINTS] {
    std::array::from_fn(|k| crossover_hz * libm::exp2((k as f64 - f64::from(EITHER_SIDE)) / PER_OCTAVE))
}

/// The points under a band, with their weights (power, trapezoid).
pub fn under_band(crossover_hz: f64, band_hz: f64) -> Vec<(usize, f64)> {
    let middle = libm::log2(band_hz / crossover_hz) * PER_OCTAVE + f64::from(EITHER_SIDE);
    let reach = BAND_HALF_WIDTH_OCTAVES * PER_OCTAVE;
    let points = (0..POINTS).filter_map(|k| {
        let apart = (k as f64 - middle).abs();
        (apart <= reach + 1e-6).then_some((k, if apart > reach - 1e-6 { 0.5 } else { 1.0 }))
    });
    let points: Vec<(usize, f64)> = points.collect();
    let total: f64 = points.iter().map(|point| point.1).sum();
    points.into_iter().map(|(k, weight)| (k, weight / total)).collect()
}

/// What one setting does: everything that does not depend on the unknowns.
#[derive(Debug, Clone)]
pub struct Effect {
    /// With their corners, Hz.
    low_passes: Vec<(LowPass, f64)>,
    /// The high-passes that belong to these, with their corners, Hz.
    high_passes: Vec<(LowPass, f64)>,
    level_db: f64,
    phase_degrees: Option<f64>,
    inverted: bool,
    later_s: f64,
}

impl Effect {
    /// Of a setting of the case's controls. Level counts from the case's start.
    pub fn of(case: &Case, setting: &[f64]) -> Self {
        let mut effect = Self {
            low_passes: Vec::new(),
            high_passes: Vec::new(),
            level_db: 0.0,
            phase_degrees: None,
            inverted: false,
            later_s: 0.0,
        };
        for ((control, &value), &start) in case.system.controls.iter().zip(setting).zip(&case.start) {
            let (low, high) = control.ends();
            let travel = |value: f64| (value - low) / (high - low);
            let hertz = |value: f64| match control.unit {
                Unit::Percent => TRAVEL_FROM_HZ * libm::exp2(TRAVEL_OCTAVES * travel(value)),
                _ => value,
            };
            match control.role {
                Role::LowPass | Role::HighPass | Role::Crossover => {
                    if control.is_low_pass() {
                        effect.low_passes.push((LowPass::of(control.low_pass_slope()), hertz(value)));
                    }
                    if control.is_high_pass() {
                        effect.high_passes.push((LowPass::of(control.high_pass_slope()), hertz(value)));
                    }
                }
                Role::Level if control.unit == Unit::Percent => {
                    effect.level_db += TRAVEL_DB * (travel(value) - travel(start));
                }
                Role::Level => effect.level_db += value - start,
                Role::Phase => effect.phase_degrees = Some(effect.phase_degrees.unwrap_or(0.0) + value),
                Role::Polarity => effect.inverted ^= value > 90.0,
                Role::Delay | Role::Distance => {
                    let now = control.as_delay_s(start).unwrap_or(0.0);
                    effect.later_s += control.as_delay_s(value).unwrap_or(now) - now;
                }
                Role::Contour => {}
            }
        }
        effect
    }

    /// What it does at the model's points, given the unknowns that are about controls.
    pub fn at_points(&self, case: &Case, known: Known) -> Points {
        let grid = grid_hz(case.crossover_hz);
        let mut points = Points {
            mains_db: [0.0; POINTS],
            subwoofer_db: [self.level_db * known.level_scale; POINTS],
            phase: [0.0; POINTS],
        };
        for (k, &hz) in grid.iter().enumerate() {
            for &(filter, corner_hz) in &self.high_passes {
                let (db, radians) = filter.as_high_pass_at(hz / corner_hz);
                points.mains_db[k] += db;
                points.phase[k] -= radians;
            }
            for &(filter, corner_hz) in &self.low_passes {
                let (db, radians) = filter.at(hz / corner_hz / libm::exp2(known.low_pass_off));
                points.subwoofer_db[k] += known.low_pass_slope * db;
                points.phase[k] += known.low_pass_slope * radians;
            }
            if let Some(degrees) = self.phase_degrees {
                let rest = degrees.rem_euclid(360.0);
                let (inside, half) = if rest > 180.0 { (rest - 180.0, PI) } else { (rest, 0.0) };
                let degrees = (inside * known.phase_scale).clamp(0.0, 180.0);
                // The all-pass of `PhaseControl`, without its jump at 180 degrees.
                let turned = -2.0 * libm::atan(libm::tan(degrees.min(179.9) * PI / 360.0) * hz / case.crossover_hz);
                points.phase[k] += turned - half;
            }
            if self.inverted {
                points.phase[k] += PI;
            }
            points.phase[k] -= TAU * hz * self.later_s;
        }
        points
    }
}

/// The unknowns about controls.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Known {
    pub low_pass_off: f64,
    pub low_pass_slope: f64,
    pub level_scale: f64,
    pub phase_scale: f64,
}

impl Known {
    /// Out of the vector of unknowns.
    pub fn of(unknowns: &[f64]) -> Self {
        Self {
            low_pass_off: unknowns[Scalar::LowPassOff.at()],
            low_pass_slope: unknowns[Scalar::LowPassSlope.at()].clamp(0.2, 1.6),
            level_scale: unknowns[Scalar::LevelScale.at()].clamp(0.2, 3.0),
            phase_scale: unknowns[Scalar::PhaseScale.at()].clamp(0.3, 2.0),
        }
    }
}

/// What a setting adds at the model's points.
#[derive(Debug, Clone)]
pub struct Points {
    pub mains_db: [f64; POINTS],
    pub subwoofer_db: [f64; POINTS],
    /// Of the subwoofer against the mains, radians.
    pub phase: [f64; POINTS],
}

/// One possible system: what the room and the speakers do at the model's points with no control in the way.
#[derive(Debug, Clone)]
pub struct Draw {
    pub mains_db: [f64; POINTS],
    pub subwoofer_db: [f64; POINTS],
    pub phase: [f64; POINTS],
    /// By how much the person hears each point louder than the standard ear.
    pub contour_db: [f64; POINTS],
    pub known: Known,
}

impl Draw {
    /// Out of a vector of unknowns, under a hypothesis about delay and polarity.
    pub fn of(case: &Case, unknowns: &[f64], hypothesis: Hypothesis) -> Self {
        let grid = grid_hz(case.crossover_hz);
        let late_s = hypothesis.late_s + unknowns[Scalar::Delay.at()] * 1e-3;
        let turned = if hypothesis.inverted { PI } else { 0.0 };
        Self {
            mains_db: std::array::from_fn(|k| unknowns[MAINS + k]),
            subwoofer_db: std::array::from_fn(|k| unknowns[SUBWOOFER + k]),
            phase: std::array::from_fn(|k| unknowns[PHASE + k] + turned - TAU * grid[k] * late_s),
            contour_db: std::array::from_fn(|k| unknowns[CONTOUR + k]),
            known: Known::of(unknowns),
        }
    }

    /// The subwoofer's level at a point, dB: at the seat; or close by, where it is flat and its own middle is the
    /// reference.
    pub fn subwoofer_at(&self, points: &Points, k: usize, sounding: Sounding) -> f64 {
        if sounding == Sounding::NearSubwoofer {
            points.subwoofer_db[k] - points.subwoofer_db[POINTS / 2]
        } else {
            self.subwoofer_db[k] + points.subwoofer_db[k]
        }
    }

    /// Power of what sounds at the model's points.
    pub fn power(&self, points: &Points, sounding: Sounding) -> [f64; POINTS] {
        std::array::from_fn(|k| {
            let a = amplitude(self.mains_db[k] + points.mains_db[k]);
            let b = amplitude(self.subwoofer_at(points, k, sounding));
            power(a, b, self.phase[k] + points.phase[k], sounding)
        })
    }
}

/// What the subwoofer is taken to be late by against the mains at the start, and whether it is turned over.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hypothesis {
    pub late_s: f64,
    pub inverted: bool,
    pub room: Room,
}

/// How much the room is heard in the responses of the two.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Room {
    /// Smooth: much absorption, or everything close to the seat.
    Calm,
    /// Standing waves stand out.
    Lively,
}

/// No two sources cancel completely in a room: what is left of their powers.
pub const NEVER_NOTHING: f64 = 1e-3;

pub fn amplitude(db: f64) -> f64 {
    libm::exp(db * (LN_10 / 20.0))
}

/// Power of what sounds; never quite nothing, because no room cancels completely.
pub fn power(a: f64, b: f64, phase: f64, sounding: Sounding) -> f64 {
    match sounding {
        Sounding::Mains => a * a,
        Sounding::Subwoofer | Sounding::NearSubwoofer => b * b,
        Sounding::Both => a * a + b * b + 2.0 * a * b * libm::cos(phase) + NEVER_NOTHING * (a * a + b * b),
    }
}
