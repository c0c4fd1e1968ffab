//! Searches, led by a listener who is always right; and where their results go.

use super::*;
use crate::presets;
use crate::presets::routine::StepKind;
use crate::routine::blend::translate::translated;

fn system(controls: &str) -> System {
    let text = format!("name = \"den\"\nconnection = \"line\"\nmains_low_hz = 60.0\n{controls}");
    System::parse("den.toml", &text).unwrap()
}

const KNOB: &str = "[[control]]\nrole = \"phase\"\nlow = 0.0\nhigh = 180.0\n[[control]]\nrole = \"polarity\"\n";

fn phase_tree() -> Vec<Pair> {
    let routine = presets::routine("assistant", None).unwrap();
    let pairs = routine.steps.into_iter().find_map(|step| match step.what {
        StepKind::Tree(pairs) if pairs.len() > 1 => Some(pairs),
        _ => None,
    });
    pairs.unwrap()
}

/// Runs a tree with a listener who prefers the setting for which `better` is larger.
fn run(mut search: Search, system: &System, better: impl Fn(&Setup) -> f64) -> Setup {
    for _ in 0..200 {
        match search.want() {
            Some(Want::Prefer([first, second])) => {
                let choice = if better(&first) >= better(&second) { Choice::First } else { Choice::Second };
                search.preferred(choice);
            }
            Some(Want::Fullest(setups)) => {
                let best = (0..setups.len()).max_by(|&a, &b| better(&setups[a]).total_cmp(&better(&setups[b])));
                search.fullest(best.unwrap());
            }
            Some(Want::Hear(_)) => unreachable!(),
            None => return search.found(system).unwrap().setup,
        }
    }
    panic!("the search never ends");
}

#[test]
fn the_phase_tree_reaches_all_four_quarters_with_knob_and_switch() {
    let system = system(KNOB);
    let around = Setup { values: vec![Some(90.0), Some(0.0)], own: Own::default() };
    for (wanted, expected) in [(0.0, [0.0, 0.0]), (90.0, [90.0, 0.0]), (180.0, [180.0, 0.0]), (270.0, [90.0, 180.0])] {
        let search = Search::tree(&system, &around, 0, &phase_tree(), 5).unwrap();
        let found = run(search, &system, |setup| {
            let phase = setup.values[0].unwrap() + setup.values[1].unwrap();
            libm::cos((phase - wanted).to_radians())
        });
        assert_eq!(found.values, expected.map(Some), "{wanted}");
    }
}

#[test]
fn a_knob_without_a_switch_leaves_the_quarter_out_that_it_cannot_take() {
    let system = system("[[control]]\nrole = \"phase\"\nlow = 0.0\nhigh = 180.0\n");
    let around = Setup { values: vec![Some(90.0)], own: Own::default() };
    let search = Search::tree(&system, &around, 0, &phase_tree(), 5).unwrap();
    let found = run(search, &system, |setup| libm::cos((setup.values[0].unwrap() - 290.0).to_radians()));
    assert_eq!(found.values, [Some(0.0)]);
}

#[test]
fn a_contour_is_narrowed_to_its_favourite() {
    let system = system("[[control]]\nrole = \"contour\"\nlow = -8.0\nhigh = 8.0\n");
    let around = Setup { values: vec![Some(0.0)], own: Own::default() };
    for favourite in [-8.0, -4.0, -2.0, 0.0, 2.0, 8.0] {
        let search = Search::narrow(&system, &around, 0, 9).unwrap();
        let found = run(search, &system, |setup| -(setup.values[0].unwrap() - favourite).abs() - 1e-9);
        assert!((found.values[0].unwrap() - favourite).abs() < 1e-9, "{favourite}: {found:?}");
    }
}

#[test]
fn a_scan_finds_delay_and_polarity_within_a_sixteenth_of_a_period() {
    let system = system(KNOB);
    let around = Setup { values: vec![Some(0.0), Some(0.0)], own: Own::default() };
    for (true_s, inverted) in [(0.011, false), (-0.0143, true), (0.002, true)] {
        let fullness = |setup: &Setup| {
            // Two equal signals over the octave around 80 Hz.
            let power = (-6..=6).map(|step| {
                let hz = 80.0 * libm::exp2(f64::from(step) / 12.0);
                let turn = std::f64::consts::TAU * hz * (setup.own.later_s - true_s);
                let sign = if setup.own.inverted == inverted { 1.0 } else { -1.0 };
                2.0 + 2.0 * sign * libm::cos(turn)
            });
            power.sum::<f64>()
        };
        let found = run(Search::scan(&around, 80.0, 3), &system, fullness);
        assert_eq!(found.own.inverted, inverted);
        assert!((found.own.later_s - true_s).abs() <= 0.25 / 80.0 / 8.0 + 1e-9, "{true_s}: {found:?}");
    }
}

#[test]
fn time_goes_into_the_distance_and_polarity_into_its_switch() {
    let system = system(&format!(
        "{KNOB}[[control]]\nrole = \"distance\"\non = \"processor\"\nunit = \"ft\"\nlow = 0.0\nhigh = 60.0\nstep = 0.5\n"
    ));
    let own = Own { inverted: true, later_s: -12.433_566_434e-3, ..Own::default() };
    let setup = Setup { values: vec![Some(0.0), Some(0.0), Some(10.0)], own };
    let (into, left) = translated(&system, &setup, 80.0);
    // Earlier by 14 ft of sound is a subwoofer 14 ft farther.
    assert_eq!(into.values, [Some(0.0), Some(180.0), Some(24.0)]);
    assert!(left.later_s.abs() < 1e-6 && !left.inverted, "{left:?}");
}

#[test]
fn without_a_distance_the_phase_knob_takes_the_turn_at_the_crossover() {
    let system = system(KNOB);
    // A quarter of a period at 80 Hz is 3.125 ms: 90 degrees.
    let setup = Setup { values: vec![Some(0.0), Some(0.0)], own: Own { later_s: 3.125e-3, ..Own::default() } };
    assert_eq!(translated(&system, &setup, 80.0).0.values, [Some(90.0), Some(0.0)]);
    let earlier = Setup { own: Own { later_s: -3.125e-3, ..Own::default() }, ..setup };
    assert_eq!(translated(&system, &earlier, 80.0).0.values, [Some(90.0), Some(180.0)]);
}
