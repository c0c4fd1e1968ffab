//! Systems drawn from a seed: at random, or around what somebody says of one.

use realfft::num_complex::Complex64;

use crate::acoustics::crossover::{Filter, Side};
use crate::blend::{Channels, Connection, Control, Device, Mains, Role, Scale, Slopes, System, Unit};
use crate::random::Random;
use crate::rehearsal::virtual_system::room::{Room, Waves};
use crate::rehearsal::virtual_system::{VirtualSystem, as_stated, butterworth, linkwitz_riley};

const SYSTEM: u64 = 0x73_79_73_74;

fn control(role: Role, on: Device, unit: Unit, scale: Scale) -> Control {
    Control { role, on, name: role.word().into(), unit, scale, start: None, now: None, slopes: Slopes::default() }
}

fn range(low: f64, high: f64, step: Option<f64>) -> Scale {
    Scale::Range { low, high, step }
}

impl VirtualSystem {
    /// A system at random: polarity either way, up to 20 ms of extra delay, level wrong by up to 10 dB, low-pass up to
    /// an octave off, knobs that do not quite do what they say; half of them in a box with standing waves, half in a
    /// smooth room.
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
            own_db: Waves::default(),
        };
        new.subwoofer_db = new.level_match_db() + wrong_db;
        new.own_db = Waves::new(r, 0.7);
        new
    }

    /// What could be behind a system's description: the same kind of errors as in [`VirtualSystem::random`]. Its
    /// controls stand where it says, and in the middle where it does not.
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

    /// By how much the subwoofer must be turned up to arrive as loud around the crossover as the mains do an octave
    /// above it.
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
