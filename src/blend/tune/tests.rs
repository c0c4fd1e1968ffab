use super::*;
use crate::blend::control::{Scale, Unit};
use crate::blend::slope::Slopes;
use crate::blend::system::{Channels, Connection, Mains};
use crate::blend::tune::model::{Draw, Effect, Hypothesis, Known, POINTS, Room, Scalar};

fn control(role: Role, unit: Unit, scale: Scale) -> Control {
    Control {
        role,
        on: Device::Processor,
        name: role.word().into(),
        unit,
        scale,
        start: None,
        now: None,
        slopes: Slopes::default(),
    }
}

/// A processor with a low-pass, a level and a distance, and a polarity switch.
pub(super) fn case(reached: bool) -> Case {
    let controls = vec![
        control(Role::LowPass, Unit::Hertz, Scale::Range { low: 40.0, high: 160.0, step: Some(10.0) }),
        control(Role::Level, Unit::Decibel, Scale::Range { low: -12.0, high: 12.0, step: Some(0.5) }),
        control(Role::Distance, Unit::Metre, Scale::Range { low: 0.0, high: 12.0, step: Some(0.1) }),
        control(Role::Polarity, Unit::Degree, Scale::Positions(vec![0.0, 180.0])),
    ];
    let system = System {
        name: "bench".into(),
        connection: Connection::Lfe,
        two_channel: false,
        mains: Mains::rated(70.0),
        wireless: false,
        latency_s: None,
        channels: Channels::default(),
        controls,
    };
    Case {
        system,
        crossover_hz: 80.0,
        start: vec![80.0, 0.0, 3.0, 0.0],
        reached: vec![false, reached, reached, reached],
        budget_s: 840.0,
        seed: 7,
    }
}

/// A made-up system in the model's own terms, without any roughness.
fn truth(case: &Case, late_s: f64, inverted: bool, louder_db: f64) -> Draw {
    let mut unknowns = vec![0.0; model::FIRST_PASS];
    for k in 0..POINTS {
        unknowns[model::MAINS + k] = -(k as f64 - 9.0).powi(2) / 40.0;
        unknowns[model::SUBWOOFER + k] = louder_db;
    }
    unknowns[Scalar::LowPassSlope.at()] = 1.0;
    unknowns[Scalar::LevelScale.at()] = 1.0;
    unknowns[Scalar::PhaseScale.at()] = 1.0;
    Draw::of(case, &unknowns, Hypothesis { late_s, inverted, room: Room::Calm })
}

fn metered(case: &Case, truth: &Draw, pass: &mut Pass) {
    let points = Effect::of(case, &pass.setting).at_points(case, truth.known);
    let power = truth.power(&points, pass.sounding);
    let level = |(&hz, gain_db): (&f64, &f64)| {
        let total: f64 = model::under_band(case.crossover_hz, hz).iter().map(|(k, weight)| weight * power[*k]).sum();
        Some(Heard::Meter { level_db_spl: 72.0 + gain_db + 10.0 * libm::log10(total) })
    };
    pass.heard = pass.bands_hz.iter().zip(&pass.gains_db).map(level).collect();
}

fn finish(case: &Case, truth: &Draw) -> (Tuner, Outcome) {
    let mut tuner = Tuner::new(case.clone());
    loop {
        match tuner.next() {
            Next::Keep(outcome) => return (tuner, outcome),
            Next::Hear(mut pass) => {
                metered(case, truth, &mut pass);
                tuner.take(pass);
            }
        }
    }
}

#[test]
fn an_exact_meter_leads_near_the_best_setting_in_time() {
    let (late_ms, inverted, louder_db) = (9.3, true, -7.0);
    let case = Case { budget_s: 420.0, ..case(true) };
    let truth = truth(&case, late_ms * 1e-3, inverted, louder_db);
    let (tuner, outcome) = finish(&case, &truth);
    let draws = std::slice::from_ref(&truth);
    let reached_db = search::each(&case, draws, &outcome.setting)[0];
    let best = search::flattest(&case, draws, &case.positions(), std::slice::from_ref(&case.start), 40, None);
    let untouched_db = search::each(&case, draws, &case.start)[0];
    assert!(reached_db < best.expected_db + 1.0, "{reached_db} with {outcome:?}, best {best:?}");
    assert!(reached_db < untouched_db / 2.0, "{reached_db} after {untouched_db}");
    assert!(outcome.seconds <= case.budget_s && tuner.passes().len() < 20);
}

#[test]
fn the_same_answers_lead_to_the_same_and_the_last_can_be_taken_back() {
    let case = case(false);
    let truth = truth(&case, 5e-3, false, 3.0);
    let mut tuner = Tuner::new(case.clone());
    for sounding in [Sounding::Both, Sounding::Mains, Sounding::Both] {
        let Next::Hear(mut pass) = tuner.next() else { panic!("too early to end") };
        if tuner.passes().len() < 2 {
            assert_eq!((pass.sounding, &pass.setting), (sounding, &case.start));
        }
        metered(&case, &truth, &mut pass);
        tuner.take(pass);
    }
    let next = tuner.next();
    assert_eq!(next, tuner.next());
    let Next::Hear(wrong) = next.clone() else { panic!("too early to end") };
    tuner.take(Pass { heard: vec![None; wrong.bands_hz.len()], ..wrong });
    assert!(tuner.back().is_some());
    assert_eq!(tuner.next(), next);
    // Written down and read back it is the same.
    let text = serde_json::to_string(&tuner).unwrap();
    let read: Tuner = serde_json::from_str(&text).unwrap();
    assert_eq!(read.next(), next);
}

#[test]
fn nothing_but_silence_and_nonsense_still_ends_in_time() {
    let case = Case { budget_s: 300.0, ..case(false) };
    let mut tuner = Tuner::new(case.clone());
    let mut random = crate::random::Random::new(3, 3);
    loop {
        match tuner.next() {
            Next::Keep(outcome) => {
                assert!(outcome.seconds <= case.budget_s, "{outcome:?}");
                assert!(outcome.worst_db.iter().all(|db| db.is_finite()));
                break;
            }
            Next::Hear(mut pass) => {
                let answer = |_| {
                    (random.uniform() < 0.8)
                        .then(|| Heard::Rating { rating: crate::evidence::Rating::ALL[random.below(7)] })
                };
                pass.heard = (0..pass.bands_hz.len()).map(answer).collect();
                tuner.take(pass);
            }
        }
    }
}

#[test]
fn a_person_walks_to_what_the_program_cannot_reach() {
    let case = case(true);
    let turned = [90.0, 3.0, 4.0, 180.0];
    // The low-pass alone is turned by hand while listening; all four to set them for good.
    assert_eq!(case.turning_s(&case.start, &turned, false), 8.0);
    assert_eq!(case.turning_s(&case.start, &turned, true), 8.0 + 3.0 * 4.0);
    assert_eq!(case.turning_s(&turned, &turned, true), 0.0);
}

#[test]
fn the_models_sum_is_the_predicted_one() {
    // The same two paths in `sum`, which is checked against scipy: mains flat, subwoofer late, through its low-pass.
    use crate::acoustics::crossover::{Alignment, EvenOrder, Filter, Side};
    use crate::blend::sum::{Path, Sum};
    let case = case(true);
    let mut unknowns = vec![0.0; model::FIRST_PASS];
    unknowns[Scalar::LowPassSlope.at()] = 1.0;
    unknowns[Scalar::LevelScale.at()] = 1.0;
    let draw = Draw::of(&case, &unknowns, Hypothesis { late_s: 2e-3, inverted: true, room: Room::Calm });
    assert_eq!(draw.known, Known::of(&unknowns));
    let setting = [100.0, -4.0, 3.0, 0.0];
    let power = draw.power(&Effect::of(&case, &setting).at_points(&case, draw.known), Sounding::Both);
    let alignment = Alignment::LinkwitzRiley(EvenOrder::try_from(4).unwrap());
    let sum = Sum {
        mains: Path::default(),
        subwoofer: Path {
            filters: vec![Filter { alignment, side: Side::LowPass, corner_hz: 100.0 }],
            inverted: true,
            delay_s: 2e-3,
            gain_db: -4.0,
            ..Path::default()
        },
        crossover_hz: 80.0,
    };
    for (hz, power) in model::grid_hz(80.0).into_iter().zip(power) {
        // The model's rest of a thousandth is within 0.2 dB here.
        assert!((10.0 * libm::log10(power) - sum.level_db(hz)).abs() < 0.2, "{hz} Hz");
    }
}

#[test]
fn a_deep_hole_that_is_heard_again_and_again_is_believed() {
    use crate::evidence::Rating;
    let case = case(false);
    let tuner = Tuner::new(case.clone());
    let mains = |bands_hz: Vec<f64>, rating: Rating| Pass {
        setting: case.start.clone(),
        sounding: Sounding::Mains,
        gains_db: vec![8.0; bands_hz.len()],
        heard: vec![Some(Heard::Rating { rating }); bands_hz.len()],
        bands_hz,
    };
    let all_hz = tuner.all_bands_hz();
    let (hole_hz, others_hz) = (all_hz[10], [all_hz[0], all_hz[2], all_hz[4], all_hz[6]]);
    let expected_db =
        |passes: &[Pass]| Belief::new(&case, passes).expected_db(&case.start, Sounding::Mains, &[hole_hz], 1)[0];
    // Eight decibels up it is still 'much quieter', which begins eight under: it lies 16 dB down. As many lapses are out of the question.
    let even = mains(others_hz.to_vec(), Rating::ALL[3]);
    let once = expected_db(&[even.clone(), mains(vec![hole_hz], Rating::ALL[0])]);
    let often = expected_db(&[even, mains(vec![hole_hz; 6], Rating::ALL[0])]);
    assert!(often < -13.0 && often < once, "{once} dB after one answer, {often} dB after six");
}

#[test]
fn what_is_kept_was_heard_across_the_whole_octave() {
    let case = case(true);
    let truth = truth(&case, 6e-3, false, 2.0);
    let (tuner, outcome) = finish(&case, &truth);
    assert!(tuner.has_covered(&outcome.setting), "{outcome:?}");
    // The first bands lie side by side; what falls between two of them or beyond the last was not heard with them.
    let mut short = Tuner::new(case.clone());
    let Next::Hear(first) = short.next() else { panic!("too early to end") };
    assert_eq!(first.bands_hz.len(), 6);
    short.take(Pass { heard: vec![None; 6], ..first });
    assert!(!short.has_covered(&case.start));
}

#[test]
fn stated_slopes_are_the_models_own() {
    let slope = |db_per_octave: f64| crate::blend::Slope::try_from(db_per_octave).ok();
    let mut stated = case(false);
    stated.system.controls[0].on = Device::Subwoofer;
    let unstated = stated.clone();
    stated.system.controls[0].slopes.low_pass = slope(18.0);
    stated.system.mains.slope = slope(24.0);
    let known = Known { low_pass_off: 0.0, low_pass_slope: 1.0, level_scale: 1.0, phase_scale: 1.0 };
    let points = Effect::of(&stated, &stated.start).at_points(&stated, known);
    let prior = |case: &Case| prior::prior(case, &[], Room::Calm);
    let (believed, guessed) = (prior(&stated), prior(&unstated));
    for (k, hz) in model::grid_hz(stated.crossover_hz).into_iter().enumerate() {
        // Butterworth: 10 lg(1 + (f/fc)^2n). Linkwitz-Riley of the fourth order: two of the second in a row.
        let low_pass_db = -10.0 * (1.0 + (hz / 80.0).powi(6)).log10();
        assert!((points.subwoofer_db[k] - low_pass_db).abs() < 1e-9, "{hz} Hz: {}", points.subwoofer_db[k]);
        let natural_db = -20.0 * (1.0 + (70.0 / hz).powi(4)).log10();
        assert!((believed.mean[model::MAINS + k] - natural_db).abs() < 1e-9, "{hz} Hz");
        assert!((guessed.mean[model::MAINS + k] - natural_db / 2.0).abs() < 1e-9, "{hz} Hz");
    }
    let at = Scalar::LowPassSlope.at();
    assert_eq!((believed.mean[at], guessed.mean[at]), (1.0, 0.8));
    // Standard deviations of 0.12 and 0.25.
    assert!(believed.precision[(at, at)] > 4.0 * guessed.precision[(at, at)]);
}
