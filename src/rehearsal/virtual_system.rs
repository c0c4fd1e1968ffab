//! Main speakers and a subwoofer in a room, with controls that do about what they say: what a blend is rehearsed on.
//!
//! Nothing here is shared with what guides the blend: it has its own responses, its own errors of knobs and its own rooms.

use realfft::num_complex::Complex64;

use crate::acoustics::crossover::{Alignment, EvenOrder, Filter, Order, Side};
use crate::blend::{Channels, Connection, Control, Device, Mains, Role, Scale, Slope, Slopes, System, Unit};
use crate::random::Random;
use crate::room::green::DampedBox;

const SYSTEM: u64 = 0x73_79_73_74;
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

/// What the room does on the way from each of the two.
enum Room {
    /// Slow waves in level and phase.
    Smooth { mains: [Waves; 2], subwoofer: [Waves; 2] },
    /// Standing waves of a box.
    Box { room: DampedBox, seat_m: [f64; 3], mains_m: [[f64; 3]; 2], subwoofer_m: [f64; 3] },
}

/// A random function of log frequency: a few cosines.
struct Waves(Vec<(f64, f64, f64)>);

impl Waves {
    fn new(random: &mut Random, size: f64) -> Self {
        const COUNT: usize = 6;
        let each = size * (2.0 / COUNT as f64).sqrt();
        let wave = |_| {
            let cycles_per_octave = 0.15 + 1.1 * random.uniform();
            (each * random.normal(), cycles_per_octave, random.uniform())
        };
        Self((0..COUNT).map(wave).collect())
    }

    fn at(&self, hz: f64) -> f64 {
        let octaves = libm::log2(hz / 64.0);
        self.0
            .iter()
            .map(|(size, cycles, phase)| size * libm::cos(std::f64::consts::TAU * (cycles * octaves + phase)))
            .sum()
    }
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

fn control(role: Role, on: Device, unit: Unit, scale: Scale) -> Control {
    Control { role, on, name: role.word().into(), unit, scale, start: None, now: None, slopes: Slopes::default() }
}

fn range(low: f64, high: f64, step: Option<f64>) -> Scale {
    Scale::Range { low, high, step }
}

impl VirtualSystem {
    /// A system at random: polarity either way, up to 20 ms of extra delay, level wrong by up to 10 dB, low-pass up to an octave
    /// off, knobs that do not quite do what they say; half of them in a box with standing waves, half in a smooth room.
    pub fn random(connection: Connection, seed: u64) -> Self {
        let mut random = Random::new(seed, SYSTEM + connection as u64);
        let r = &mut random;
        let lfe = connection == Connection::Lfe;
        let rated_low_hz: f64 = (if lfe { 45.0 + 25.0 * r.uniform() } else { 40.0 + 40.0 * r.uniform() }).round();
        let crossover_hz: f64 = if lfe { [70.0, 80.0, 90.0][r.below(3)] } else { rated_low_hz };
        let mut controls = Vec::new();
        let mut start = Vec::new();
        let mut add = |control: Control, at: f64| {
            start.push(control.nearest(at));
            controls.push(control);
        };
        let off = libm::exp2([-1.0, 0.0, 1.0][r.below(3)] * (0.3 + 0.7 * r.uniform()));
        let (sub, processor) = (Device::Subwoofer, Device::Processor);
        let percent = r.uniform() < 0.5;
        let quarters = r.uniform() < 0.4;
        if connection == Connection::Line {
            add(control(Role::LowPass, sub, Unit::Hertz, range(35.0, 160.0, None)), 0.9 * crossover_hz * off);
            if percent {
                add(control(Role::Level, sub, Unit::Percent, range(0.0, 100.0, None)), 45.0);
            } else {
                add(control(Role::Level, sub, Unit::Decibel, range(-15.0, 15.0, None)), 0.0);
            }
        } else {
            if lfe {
                add(control(Role::HighPass, processor, Unit::Hertz, range(40.0, 120.0, Some(10.0))), crossover_hz);
            }
            add(control(Role::LowPass, processor, Unit::Hertz, range(40.0, 160.0, Some(10.0))), crossover_hz * off);
            add(control(Role::Level, processor, Unit::Decibel, range(-12.0, 12.0, Some(0.5))), 0.0);
            add(control(Role::Distance, processor, Unit::Metre, range(0.0, 15.0, Some(0.1))), 3.0);
        }
        if quarters && connection == Connection::Line {
            add(control(Role::Phase, sub, Unit::Degree, Scale::Positions(vec![0.0, 90.0, 180.0, 270.0])), 90.0);
        } else {
            add(control(Role::Polarity, sub, Unit::Degree, Scale::Positions(vec![0.0, 180.0])), 0.0);
            add(control(Role::Phase, sub, Unit::Degree, range(0.0, 180.0, None)), 90.0);
        }
        let system = System {
            name: format!("simulated {seed}"),
            connection,
            two_channel: connection == Connection::Line,
            mains: Mains::rated(rated_low_hz),
            wireless: false,
            latency_s: None,
            channels: Channels { left: 1, right: 2, subwoofer: lfe.then_some(4) },
            controls,
        };
        let natural = Filter {
            alignment: butterworth([2, 4][r.below(2)]),
            side: Side::HighPass,
            corner_hz: rated_low_hz * libm::exp2(0.1 * r.normal()),
        };
        let low_pass = if connection == Connection::Line {
            [butterworth(2), butterworth(4), linkwitz_riley(4), linkwitz_riley(2)][r.below(4)]
        } else {
            linkwitz_riley(4)
        };
        let own_knobs = connection == Connection::Line;
        let low_pass_off_octaves = if own_knobs { 0.12 * r.normal() } else { 0.0 };
        let level_scale = if own_knobs { libm::exp(0.1 * r.normal()) } else { 1.0 };
        let taper = 0.8 + 0.4 * r.uniform();
        let phase_scale = libm::exp(0.08 * r.normal()).min(1.0 / 0.9);
        let phase_at_hz = 80.0 * libm::exp2(0.2 * r.normal());
        let inverted = r.uniform() < 0.5;
        let extra_s = 20e-3 * r.uniform();
        let wrong_db = 20.0 * r.uniform() - 10.0;
        let room = if r.uniform() < 0.5 { Room::smooth(r) } else { Room::boxed(r, crossover_hz) };
        let mut new = Self {
            system,
            start,
            crossover_hz,
            natural,
            room,
            low_pass,
            low_pass_off_octaves,
            level_scale,
            taper,
            phase_scale,
            phase_at_hz,
            inverted,
            extra_s,
            subwoofer_db: 0.0,
            own_db: Waves(Vec::new()),
        };
        new.subwoofer_db = new.level_match_db() + wrong_db;
        new.own_db = Waves::new(r, 0.7);
        new
    }

    /// What could be behind a system's description: the same kind of errors as in [`VirtualSystem::random`]. Its controls stand where it
    /// says, and in the middle where it does not.
    pub fn around(system: System, seed: u64) -> Self {
        let mut new = Self::random(system.connection, seed);
        new.start = system
            .controls
            .iter()
            .map(|control| {
                let (low, high) = control.ends();
                control.now.unwrap_or_else(|| control.nearest(f64::midpoint(low, high)))
            })
            .collect();
        let divides = |role| {
            let (at, control) = system.control(role, Device::Processor)?;
            (control.unit == Unit::Hertz).then(|| new.start[at])
        };
        let lfe = system.connection == Connection::Lfe;
        let meets_hz = divides(Role::Crossover).or_else(|| divides(Role::LowPass)).filter(|_| lfe);
        new.crossover_hz = meets_hz.unwrap_or(system.mains.rated_low_hz);
        new.natural.corner_hz = system.mains.rated_low_hz;
        if let Some(stated) = system.mains.slope {
            new.natural.alignment = as_stated(stated, new.natural.alignment);
        }
        new.system = system;
        new
    }

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

    /// Level of a band within arm's reach of the subwoofer, dB: what its controls leave of a speaker that is flat within a dB.
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

    /// By how much the subwoofer must be turned up to arrive as loud around the crossover as the mains do an octave above it.
    fn level_match_db(&self) -> f64 {
        let mean_db = |low: f64, of: &dyn Fn(f64) -> Complex64| {
            let levels = (0..24).map(|k| {
                let hz = self.crossover_hz * libm::exp2(low + f64::from(k) / 24.0);
                10.0 * libm::log10(of(hz).norm_sqr())
            });
            levels.sum::<f64>() / 24.0
        };
        mean_db(0.7, &|hz| self.bare(hz).0) - mean_db(-0.7, &|hz| self.bare(hz).1)
    }
}

impl Room {
    fn smooth(random: &mut Random) -> Self {
        let mut pair = || [Waves::new(random, 2.5), Waves::new(random, 0.4)];
        Self::Smooth { mains: pair(), subwoofer: pair() }
    }

    /// A box with the seat somewhere in its middle, mains along one wall, and the subwoofer at the most even of eight places.
    fn boxed(random: &mut Random, crossover_hz: f64) -> Self {
        let size_m = [4.5 + 3.5 * random.uniform(), 3.5 + 2.0 * random.uniform(), 2.3 + 0.6 * random.uniform()];
        let reverberation_s = 0.25 + 0.35 * random.uniform();
        let room = DampedBox { size_m, speed_m_per_s: SPEED_M_PER_S, damping_per_s: 6.91 / reverberation_s };
        let mut within = |low: f64, high: f64| low + (high - low) * random.uniform();
        let seat_m = [size_m[0] * within(0.55, 0.8), size_m[1] * within(0.4, 0.6), 1.1];
        let front_m = within(0.4, 1.0);
        let apart_m = within(0.25, 0.35) * size_m[1];
        let middle_m = size_m[1] / 2.0;
        let mains_m = [-apart_m, apart_m].map(|side| [front_m, middle_m + side, 0.9]);
        let places: Vec<[f64; 3]> = (0..8).map(|_| [within(0.2, size_m[0] - 0.2), within(0.2, 0.8), 0.25]).collect();
        let spread = |place: &[f64; 3]| {
            let levels: Vec<f64> = (0..24)
                .map(|k| room.level_db(*place, seat_m, crossover_hz * libm::exp2(f64::from(k - 16) / 12.0)))
                .collect();
            let mean = levels.iter().sum::<f64>() / levels.len() as f64;
            levels.iter().map(|level| (level - mean).powi(2)).sum::<f64>()
        };
        let best = places.iter().min_by(|a, b| spread(a).total_cmp(&spread(b)));
        Self::Box { room, seat_m, mains_m, subwoofer_m: *best.expect("eight places") }
    }

    fn at(&self, hz: f64) -> (Complex64, Complex64) {
        match self {
            Self::Smooth { mains, subwoofer } => {
                let of = |waves: &[Waves; 2]| turn(waves[1].at(hz)) * libm::pow(10.0, waves[0].at(hz) / 20.0);
                (of(mains), of(subwoofer))
            }
            Self::Box { room, seat_m, mains_m, subwoofer_m } => {
                let from = |place: [f64; 3]| room.green_per_m(place, *seat_m, hz) * (4.0 * std::f64::consts::PI);
                ((from(mains_m[0]) + from(mains_m[1])) * 0.5, from(*subwoofer_m))
            }
        }
    }
}

fn high_passed(control: &Control, corner_hz: f64, hz: f64) -> Complex64 {
    let alignment = control.slopes.high_pass.map_or(butterworth(2), |stated| as_stated(stated, butterworth(2)));
    response(Filter { alignment, side: Side::HighPass, corner_hz }, hz)
}

/// A filter as steep as it is stated: the one that was drawn, if it is; Linkwitz-Riley where there is one from the fourth order on.
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
