//! Quantities that must not be mixed: levels, gains, rates, frame counts.
//!
//! A level plus a gain is a level; a level minus a level is a gain; a level plus a level does not compile.
//! Everything else carries its unit in its name (`frequency_hz`, `seconds`, `distance_m`).

use std::fmt;
use std::num::NonZeroU32;
use std::ops::{Add, AddAssign, Neg, Sub};

use serde::{Deserialize, Serialize};

/// A change of level in decibels.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct GainDb(f64);

/// A digital level in dB relative to a full-scale sine (AES17): a sine whose peaks reach ±1.0 is 0 dBFS.
/// Silence is `Dbfs::SILENCE` (minus infinity), never a threshold.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Dbfs(f64);

/// A sound pressure level in dB re 20 µPa.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct DbSpl(f64);

impl GainDb {
    /// No change.
    pub const ZERO: Self = Self(0.0);

    /// A gain of `db` decibels.
    pub const fn new(db: f64) -> Self {
        Self(db)
    }

    /// The gain in decibels.
    pub const fn db(self) -> f64 {
        self.0
    }

    /// The factor on an amplitude: 10^(dB/20).
    pub fn amplitude(self) -> f64 {
        libm::exp10(self.0 / 20.0)
    }

    /// The smaller of two gains.
    pub fn min(self, other: Self) -> Self {
        Self(self.0.min(other.0))
    }

    /// The larger of two gains.
    pub fn max(self, other: Self) -> Self {
        Self(self.0.max(other.0))
    }
}

impl Dbfs {
    /// No sound at all.
    pub const SILENCE: Self = Self(f64::NEG_INFINITY);

    /// A level of `dbfs` dB re a full-scale sine.
    pub const fn new(dbfs: f64) -> Self {
        Self(dbfs)
    }

    /// The level in dBFS.
    pub const fn dbfs(self) -> f64 {
        self.0
    }

    /// The peak amplitude of a sine at this level, full scale 1.0.
    pub fn sine_peak(self) -> f64 {
        libm::exp10(self.0 / 20.0)
    }

    /// The lower of two levels.
    pub fn min(self, other: Self) -> Self {
        Self(self.0.min(other.0))
    }

    /// The higher of two levels.
    pub fn max(self, other: Self) -> Self {
        Self(self.0.max(other.0))
    }
}

impl DbSpl {
    /// A sound pressure level of `db` dB re 20 µPa.
    pub const fn new(db: f64) -> Self {
        Self(db)
    }

    /// The level in dB re 20 µPa.
    pub const fn db(self) -> f64 {
        self.0
    }
}

impl Add for GainDb {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

impl Sub for GainDb {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}

impl Neg for GainDb {
    type Output = Self;
    fn neg(self) -> Self {
        Self(-self.0)
    }
}

macro_rules! level {
    ($level:ident) => {
        impl Add<GainDb> for $level {
            type Output = Self;
            fn add(self, gain: GainDb) -> Self {
                Self(self.0 + gain.0)
            }
        }

        impl AddAssign<GainDb> for $level {
            fn add_assign(&mut self, gain: GainDb) {
                self.0 += gain.0;
            }
        }

        impl Sub<GainDb> for $level {
            type Output = Self;
            fn sub(self, gain: GainDb) -> Self {
                Self(self.0 - gain.0)
            }
        }

        impl Sub for $level {
            type Output = GainDb;
            fn sub(self, other: Self) -> GainDb {
                GainDb(self.0 - other.0)
            }
        }
    };
}

level!(Dbfs);
level!(DbSpl);

impl fmt::Display for GainDb {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:+.1} dB", self.0)
    }
}

impl fmt::Display for Dbfs {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0 == f64::NEG_INFINITY { write!(f, "silence") } else { write!(f, "{:.1} dBFS", self.0) }
    }
}

impl fmt::Display for DbSpl {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} dB SPL", self.0)
    }
}

/// Frames per second, never zero.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SampleRate(NonZeroU32);

impl SampleRate {
    /// 48 kHz, what a visit uses unless the device knows only others.
    pub const HZ_48000: Self = Self(NonZeroU32::new(48_000).unwrap());

    /// `None` for zero.
    pub const fn new(hz: u32) -> Option<Self> {
        match NonZeroU32::new(hz) {
            Some(hz) => Some(Self(hz)),
            None => None,
        }
    }

    /// Frames per second.
    pub const fn hz(self) -> u32 {
        self.0.get()
    }

    /// Frames per second, for arithmetic.
    pub fn as_f64(self) -> f64 {
        f64::from(self.hz())
    }

    /// The nearest whole number of frames to `seconds`; none for negative or non-finite times.
    pub fn frames(self, seconds: f64) -> FrameCount {
        let frames = (seconds * self.as_f64()).round();
        FrameCount(if frames.is_finite() && frames > 0.0 { frames as u64 } else { 0 })
    }
}

impl fmt::Display for SampleRate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} Hz", self.hz())
    }
}

/// A number of frames (one sample per channel each): a length of sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct FrameCount(pub u64);

impl FrameCount {
    /// How long these frames last.
    pub fn seconds(self, rate: SampleRate) -> f64 {
        self.0 as f64 / rate.as_f64()
    }
}

/// A position on a stream's own time line, in frames since it started.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct FrameInstant(pub u64);

impl Add<FrameCount> for FrameInstant {
    type Output = Self;
    fn add(self, frames: FrameCount) -> Self {
        Self(self.0.saturating_add(frames.0))
    }
}

impl Sub for FrameInstant {
    type Output = FrameCount;
    /// The frames between two instants; none if `earlier` is later.
    fn sub(self, earlier: Self) -> FrameCount {
        FrameCount(self.0.saturating_sub(earlier.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn minus_twenty_dbfs_sine_peaks_at_a_tenth() {
        // AES17-2020: a full-scale sine is 0 dBFS, so -20 dBFS has a peak of 0.1.
        assert!((Dbfs::new(-20.0).sine_peak() - 0.1).abs() < 1e-15);
    }

    #[test]
    fn levels_and_gains_combine_only_as_they_should() {
        let level = Dbfs::new(-40.0) + GainDb::new(6.0);
        assert_eq!(level.dbfs(), -34.0);
        assert_eq!((level - Dbfs::new(-40.0)).db(), 6.0);
    }

    #[test]
    fn frames_round_to_nearest_and_never_go_negative() {
        assert_eq!(SampleRate::HZ_48000.frames(0.05).0, 2400);
        assert_eq!(SampleRate::HZ_48000.frames(-1.0).0, 0);
        assert_eq!(SampleRate::HZ_48000.frames(f64::NAN).0, 0);
    }
}
