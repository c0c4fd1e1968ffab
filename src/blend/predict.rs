//! The sum as the figures on the boxes have it: what main speakers and subwoofer would add up to without a room.
//!
//! What is heard differs by what the room does and by what the figures get wrong; how far they may be wrong is said
//! with it.

use crate::acoustics::crossover::{Filter, Side};
use crate::blend::control::{Control, Device, Role, Unit};
use crate::blend::places::{Grain, places};
use crate::blend::slope::Slope;
use crate::blend::sum::{Band, Path, PhaseControl, Sum, Tolerance};
use crate::blend::system::System;

/// How far the two may be from equally far away where no tape has measured it: standard deviation, metres (*common
/// practice*).
const UNMEASURED_M: f64 = 1.0;
/// Possible systems that the doubt is taken from.
const DRAWS: usize = 400;

/// What the figures say.
#[derive(Debug, Clone, PartialEq)]
pub struct Prediction {
    /// The sum over the octave around the crossover, smoothed over a sixth of an octave: Hz, dB against its own mean.
    pub curve: Vec<(f64, f64)>,
    /// Where it lies nine times in ten if the figures are off by the usual amounts, dB against the same mean.
    pub band: Vec<Band>,
    /// How far it strays from its mean at its worst, dB.
    pub worst_db: f64,
    /// The same, exceeded 95 and 5 times in a hundred if the figures are off.
    pub worst_range_db: [f64; 2],
    /// The control of phase or time that would make the sum flattest by these figures: its position in the system's
    /// list, the value, and the worst deviation left, dB. One for each such control.
    pub best: Vec<(usize, f64, f64)>,
    /// What it was computed from, in words.
    pub from: Vec<String>,
    /// Not every slope in it is stated.
    pub assumes_slopes: bool,
}

/// The sum of a system with its controls at some values; `None` where no figure says up to where the subwoofer plays.
///
/// * `before` - where the controls stood before anybody touched them: a distance that was entered then is taken to be
///   the true one
/// * `seed` - draws the figures that may be off
pub fn predicted(
    system: &System,
    values: &[Option<f64>],
    before: &[Option<f64>],
    crossover_hz: f64,
    seed: u64,
) -> Option<Prediction> {
    let figures = Figures { system, values, before, crossover_hz };
    let sum = figures.sum()?;
    let mean = |curve: &[(f64, f64)]| curve.iter().map(|point| point.1).sum::<f64>() / curve.len() as f64;
    let smoothed = sum.smoothed();
    let mean_db = mean(&smoothed);
    let doubt = sum.doubt(&Tolerance { distance_m: UNMEASURED_M, ..Tolerance::USUAL }, DRAWS, seed);
    let over = |band: &Band| Band { low_db: band.low_db - mean_db, high_db: band.high_db - mean_db, ..*band };
    Some(Prediction {
        curve: smoothed.iter().map(|&(hz, db)| (hz, db - mean_db)).collect(),
        band: doubt.band.iter().map(over).collect(),
        worst_db: sum.worst_deviation_db(),
        worst_range_db: [doubt.worst_db[0], doubt.worst_db[2]],
        best: figures.best(),
        from: figures.words(),
        assumes_slopes: figures.assumes_slopes(),
    })
}

struct Figures<'a> {
    system: &'a System,
    values: &'a [Option<f64>],
    before: &'a [Option<f64>],
    crossover_hz: f64,
}

/// Where a filter divides, and how steeply.
struct Corner {
    hz: f64,
    slope: Slope,
    is_stated: bool,
}

impl Corner {
    fn new(hz: f64, stated: Option<Slope>, usual: Slope) -> Self {
        Self { hz, slope: stated.unwrap_or(usual), is_stated: stated.is_some() }
    }

    fn filter(&self, side: Side) -> Filter {
        Filter { alignment: self.slope.alignment(), side, corner_hz: self.hz }
    }

    /// '12 dB an octave (stated)'.
    fn slope_in_words(&self) -> String {
        format!("{} ({})", self.slope, if self.is_stated { "stated" } else { "assumed" })
    }
}

impl Figures<'_> {
    /// A control of this kind with the value it stands at, if that is known.
    fn standing(&self, role: Role, on: Device) -> Option<(usize, &Control, f64)> {
        let (at, control) = self.system.control(role, on)?;
        Some((at, control, self.values.get(at).copied().flatten()?))
    }

    fn anywhere(&self, role: Role) -> Option<(usize, &Control, f64)> {
        self.standing(role, Device::Subwoofer).or_else(|| self.standing(role, Device::Processor))
    }

    fn in_hertz(&self, role: Role, on: Device) -> Option<(&Control, f64)> {
        self.standing(role, on)
            .filter(|(_, control, _)| control.unit == Unit::Hertz)
            .map(|(_, control, hz)| (control, hz))
    }

    /// The main speakers' own limit; the subwoofer's low-passes; and the processor's high-pass for the main speakers.
    fn corners(&self) -> (Corner, Vec<Corner>, Option<Corner>) {
        let mains = self.system.mains;
        let natural = Corner::new(mains.rated_low_hz, mains.slope, Slope::USUAL_HIGH_PASS);
        let both = self.in_hertz(Role::Crossover, Device::Processor);
        let low =
            [self.in_hertz(Role::LowPass, Device::Subwoofer), self.in_hertz(Role::LowPass, Device::Processor), both];
        let low_pass = |(control, hz): (&Control, f64)| Corner::new(hz, control.slopes.low_pass, Slope::USUAL_LOW_PASS);
        let high_pass =
            |(control, hz): (&Control, f64)| Corner::new(hz, control.slopes.high_pass, Slope::USUAL_HIGH_PASS);
        let low = low.into_iter().flatten().map(low_pass).collect();
        (natural, low, self.in_hertz(Role::HighPass, Device::Processor).or(both).map(high_pass))
    }

    /// How late the subwoofer is by what is said of it, seconds: its link, what a delay adds, and what a distance has
    /// moved.
    fn late_s(&self) -> f64 {
        let link_s = self.system.allowed_latency_s();
        let delay_s = self.anywhere(Role::Delay).map_or(0.0, |(_, _, ms)| ms * 1e-3);
        // Beyond the distance that was entered before, a processor makes the subwoofer earlier.
        let moved = self.anywhere(Role::Distance).and_then(|(at, control, value)| {
            let before = self.before.get(at).copied().flatten()?;
            Some(control.as_delay_s(value)? - control.as_delay_s(before)?)
        });
        link_s + delay_s + moved.unwrap_or(0.0)
    }

    fn sum(&self) -> Option<Sum> {
        let (natural, low, high) = self.corners();
        if low.is_empty() {
            return None;
        }
        let high_passes = std::iter::once(&natural).chain(&high).map(|corner| corner.filter(Side::HighPass));
        let mut mains = Path { filters: high_passes.collect(), ..Path::default() };
        let phase =
            self.anywhere(Role::Phase).map(|(_, _, degrees)| PhaseControl { degrees, at_hz: self.crossover_hz });
        let subwoofer = Path {
            filters: low.iter().map(|corner| corner.filter(Side::LowPass)).collect(),
            phase,
            inverted: self.anywhere(Role::Polarity).is_some_and(|(_, _, degrees)| degrees > 90.0),
            delay_s: self.late_s().max(0.0),
            ..Path::default()
        };
        // What is earlier than the main speakers is the main speakers being later.
        mains.delay_s = (-self.late_s()).max(0.0);
        Some(Sum { mains, subwoofer, crossover_hz: self.crossover_hz })
    }

    /// Phase and time, each tried by itself at all its places.
    fn best(&self) -> Vec<(usize, f64, f64)> {
        [Role::Phase, Role::Distance, Role::Delay]
            .into_iter()
            .filter_map(|role| self.anywhere(role))
            .filter_map(|(at, control, _)| {
                let mut places = places(control, Grain::Figure);
                places.dedup();
                let tried = places.into_iter().filter_map(|place| {
                    let mut values = self.values.to_vec();
                    *values.get_mut(at)? = Some(place);
                    let there = Figures { values: &values, ..*self }.sum()?;
                    Some((place, there.worst_deviation_db()))
                });
                tried.min_by(|a, b| a.1.total_cmp(&b.1)).map(|(place, worst_db)| (at, place, worst_db))
            })
            .collect()
    }

    fn assumes_slopes(&self) -> bool {
        let (natural, low, high) = self.corners();
        std::iter::once(&natural).chain(&low).chain(&high).any(|corner| !corner.is_stated)
    }

    fn words(&self) -> Vec<String> {
        let (natural, low, high) = self.corners();
        let said = |what: &str, corner: &Corner| format!("{what} {:.0} Hz, {}", corner.hz, corner.slope_in_words());
        let mut words = vec![said("main speakers down to", &natural)];
        words.extend(high.map(|corner| said("their high-pass at", &corner)));
        words.extend(low.iter().map(|corner| said("the subwoofer up to", corner)));
        words.extend(
            self.anywhere(Role::Polarity).map(|(_, control, value)| format!("polarity {}", control.say(value))),
        );
        words.extend(self.anywhere(Role::Phase).map(|(_, control, value)| format!("phase {}", control.say(value))));
        let late_s = self.late_s();
        words.push(if late_s.abs() < 0.05e-3 {
            "both equally late".to_owned()
        } else {
            let which = if late_s > 0.0 { "after" } else { "before" };
            format!("the subwoofer {:.1} ms {which} the main speakers", late_s.abs() * 1e3)
        });
        words.push("both equally loud, and equally far within a metre or so".into());
        words
    }
}

#[cfg(test)]
mod tests;
