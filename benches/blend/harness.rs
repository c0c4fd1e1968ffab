//! Simulated systems taken through the blend's pure procedures, and what the best setting of the same controls would
//! reach.

use evenbass::blend::sum::worst_deviation_db;
use evenbass::blend::tune::{BAND_HALF_WIDTH_OCTAVES, Case, Next, Outcome, Pass, REFERENCE_RATIO, Sounding, Tuner};
use evenbass::blend::{Role, System};
use evenbass::evidence::Heard;
use evenbass::presets::ListenerTraits;
use evenbass::random::Random;
use evenbass::rehearsal::{BOTH, BlendListener, Imitated, Switched, VirtualSystem};

/// Points under the curve that counts, a twenty-fourth of an octave apart: an octave, and a twelfth to either side to
/// smooth with.
const POINTS: usize = 29;

/// The person of the benches' own listener: what `presets/listeners/typical.toml` has, with a larger contour and wider
/// borders.
pub fn usual_listener() -> ListenerTraits {
    ListenerTraits {
        name: "usual".into(),
        about: String::new(),
        doubt_db: 1.5,
        mood_db: 1.0,
        contour_db: 1.5,
        border_spread: 0.25,
        lapses: 0.025,
        meter_db: 1.0,
    }
}

/// The true worst deviation of a system at a setting, dB.
pub fn worst_db(system: &VirtualSystem, setting: &[f64]) -> f64 {
    worst_deviation_db(system.crossover_hz, |hz| {
        10.0 * libm::log10(system.pressure(setting, Imitated::default(), BOTH, hz).norm_sqr() + 1e-12)
    })
}

/// Which half of its polarity a setting is in: the switch, or the upper half of a phase switch that goes round.
pub fn is_inverted(system: &VirtualSystem, setting: &[f64]) -> bool {
    system.system.controls.iter().zip(setting).fold(false, |inverted, (control, &value)| match control.role {
        Role::Polarity => inverted ^ (value > 90.0),
        Role::Phase if control.ends().1 > 180.0 => inverted ^ (value >= 180.0),
        _ => inverted,
    })
}

/// The least worst deviation that the controls reach in either polarity (as the controls have it), dB: descent control
/// by control from many random starts, in fine steps.
pub fn best_db(system: &VirtualSystem) -> [f64; 2] {
    let controls = &system.system.controls;
    let positions: Vec<Vec<f64>> = controls
        .iter()
        .map(|control| {
            let (low, high) = control.ends();
            let count = match control.role {
                Role::LowPass | Role::HighPass => 48,
                Role::Level => 60,
                Role::Phase => 36,
                Role::Distance | Role::Delay => 150,
                _ => 1,
            };
            let mut all: Vec<f64> =
                (0..=count).map(|k| control.nearest(low + (high - low) * f64::from(k) / f64::from(count))).collect();
            all.dedup();
            all
        })
        .collect();
    let hz: [f64; POINTS] =
        std::array::from_fn(|k| system.crossover_hz * libm::exp2((k as f64 - (POINTS / 2) as f64) / 24.0));
    let none = Imitated::default();
    let alone = |on: Switched| hz.map(|hz| system.pressure(&[], none, on, hz));
    let mains = alone(Switched { mains: true, subwoofer: false });
    let subwoofer = alone(Switched { mains: false, subwoofer: true });
    let table: Vec<Vec<_>> = positions
        .iter()
        .enumerate()
        .map(|(at, positions)| {
            positions.iter().map(|&value| hz.map(|hz| system.control_response(at, value, hz))).collect()
        })
        .collect();
    let height = |chosen: &[usize]| {
        let power: [f64; POINTS] = std::array::from_fn(|k| {
            let (mut m, mut s) = (mains[k], subwoofer[k]);
            for (control, &position) in table.iter().zip(chosen) {
                m *= control[position][k].0;
                s *= control[position][k].1;
            }
            (m + s).norm_sqr() + 1e-12
        });
        worst_of(&power)
    };
    let mut random = Random::new(1, 99);
    let mut best = [f64::INFINITY; 2];
    for start in 0..80 {
        let mut chosen: Vec<usize> = positions.iter().map(|positions| random.below(positions.len())).collect();
        let half = start % 2 == 1;
        let value =
            |chosen: &[usize]| positions.iter().zip(chosen).map(|(positions, &at)| positions[at]).collect::<Vec<f64>>();
        while is_inverted(system, &value(&chosen)) != half {
            chosen = positions.iter().map(|positions| random.below(positions.len())).collect();
        }
        let mut reached = height(&chosen);
        loop {
            let before = reached;
            for control in 0..positions.len() {
                for place in 0..positions[control].len() {
                    let mut tried = chosen.clone();
                    tried[control] = place;
                    if is_inverted(system, &value(&tried)) != half {
                        continue;
                    }
                    let there = height(&tried);
                    if there < reached {
                        (reached, chosen) = (there, tried);
                    }
                }
            }
            if before - reached < 1e-3 {
                break;
            }
        }
        let slot = &mut best[usize::from(half)];
        *slot = slot.min(reached);
    }
    best
}

/// The same figure as [`sum::worst_deviation_db`], from powers that are already there.
fn worst_of(power: &[f64; POINTS]) -> f64 {
    let smooth: Vec<f64> =
        power.windows(5).map(|w| 10.0 * libm::log10(((w[0] + w[4]) / 2.0 + w[1] + w[2] + w[3]) / 4.0)).collect();
    let mean = smooth.iter().sum::<f64>() / smooth.len() as f64;
    smooth.iter().map(|level| (level - mean).abs()).fold(0.0, f64::max)
}

/// How a pass is answered: by ear, or off a meter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    Ear,
    Meter,
}

/// The tuner, led through by a simulated listener.
pub fn tuned(system: &VirtualSystem, traits: &ListenerTraits, by: By, seed: u64, budget_s: f64) -> Outcome {
    tuned_as(system.system.clone(), system, traits, by, seed, budget_s)
}

/// The same, with the system as somebody describes it.
pub fn tuned_as(
    described: System,
    system: &VirtualSystem,
    traits: &ListenerTraits,
    by: By,
    seed: u64,
    budget_s: f64,
) -> Outcome {
    let mut listener = BlendListener::new(traits.clone(), seed);
    let mut meter = Random::new(seed, 77);
    let case = Case::new(described, system.crossover_hz, system.start.clone(), budget_s, seed);
    let mut tuner = Tuner::new(case);
    loop {
        match tuner.next() {
            Next::Keep(outcome) => return outcome,
            Next::Hear(mut pass) => {
                answer(system, &mut listener, by, traits.meter_db, &mut meter, &mut pass);
                tuner.take(pass);
            }
        }
    }
}

fn switched(sounding: Sounding) -> Switched {
    Switched { mains: sounding != Sounding::Subwoofer, subwoofer: sounding != Sounding::Mains }
}

fn answer(
    system: &VirtualSystem,
    listener: &mut BlendListener,
    by: By,
    meter_db: f64,
    meter: &mut Random,
    pass: &mut Pass,
) {
    let near = pass.sounding == Sounding::NearSubwoofer;
    let on = switched(pass.sounding);
    let none = Imitated::default();
    let level = |hz: f64| {
        if near {
            system.near_db(&pass.setting, hz)
        } else {
            system.band_db(&pass.setting, none, on, hz, BAND_HALF_WIDTH_OCTAVES)
        }
    };
    // Close to the subwoofer its own middle is the reference.
    let reference_hz = if near { system.crossover_hz } else { REFERENCE_RATIO * system.crossover_hz };
    let reference_db = if near {
        level(reference_hz)
    } else {
        system.band_db(&pass.setting, none, switched(Sounding::Mains), reference_hz, BAND_HALF_WIDTH_OCTAVES)
    };
    let over_db: Vec<f64> =
        pass.bands_hz.iter().zip(&pass.gains_db).map(|(&hz, gain_db)| level(hz) + gain_db - reference_db).collect();
    let mean = over_db.iter().sum::<f64>() / over_db.len() as f64;
    let spread = (over_db.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / over_db.len() as f64).sqrt();
    listener.begin();
    let heard = pass.bands_hz.iter().zip(&over_db).map(|(&hz, &over_db)| {
        Some(match by {
            By::Ear => Heard::Rating { rating: listener.rate(hz, over_db, spread, reference_hz) },
            By::Meter => {
                Heard::Meter { level_db_spl: ((70.0 + over_db + meter_db * meter.normal()) * 10.0).round() / 10.0 }
            }
        })
    });
    pass.heard = heard.collect();
}

/// What the plain way ends with.
#[derive(Debug, Clone)]
pub struct Plain {
    pub setting: Vec<f64>,
    pub seconds: f64,
}

/// An assistant turns the knobs while somebody listens (*common practice*): low-pass up until the bass pulls to the
/// subwoofer and back, phase by quarters keeping the fuller sound, then level up until the bass sticks out and back.
/// One answer each, delay and distance left alone.
pub fn plain(system: &VirtualSystem, traits: ListenerTraits, seed: u64) -> Plain {
    const TURN_S: f64 = 8.0;
    let mut listener = BlendListener::new(traits, seed);
    let mut setting = system.start.clone();
    let none = Imitated::default();
    let fc = system.crossover_hz;
    let level = |setting: &[f64], hz: f64, on: Switched| system.band_db(setting, none, on, hz, 0.25);
    let find = |role: Role| system.system.controls.iter().position(|control| control.role == role);
    let mut seconds = 0.0;
    let subwoofer = Switched { mains: false, subwoofer: true };
    let mains = Switched { mains: true, subwoofer: false };
    if let Some(at) = find(Role::LowPass) {
        let control = &system.system.controls[at];
        let mut value = control.ends().0;
        loop {
            setting[at] = control.nearest(value);
            seconds += TURN_S;
            // It pulls when the subwoofer is as loud as the mains half an octave above the crossover.
            listener.begin();
            let hz = fc * std::f64::consts::SQRT_2;
            let over_db = level(&setting, hz, subwoofer) - level(&setting, hz, mains);
            if listener.hear(hz, over_db, 6.0, hz) > 0.0 || value >= control.ends().1 {
                break;
            }
            value *= libm::exp2(1.0 / 6.0);
        }
        setting[at] = control.nearest(value / libm::exp2(1.0 / 6.0));
    }
    let polarity = find(Role::Polarity);
    let with = |degrees: f64| match polarity {
        Some(_) => (degrees % 180.0, Some(if degrees >= 180.0 { 180.0 } else { 0.0 })),
        None => (degrees, None),
    };
    let quarters = [0.0, 90.0, 180.0, 270.0].map(with);
    if let Some(at) = find(Role::Phase) {
        let put = |setting: &mut Vec<f64>, quarter: usize| {
            setting[at] = system.system.controls[at].nearest(quarters[quarter].0);
            if let (Some(polarity), Some(value)) = (polarity, quarters[quarter].1) {
                setting[polarity] = value;
            }
        };
        let mut fuller = |a: usize, b: usize, setting: &Vec<f64>| {
            let (mut first, mut second) = (setting.clone(), setting.clone());
            put(&mut first, a);
            put(&mut second, b);
            seconds += 2.0 * TURN_S;
            if listener.second_is_louder(fc, level(&first, fc, BOTH), level(&second, fc, BOTH)) { b } else { a }
        };
        let kept = if fuller(0, 1, &setting) == 0 { fuller(0, 3, &setting) } else { fuller(1, 2, &setting) };
        put(&mut setting, kept);
    }
    if let Some(at) = find(Role::Level) {
        let control = &system.system.controls[at];
        let (low, high) = control.ends();
        let step = (high - low) / 20.0;
        let mut value = low + 0.2 * (high - low);
        loop {
            setting[at] = control.nearest(value);
            seconds += TURN_S;
            listener.begin();
            let reference_hz = REFERENCE_RATIO * fc;
            let over_db = level(&setting, fc * 0.8, BOTH) - level(&setting, reference_hz, BOTH);
            if listener.hear(fc * 0.8, over_db, 6.0, reference_hz) > 1.5 || value >= high {
                break;
            }
            value += step;
        }
        setting[at] = control.nearest(value - step);
    }
    Plain { setting, seconds }
}
