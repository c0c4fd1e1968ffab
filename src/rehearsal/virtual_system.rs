//! Main speakers and a subwoofer in a room, with controls that do about what they say: what a blend is rehearsed on.
//!
//! Nothing here is shared with what guides the blend: it has its own responses, its own errors of knobs and its own
//! rooms.

mod drawn;
mod room;

use realfft::num_complex::Complex64;

use crate::acoustics::crossover::{Alignment, EvenOrder, Filter, Order, Side};
use crate::blend::{Control, Role, Slope, System, Unit};
use room::{Room, Waves};

/// Speed of sound that the room and the processor agree on.
const SPEED_M_PER_S: f64 = 343.2;

/// What the program does to the subwoofer's own channel, instead of a control.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Imitated {
    /// Later by this, seconds.
    pub later_s: f64,
    /// Turned over.
    pub inverted: bool,
    /// Louder by this, dB.
    pub gain_db: f64,
}

/// Which of the two sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Switched {
    /// The main speakers play.
    pub mains: bool,
    /// The subwoofer plays.
    pub subwoofer: bool,
}

/// Both at once.
pub const BOTH: Switched = Switched { mains: true, subwoofer: true };

/// A system at a seat.
pub struct VirtualSystem {
    /// What its owner says about it: controls with their marks, and where they stand.
    pub system: System,
    /// Where each control stands at the beginning.
    pub start: Vec<f64>,
    /// Where the two meet, Hz.
    pub crossover_hz: f64,
    natural: Filter,
    room: Room,
    low_pass: Alignment,
    low_pass_off_octaves: f64,
    level_scale: f64,
    taper: f64,
    phase_scale: f64,
    phase_at_hz: f64,
    inverted: bool,
    extra_s: f64,
    subwoofer_db: f64,
    own_db: Waves,
}

fn butterworth(order: u8) -> Alignment {
    Alignment::Butterworth(Order::try_from(order).expect("an order between 1 and 8"))
}

fn linkwitz_riley(order: u8) -> Alignment {
    Alignment::LinkwitzRiley(EvenOrder::try_from(order).expect("2, 4 or 8"))
}

fn order(alignment: Alignment) -> u8 {
    match alignment {
        Alignment::Butterworth(order) => order.into(),
        Alignment::LinkwitzRiley(order) => order.into(),
    }
}

impl VirtualSystem {
    /// The owner's description with all slopes stated as they are.
    pub fn described_with_slopes(&self) -> System {
        let stated = |alignment| Slope::try_from(6.0 * f64::from(order(alignment))).ok();
        let mut system = self.system.clone();
        system.mains.slope = stated(self.natural.alignment);
        for control in &mut system.controls {
            if control.is_low_pass() {
                control.slopes.low_pass = control.slopes.low_pass.or_else(|| stated(self.low_pass));
            }
            if control.is_high_pass() {
                control.slopes.high_pass = control.slopes.high_pass.or_else(|| stated(butterworth(2)));
            }
        }
        system
    }

    /// What arrives from both, with the controls at these values.
    pub fn pressure(&self, setting: &[f64], imitated: Imitated, on: Switched, hz: f64) -> Complex64 {
        let (mut mains, mut subwoofer) = self.bare(hz);
        subwoofer *= libm::pow(10.0, (self.subwoofer_db + imitated.gain_db) / 20.0);
        subwoofer *= turn(-std::f64::consts::TAU * hz * imitated.later_s);
        if imitated.inverted {
            subwoofer = -subwoofer;
        }
        for (at, &value) in setting.iter().enumerate() {
            let (of_mains, of_subwoofer) = self.control_response(at, value, hz);
            mains *= of_mains;
            subwoofer *= of_subwoofer;
        }
        let switched = |on: bool, pressure: Complex64| if on { pressure } else { Complex64::ZERO };
        switched(on.mains, mains) + switched(on.subwoofer, subwoofer)
    }

    /// Level of a band, dB on the system's own scale.
    pub fn band_db(&self, setting: &[f64], imitated: Imitated, on: Switched, hz: f64, half_width_octaves: f64) -> f64 {
        const POINTS: i32 = 4;
        let power: f64 = (-POINTS..=POINTS)
            .map(|k| {
                let at_hz = hz * libm::exp2(half_width_octaves * f64::from(k) / f64::from(POINTS));
                self.pressure(setting, imitated, on, at_hz).norm_sqr()
            })
            .sum();
        10.0 * libm::log10(power / f64::from(2 * POINTS + 1) + 1e-12)
    }

    /// Level of a band within arm's reach of the subwoofer, dB: what its controls leave of a speaker that is flat
    /// within a dB.
    pub fn near_db(&self, setting: &[f64], hz: f64) -> f64 {
        let through = setting.iter().enumerate().map(|(at, &value)| self.control_response(at, value, hz).1);
        10.0 * libm::log10(through.product::<Complex64>().norm_sqr()) + self.own_db.at(hz)
    }

    /// Both without any control: mains with their natural limit, the subwoofer with its polarity and extra delay.
    pub fn bare(&self, hz: f64) -> (Complex64, Complex64) {
        let (mains, subwoofer) = self.room.at(hz);
        let late = turn(-std::f64::consts::TAU * hz * self.extra_s);
        let sign = if self.inverted { -1.0 } else { 1.0 };
        let own = libm::pow(10.0, self.own_db.at(hz) / 20.0);
        (mains * response(self.natural, hz), subwoofer * late * sign * own)
    }

    /// What one control at one value does to the mains and to the subwoofer.
    pub fn control_response(&self, at: usize, value: f64, hz: f64) -> (Complex64, Complex64) {
        let control = &self.system.controls[at];
        let one = Complex64::ONE;
        let gain = |db: f64| Complex64::from(libm::pow(10.0, db / 20.0));
        match control.role {
            Role::LowPass => (one, self.low_passed(control, value, hz)),
            Role::HighPass => (high_passed(control, value, hz), one),
            // What divides by one setting is marked in Hz; a knob without figures would say nothing of either.
            Role::Crossover if control.unit == Unit::Hertz => {
                (high_passed(control, value, hz), self.low_passed(control, value, hz))
            }
            Role::Level => {
                let db = |value: f64| match control.unit {
                    Unit::Percent => 42.0 * self.level_scale * libm::pow(value / 100.0, self.taper),
                    _ => self.level_scale * value,
                };
                (one, gain(db(value) - db(self.start[at])))
            }
            Role::Phase => {
                let (rest, sign) = if value > 180.0 { (value - 180.0, -1.0) } else { (value, 1.0) };
                let degrees = (rest * self.phase_scale).min(179.9);
                let r = libm::tan(degrees.to_radians() / 2.0) * hz / self.phase_at_hz;
                let turned = Complex64::new(1.0, -r) / Complex64::new(1.0, r);
                (one, turned * sign)
            }
            Role::Polarity => (one, if value > 90.0 { -one } else { one }),
            Role::Distance => {
                let earlier_s = (value - self.start[at]) / SPEED_M_PER_S;
                (one, turn(std::f64::consts::TAU * hz * earlier_s))
            }
            Role::Delay => (one, turn(-std::f64::consts::TAU * hz * (value - self.start[at]) * 1e-3)),
            Role::Crossover | Role::Contour => (one, one),
        }
    }

    fn low_passed(&self, control: &Control, value: f64, hz: f64) -> Complex64 {
        let corner_hz = value * libm::exp2(self.low_pass_off_octaves);
        let alignment = control.slopes.low_pass.map_or(self.low_pass, |stated| as_stated(stated, self.low_pass));
        response(Filter { alignment, side: Side::LowPass, corner_hz }, hz)
    }
}

fn high_passed(control: &Control, corner_hz: f64, hz: f64) -> Complex64 {
    let alignment = control.slopes.high_pass.map_or(butterworth(2), |stated| as_stated(stated, butterworth(2)));
    response(Filter { alignment, side: Side::HighPass, corner_hz }, hz)
}

/// A filter as steep as it is stated: the one that was drawn, if it is; Linkwitz-Riley where there is one from the
/// fourth order on.
fn as_stated(stated: Slope, drawn: Alignment) -> Alignment {
    match stated.order() {
        same if same == order(drawn) => drawn,
        steep @ (4 | 8) => linkwitz_riley(steep),
        other => butterworth(other),
    }
}

fn turn(radians: f64) -> Complex64 {
    Complex64::new(libm::cos(radians), libm::sin(radians))
}

fn response(filter: Filter, hz: f64) -> Complex64 {
    let response = filter.response(hz);
    Complex64::new(response.re, response.im)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::blend::Connection;

    #[test]
    fn a_system_is_what_its_seed_says_and_its_controls_do_what_they_are_for() {
        for connection in [Connection::Line, Connection::Lfe, Connection::Both] {
            for seed in 0..6 {
                let system = VirtualSystem::random(connection, seed);
                let again = VirtualSystem::random(connection, seed);
                assert_eq!((&system.system, &system.start), (&again.system, &again.start));
                for (control, &at) in system.system.controls.iter().zip(&system.start) {
                    assert_eq!(control.check(), Ok(()));
                    assert!(control.has(at), "{} at {at}", control.name);
                }
                let alone = Switched { mains: false, subwoofer: true };
                let none = Imitated::default();
                let level = |setting: &[f64]| {
                    10.0 * libm::log10(system.pressure(setting, none, alone, system.crossover_hz).norm_sqr())
                };
                let start_db = level(&system.start);
                for (at, control) in system.system.controls.iter().enumerate() {
                    let mut turned = system.start.clone();
                    turned[at] = control.ends().1;
                    let rise_db = level(&turned) - start_db;
                    match control.role {
                        Role::Level => assert!(rise_db > 5.0, "{rise_db}"),
                        Role::LowPass => assert!(rise_db > -1e-9, "{rise_db}"),
                        // The rest turns the phase alone.
                        _ => assert!(rise_db.abs() < 1e-9, "{}: {rise_db}", control.name),
                    }
                }
            }
        }
    }

    #[test]
    fn what_the_program_imitates_is_what_the_control_does() {
        let system = VirtualSystem::random(Connection::Lfe, 3);
        let at = system.system.controls.iter().position(|control| control.role == Role::Distance).expect("it has one");
        let mut nearer = system.start.clone();
        nearer[at] -= 1.716;
        // 1.716 m less is 5 ms later, at 343.2 m/s.
        let imitated = Imitated { later_s: 5e-3, ..Imitated::default() };
        for hz in [50.0, 80.0, 110.0] {
            let by_control = system.pressure(&nearer, Imitated::default(), BOTH, hz);
            let by_program = system.pressure(&system.start, imitated, BOTH, hz);
            assert!((by_control - by_program).norm() < 1e-9);
        }
    }

    #[test]
    fn what_is_described_with_slopes_has_them() {
        let text = "name = \"loft\"\nconnection = \"lfe\"\nmains_low_hz = 60.0\nmains_slope_db_per_octave = 18\n\n[[control]]\n\
                    role = \"crossover\"\non = \"processor\"\nunit = \"Hz\"\nlow = 40.0\nhigh = 160.0\nnow = 80.0\n\
                    low_pass_slope_db_per_octave = 48\nhigh_pass_slope_db_per_octave = 12\n";
        let system = VirtualSystem::around(System::parse("loft.toml", text).unwrap(), 4);
        let db = |pressure: Complex64| 10.0 * libm::log10(pressure.norm_sqr());
        let fall_db = |from_hz: f64, to_hz: f64, of: &dyn Fn(f64) -> Complex64| db(of(from_hz)) - db(of(to_hz));
        // Two octaves beyond the corner an octave more costs 6 dB for each order, within half a decibel.
        let low = |hz: f64| system.control_response(0, 80.0, hz).1;
        let high = |hz: f64| system.control_response(0, 80.0, hz).0;
        let natural = |hz: f64| response(system.natural, hz);
        for (fall_db, stated_db) in [
            (fall_db(320.0, 640.0, &low), 48.0),
            (fall_db(20.0, 10.0, &high), 12.0),
            (fall_db(15.0, 7.5, &natural), 18.0),
        ] {
            assert!((fall_db - stated_db).abs() < 0.5, "{fall_db} {stated_db}");
        }
    }
}
