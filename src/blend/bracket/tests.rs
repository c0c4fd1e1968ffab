use super::*;
use crate::random::Random;
use crate::stats::normal;

fn percent() -> Ladder {
    Ladder::continuous(0.0, 100.0, 2.0, 5).unwrap()
}

/// Answers by a border that lies somewhere, with noise of a normal distribution.
fn finish(mut bracket: Bracket, border: f64, noise: f64, random: &mut Random) -> (Bracket, Estimate) {
    while let Some(instruction) = bracket.instruction() {
        let beyond = match bracket.toward {
            Toward::Up => instruction.to - border,
            Toward::Down => border - instruction.to,
        };
        let far = beyond + noise * random.normal() > 0.0;
        bracket.answer(if far { Heard::TooFar } else { Heard::NotYet });
    }
    let estimate = bracket.estimate().unwrap();
    (bracket, estimate)
}

#[test]
fn a_sure_listener_is_found_within_a_step_from_either_side() {
    let mut random = Random::new(1, 1);
    for toward in [Toward::Up, Toward::Down] {
        for start in [0.0, 30.0, 50.0, 100.0] {
            for border in [11.0, 37.0, 63.5, 88.9] {
                let (bracket, estimate) = finish(Bracket::new(percent(), toward, start), border, 0.0, &mut random);
                assert!((estimate.value - border).abs() <= 1.0, "{toward:?} {start} {border}: {estimate:?}");
                assert!(estimate.agreed && estimate.pairs == 2);
                assert!(bracket.answers() <= 30, "{} answers", bracket.answers());
            }
        }
    }
}

#[test]
fn the_coarse_steps_come_first_and_rising_is_said() {
    let mut bracket = Bracket::new(percent(), Toward::Up, 40.0);
    let first = bracket.instruction().unwrap();
    assert_eq!((first.from, first.to, first.turns, first.rises), (40.0, 40.0, 0, false));
    bracket.answer(Heard::NotYet);
    let second = bracket.instruction().unwrap();
    assert_eq!((second.to, second.turns, second.size, second.rises), (50.0, 1, Size::Coarse, true));
    bracket.answer(Heard::TooFar);
    let third = bracket.instruction().unwrap();
    // The border is near 45, between two of the fine positions: from two fine steps below it.
    assert_eq!((third.to, third.turns, third.size, third.rises), (42.0, -4, Size::Fine, false));
    // Taking the answers back leads through the same instructions.
    assert!(bracket.back());
    assert_eq!(bracket.instruction(), Some(second));
    assert!(bracket.back() && !bracket.back());
    assert_eq!(bracket.instruction(), Some(first));
}

#[test]
fn a_control_that_ends_too_soon_says_so() {
    let mut random = Random::new(2, 1);
    for (toward, border, end) in [(Toward::Up, 120.0, 100.0), (Toward::Up, -5.0, 0.0), (Toward::Down, -9.0, 0.0)] {
        let (_, estimate) = finish(Bracket::new(percent(), toward, 50.0), border, 0.0, &mut random);
        assert!(estimate.at_the_end && !estimate.agreed);
        assert_eq!(estimate.value, end);
    }
}

#[test]
fn a_slip_costs_a_pair_and_not_the_result() {
    let mut random = Random::new(3, 1);
    for slip_at in 0..20 {
        let mut bracket = Bracket::new(percent(), Toward::Up, 20.0);
        while let Some(instruction) = bracket.instruction() {
            let far = (instruction.to > 55.0) != (bracket.answers() == slip_at);
            bracket.answer(if far { Heard::TooFar } else { Heard::NotYet });
        }
        let estimate = bracket.estimate().unwrap();
        assert!((estimate.value - 55.0).abs() < 5.0, "slip at {slip_at}: {estimate:?}");
    }
    // Contradictions to the end: it ends, and owns up to it.
    for seed in 0..200 {
        let mut bracket = Bracket::new(percent(), Toward::Up, 50.0);
        let mut random = Random::new(seed, 2);
        while bracket.instruction().is_some() {
            bracket.answer(if random.uniform() < 0.5 { Heard::TooFar } else { Heard::NotYet });
        }
        assert!(bracket.answers() <= MOST_ANSWERS && bracket.estimate().is_some());
    }
    let (_, sure) = finish(Bracket::new(percent(), Toward::Up, 50.0), 61.0, 0.0, &mut random);
    let (_, unsure) = finish(Bracket::new(percent(), Toward::Up, 50.0), 61.0, 12.0, &mut random);
    assert!(unsure.standard_error > sure.standard_error);
}

#[test]
fn the_fine_series_turn_where_the_method_of_limits_turns() {
    // One ascending series from the bottom: the chance of turning after step k is p_k times the product of (1 - p_j)
    // before it, with p the psychometric function (the definition of the method; Herrick, J. Acoust. Soc. Am. 1967,
    // from memory).
    let ladder = Ladder::continuous(0.0, 40.0, 1.0, 40).unwrap();
    let (border, noise) = (20.3, 2.0);
    let p = |place: usize| normal::cumulative((place as f64 - border) / noise);
    let (mut stays, mut expected) = (1.0, 0.0);
    for place in 13..=40 {
        expected += stays * p(place) * (place as f64 - 0.5);
        stays *= 1.0 - p(place);
    }
    let runs = 20_000;
    let mut random = Random::new(5, 1);
    let (mut sum, mut counted) = (0.0, 0);
    for _ in 0..runs {
        let bracket = Bracket::new(ladder.clone(), Toward::Up, 0.0);
        let mut walk = Walk { stands: 0, next: None, pairs: vec![], turning: vec![], agreed: false, at_the_end: false };
        let mut place = 11_usize;
        let mut answers = std::iter::from_fn(|| {
            place += 1;
            let far = place as f64 + noise * random.normal() > border;
            Some(if far { Heard::TooFar } else { Heard::NotYet })
        });
        // Centre and lead chosen so that the series starts at 12; the rare restarts are left out, as the sum begins at
        // 13.
        let turned = bracket.series(&mut walk, 20.0, 9, true, &mut answers).unwrap();
        sum += turned;
        counted += 1;
    }
    let mean = sum / f64::from(counted);
    // Standard deviation of a turning point is below 2: four standard errors of the mean of 20,000.
    assert!((mean - expected).abs() < 4.0 * 2.0 / f64::from(runs).sqrt(), "{mean} and {expected}");
    // The series from below alone is biased downward here; that is why it is paired with one from above.
    assert!(expected < border - 0.5);
}

#[test]
fn pairs_converge_on_the_half_way_point_and_the_error_is_as_stated() {
    for (noise, seed) in [(1.0, 7), (2.0, 8), (4.0, 9), (8.0, 10)] {
        let runs = 3000;
        let mut random = Random::new(seed, 1);
        let (mut sum, mut squares, mut stated, mut trials) = (0.0, 0.0, 0.0, 0);
        for run in 0..runs {
            let border = 40.0 + 20.0 * f64::from(run) / f64::from(runs);
            let start = 20.0 + 60.0 * random.uniform();
            let (bracket, estimate) = finish(Bracket::new(percent(), Toward::Up, start), border, noise, &mut random);
            let error = estimate.value - border;
            sum += error;
            squares += error * error;
            stated += estimate.standard_error.powi(2);
            trials += bracket.answers();
        }
        let runs = f64::from(runs);
        let (bias, rms, stated) = (sum / runs, (squares / runs).sqrt(), (stated / runs).sqrt());
        let trials = trials as f64 / runs;
        // Limits from both sides meet at the point that is called too far half the time.
        assert!(bias.abs() < 0.1 * noise + 0.1, "noise {noise}: bias {bias}");
        // No procedure with yes and no as answers does better than sqrt(pi/2)·noise/sqrt(n) (information at the
        // half-way point, density(0)²/(1/4) per answer); ours spends answers on the approach and may need twice that.
        let bound = (std::f64::consts::FRAC_PI_2 / trials).sqrt() * noise;
        assert!(
            rms > 0.8 * bound && rms < 2.0 * bound + 0.6,
            "noise {noise}: rms {rms}, bound {bound}, {trials} trials"
        );
        // The stated error is neither far too small nor far too large.
        assert!(stated > 0.6 * rms && stated < 2.0 * rms + 0.3, "noise {noise}: stated {stated}, rms {rms}");
    }
}

#[test]
fn ladders_refuse_what_is_none() {
    assert_eq!(Ladder::stepped(vec![3.0], 1), Err(LadderError::TooFew(1)));
    assert!(Ladder::stepped(vec![1.0, 1.0], 1).is_err());
    assert!(Ladder::stepped(vec![1.0, f64::NAN], 1).is_err());
    assert!(Ladder::continuous(5.0, 1.0, 0.5, 2).is_err() && Ladder::continuous(0.0, 1.0, 0.0, 2).is_err());
    let frequencies = Ladder::by_ratio(40.0, 160.0, 6.0, 3).unwrap();
    assert_eq!(frequencies.positions().len(), 13);
    assert!((frequencies.nearest(81.0) - 80.0).abs() < 1e-9);
}
