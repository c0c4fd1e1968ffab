use super::*;
use crate::acoustics::crossover::{Alignment as Slope, EvenOrder, Order, Side};

const CORNER_HZ: f64 = 80.0;
const RATIOS: [f64; 5] = [0.5, std::f64::consts::FRAC_1_SQRT_2, 1.0, std::f64::consts::SQRT_2, 2.0];

fn butterworth(order: u8) -> Slope {
    Slope::Butterworth(Order::try_from(order).unwrap())
}

fn linkwitz_riley(order: u8) -> Slope {
    Slope::LinkwitzRiley(EvenOrder::try_from(order).unwrap())
}

fn path(alignment: Slope, side: Side, corner_hz: f64) -> Path {
    Path { filters: vec![Filter { alignment, side, corner_hz }], ..Path::default() }
}

fn pair(alignment: Slope) -> Sum {
    Sum {
        mains: path(alignment, Side::HighPass, CORNER_HZ),
        subwoofer: path(alignment, Side::LowPass, CORNER_HZ),
        crossover_hz: CORNER_HZ,
    }
}

fn unequal(delay_ms: f64, inverted: bool, gain_db: f64) -> Sum {
    let low = path(linkwitz_riley(4), Side::LowPass, 90.0);
    Sum {
        mains: path(butterworth(2), Side::HighPass, 70.0),
        subwoofer: Path { delay_s: delay_ms * 1e-3, inverted, gain_db, ..low },
        crossover_hz: CORNER_HZ,
    }
}

#[test]
fn equal_pairs_sum_as_scipy_says_from_6_to_48_db_per_octave() {
    // scipy 1.17.1, benches/reference/crossover_sums.py; below -200 dB it is a complete cancellation.
    let null = -200.0;
    for (alignment, in_phase, inverted) in [
        (butterworth(1), [0.0; 5], [0.0; 5]),
        (butterworth(2), [-2.7621, -6.9897, null, -6.9897, -2.7621], [1.6749, 2.5527, 3.0103, 2.5527, 1.6749]),
        (butterworth(3), [0.0; 5], [0.0; 5]),
        (butterworth(4), [0.5096, 1.6749, 3.0103, 1.6749, 0.5096], [-0.5775, -2.7621, null, -2.7621, -0.5775]),
        (butterworth(5), [0.0; 5], [0.0; 5]),
        (butterworth(6), [-0.1378, -1.2272, null, -1.2272, -0.1378], [0.1336, 0.9557, 3.0103, 0.9557, 0.1336]),
        (butterworth(7), [0.0; 5], [0.0; 5]),
        (butterworth(8), [0.0338, 0.5096, 3.0103, 0.5096, 0.0338], [-0.0341, -0.5775, null, -0.5775, -0.0341]),
        (linkwitz_riley(2), [-4.437, -9.5424, null, -9.5424, -4.437], [0.0; 5]),
        (linkwitz_riley(4), [0.0; 5], [-1.0872, -4.437, null, -4.437, -1.0872]),
        (linkwitz_riley(8), [0.0; 5], [-0.0679, -1.0872, null, -1.0872, -0.0679]),
    ] {
        for (turned_over, expected) in [(false, in_phase), (true, inverted)] {
            let sum = pair(alignment).with(0.0, turned_over);
            for (ratio, expected_db) in RATIOS.into_iter().zip(expected) {
                let level_db = sum.level_db(CORNER_HZ * ratio);
                assert!((level_db - expected_db).abs() < 6e-5, "{alignment:?} {turned_over} {ratio}: {level_db}");
            }
        }
    }
}

#[test]
fn unequal_pairs_with_delay_polarity_and_level_sum_as_scipy_says() {
    // scipy 1.17.1 (levels in dB) and 1.13.1 (the smoothed curve's worst deviation),
    // benches/reference/crossover_sums.py.
    for (delay_ms, inverted, gain_db, expected, worst_db) in [
        (0.0, false, 0.0, [-3.1391, -5.1429, -2.7955, -0.1644, 0.2489], 2.615),
        (3.125, false, 3.0, [2.2247, 3.1615, 4.1271, 2.1163, -0.6568], 1.4256),
        (12.433_566_4, true, -4.0, [-9.0861, -0.8792, 0.4317, -1.4086, -0.3603], 2.6926),
        (-5.0, true, 6.0, [6.6383, 6.1516, 3.7182, -1.0425, -1.8894], 4.2583),
        (7.5, false, -2.0, [0.044, 1.7848, -1.0561, -2.3477, 0.4508], 3.3458),
    ] {
        let sum = unequal(delay_ms, inverted, gain_db);
        for (ratio, expected_db) in RATIOS.into_iter().zip(expected) {
            assert!((sum.level_db(CORNER_HZ * ratio) - expected_db).abs() < 6e-5, "{delay_ms} ms at {ratio}");
        }
        assert!((sum.worst_deviation_db() - worst_db).abs() < 6e-5, "{delay_ms} ms: {}", sum.worst_deviation_db());
    }
}

#[test]
fn the_curve_that_counts_goes_from_an_octaves_lower_edge_to_its_upper_one() {
    let curve = pair(linkwitz_riley(4)).smoothed();
    let (first, last) = (curve[0].0, curve[curve.len() - 1].0);
    assert!((first - CORNER_HZ * RATIOS[1]).abs() < 1e-9 && (last - CORNER_HZ * RATIOS[3]).abs() < 1e-9);
}

#[test]
fn a_late_low_section_costs_what_the_table_says() {
    // Linkwitz-Riley of the fourth order at 80 Hz with extra delay on the low section, in phase and inverted, dB at
    // 80 Hz:
    // |cos(180° f τ)| and |sin(180° f τ)|.
    for (delay_ms, in_phase_db, inverted_db) in [
        (0.5, -0.0688, -18.0387),
        (1.0, -0.2773, -12.0868),
        (2.0, -1.1469, -6.3435),
        (3.125, -3.0103, -3.0103),
        (5.0, -10.2004, -0.4359),
    ] {
        let sum = pair(linkwitz_riley(4)).with(delay_ms * 1e-3, false);
        assert!((sum.level_db(CORNER_HZ) - in_phase_db).abs() < 6e-5);
        assert!((sum.with(0.0, true).level_db(CORNER_HZ) - inverted_db).abs() < 6e-5);
        // The same by distance: 343.2 m/s.
        let mut far = pair(linkwitz_riley(4));
        far.subwoofer.distance_m = 0.3432 * delay_ms;
        assert!((far.level_db(CORNER_HZ) - in_phase_db).abs() < 6e-5);
    }
}

#[test]
fn two_coherent_sources_add_as_tabulated() {
    // 10·lg(1 + g² + 2g·cos φ), g = 10^(-d/20), dB over the stronger one; angles made by a delay at 100 Hz.
    for (degrees, apart_db, expected_db) in [
        (0.0, 0.0, 6.0206),
        (60.0, 6.0, 2.4363),
        (90.0, 3.0, 1.7643),
        (135.0, 10.0, -1.8523),
        (170.0, 3.0, -9.7140),
        (180.0, 6.0, -6.0412),
    ] {
        let subwoofer = Path { gain_db: -apart_db, delay_s: degrees / 36_000.0, ..Path::default() };
        let sum = Sum { mains: Path::default(), subwoofer, crossover_hz: 100.0 };
        assert!((sum.level_db(100.0) - expected_db).abs() < 6e-5, "{degrees}° {apart_db} dB");
    }
}

#[test]
fn the_best_delay_and_polarity_are_the_textbooks() {
    let delays_s: Vec<f64> = (-40..=40).map(|step| f64::from(step) * 0.25e-3).collect();
    // Fourth-order Linkwitz-Riley is flat as it is; second-order with one turned over.
    let [best, other] = pair(linkwitz_riley(4)).best_delay(&delays_s).unwrap();
    assert_eq!((best.inverted, best.later_s), (false, 0.0));
    assert!(best.worst_db < 1e-6 && best.at_crossover_db.abs() < 1e-6 && other.inverted && other.worst_db > 0.2);
    let [best, _] = pair(linkwitz_riley(2)).best_delay(&delays_s).unwrap();
    assert_eq!((best.inverted, best.later_s), (true, 0.0));
    // A subwoofer 14 ft late behind its wireless link is brought forward by as much, and the distance says 14 ft more.
    let late = pair(linkwitz_riley(4)).with(14.0 * air::FOOT_M / air::SPEED_AT_20_C_M_PER_S, false);
    let fine_s: Vec<f64> = (-160..=0).map(|step| f64::from(step) * 0.1e-3).collect();
    let [best, _] = late.best_delay(&fine_s).unwrap();
    assert!(!best.inverted && (best.later_s + 12.4e-3).abs() < 0.06e-3, "{best:?}");
    let distance_m = Sum::distance_for(3.0, -14.0 * air::FOOT_M / air::SPEED_AT_20_C_M_PER_S);
    assert!((distance_m - 3.0 - 4.2672).abs() < 1e-9);
    assert_eq!(late.best_delay(&[]), None);
}

#[test]
fn a_phase_control_turns_as_printed_at_its_frequency_and_passes_everything() {
    for degrees in [0.0, 45.0, 90.0, 135.0, 180.0, 270.0] {
        let control = PhaseControl { degrees, at_hz: 80.0 };
        let turned = control.response(80.0);
        assert!(((turned.phase_deg() + degrees + 180.0).rem_euclid(360.0) - 180.0).abs() < 1e-9, "{degrees}");
        for hz in [20.0, 55.0, 160.0] {
            assert!(control.response(hz).db().abs() < 1e-9);
        }
    }
    // scipy.signal.freqs([-1, w0], [1, w0], w) for 90 degrees, w0 = 2π80: -53.1301° at 40 Hz, -126.8699° at 160 Hz.
    let quarter = PhaseControl { degrees: 90.0, at_hz: 80.0 };
    assert!((quarter.response(40.0).phase_deg() + 53.1301).abs() < 1e-4);
    assert!((quarter.response(160.0).phase_deg() + 126.8699).abs() < 1e-4);
    // A second-order Linkwitz-Riley pair wired in phase wants the control at its inverting end.
    let (degrees, worst_db) = pair(linkwitz_riley(2)).best_phase(&[0.0, 45.0, 90.0, 135.0, 180.0], 80.0).unwrap();
    assert_eq!(degrees, 180.0);
    assert!(worst_db < 1e-6);
}

#[test]
fn the_doubt_is_that_of_the_figures() {
    let sum = pair(linkwitz_riley(4));
    let none = Tolerance { corner_octaves: 0.0, phase_degrees: 0.0, level_db: 0.0, delay_s: 0.0, distance_m: 0.0 };
    let sure = sum.doubt(&none, 100, 1);
    assert!(sure.band.iter().all(|band| (band.high_db - band.low_db).abs() < 1e-9));
    assert!(sure.worst_db[2] < 1e-6);
    // Levels alone: at the corner both halves are equal, so the sum's own spread is σ/√2 of one: 5 to 95 % is
    // 2·1.645·σ/√2.
    let levels = Tolerance { level_db: 1.0, ..none };
    let doubt = sum.doubt(&levels, 4000, 2);
    let middle = doubt.band[doubt.band.len() / 2];
    assert!((middle.high_db - middle.low_db - 2.0 * 1.645 / 2_f64.sqrt()).abs() < 0.12, "{middle:?}");
    // Delay alone, 1 ms on each path: the difference is normal with √2 ms, and 95 % of them lie within 1.96·√2 ms; the
    // level at the corner then falls to |cos(180° f τ)| (smoothed, hence the tolerance).
    let delays = Tolerance { delay_s: 1e-3, ..none };
    let band = sum.doubt(&delays, 4000, 3).band;
    let middle = band[band.len() / 2];
    let expected_db = 20.0 * libm::log10(libm::cos(PI * 80.0 * 1.96 * 2_f64.sqrt() * 1e-3));
    assert!((middle.low_db - expected_db).abs() < 0.25, "{} and {expected_db}", middle.low_db);
    let usual = sum.doubt(&Tolerance::USUAL, 400, 4);
    assert!(usual.worst_db[0] < usual.worst_db[1] && usual.worst_db[1] < usual.worst_db[2]);
}
