use super::*;

const LINE: &str = "name = \"den\"\nconnection = \"line\"\ntwo_channel = true\nmains_low_hz = 60.0\n\n\
                    [[control]]\nrole = \"low-pass\"\nunit = \"Hz\"\nlow = 40.0\nhigh = 160.0\n\n\
                    [[control]]\nrole = \"phase\"\nlow = 0.0\nhigh = 180.0\nstep = 15.0\n\n\
                    [[control]]\nrole = \"polarity\"\n\n\
                    [[control]]\nrole = \"delay\"\nunit = \"ms\"\nlow = 0.0\nhigh = 20.0\n";

fn line(values: [f64; 4]) -> Prediction {
    let system = System::parse("den.toml", LINE).unwrap();
    predicted(&system, &values.map(Some), &[None; 4], 60.0, 1).unwrap()
}

#[test]
fn the_curve_is_that_of_the_filters_phase_polarity_and_delay() {
    // numpy 1.26.4, from the transfer functions in complex arithmetic: Butterworth of second order at 60 Hz;
    // Linkwitz-Riley of fourth order; a first-order all-pass at 60 Hz; exp(-2*pi*j*f*tau); the power averaged over a
    // sixth of an octave by the trapezoid rule.
    for (values, worst_db, curve_db) in [
        ([60.0, 0.0, 0.0, 0.0], 1.483_427, [-1.483_427, 0.090_151, 1.333_620]),
        ([60.0, 90.0, 180.0, 0.0], 7.622_828, [3.715_596, -4.758_945, 6.053_848]),
        ([45.0, 90.0, 0.0, 5.0], 2.535_951, [2.066_368, -1.896_480, 2.535_951]),
    ] {
        let prediction = line(values);
        assert!((prediction.worst_db - worst_db).abs() < 1e-5, "{values:?}: {}", prediction.worst_db);
        for (at, expected_db) in [0, 12, 24].into_iter().zip(curve_db) {
            assert!((prediction.curve[at].1 - expected_db).abs() < 1e-5, "{values:?}: {:?}", prediction.curve[at]);
        }
    }
}

#[test]
fn the_best_phase_and_the_best_time_are_named() {
    let prediction = line([60.0, 0.0, 0.0, 0.0]);
    // numpy as above, the phase in steps of 15 degrees.
    let (at, degrees, worst_db) = prediction.best[0];
    assert_eq!((at, degrees), (1, 75.0));
    assert!((worst_db - 0.617_781).abs() < 1e-5, "{worst_db}");
    let (at, ms, worst_db) = prediction.best[1];
    assert_eq!(at, 3);
    assert!(ms < 20.0 && worst_db <= prediction.worst_db, "{ms} {worst_db}");
}

#[test]
fn a_distance_that_takes_up_a_late_link_leaves_both_equally_late() {
    let text = "name = \"loft\"\nconnection = \"lfe\"\nmains_low_hz = 60.0\nwireless = true\nlatency_ms = 5.827505827505828\n\n\
                [[control]]\nrole = \"crossover\"\non = \"processor\"\nunit = \"Hz\"\nlow = 40.0\nhigh = 160.0\n\n\
                [[control]]\nrole = \"distance\"\non = \"processor\"\nunit = \"m\"\nlow = 0.0\nhigh = 20.0\n";
    let system = System::parse("loft.toml", text).unwrap();
    let at = |distance_m: f64| {
        let values = [Some(80.0), Some(distance_m)];
        predicted(&system, &values, &[Some(100.0), Some(3.0)], 60.0, 1).unwrap()
    };
    // 2 m at 343.2 m/s are 5.8275 ms. numpy as above: main speakers through 60 Hz and 80 Hz, subwoofer through 80 Hz.
    let taken_up = at(5.0);
    assert!((taken_up.worst_db - 0.300_087).abs() < 1e-5, "{}", taken_up.worst_db);
    assert!(taken_up.from.iter().any(|words| words == "both equally late"), "{:?}", taken_up.from);
    let late = at(3.0);
    assert!(late.from.iter().any(|words| words == "the subwoofer 5.8 ms after the main speakers"), "{:?}", late.from);
    assert!(at(9.0).from.iter().any(|words| words.contains("11.7 ms before")));
}

#[test]
fn the_doubt_holds_the_curve_and_grows_with_what_is_not_known() {
    let prediction = line([60.0, 90.0, 0.0, 0.0]);
    let [low_db, high_db] = prediction.worst_range_db;
    assert!(low_db < high_db && high_db > prediction.worst_db, "{prediction:?}");
    for (band, (hz, db)) in prediction.band.iter().zip(&prediction.curve) {
        assert!((band.hz - hz).abs() < 1e-9);
        assert!(band.low_db < *db + 0.5 && band.high_db > *db - 0.5, "{band:?} {db}");
    }
    // The usual tolerances leave a couple of decibels at the least.
    assert!(prediction.band.iter().all(|band| band.high_db - band.low_db > 2.0));
}

#[test]
fn stated_slopes_are_believed_and_said_to_be_stated() {
    let of = |text: &str, values: &[f64]| {
        let system = System::parse("den.toml", text).unwrap();
        let values: Vec<Option<f64>> = values.iter().copied().map(Some).collect();
        predicted(&system, &values, &vec![None; values.len()], 60.0, 1).unwrap()
    };
    let mains = |slope: u8| {
        LINE.replace("mains_low_hz = 60.0", &format!("mains_low_hz = 60.0\nmains_slope_db_per_octave = {slope}"))
    };
    let stated = |mains_slope: u8, low_pass: u8| {
        let low_pass =
            format!("high = 160.0\nlow_pass_slope_db_per_octave = {low_pass}\n\n[[control]]\nrole = \"phase\"");
        let text = mains(mains_slope).replacen("high = 160.0\n\n[[control]]\nrole = \"phase\"", &low_pass, 1);
        of(&text, &[60.0, 0.0, 0.0, 0.0])
    };
    // numpy 1.26.4 and scipy 1.13.1: signal.butter(n, 2*pi*fc, analog=True) and freqs, twice in a row where it is
    // Linkwitz-Riley of the fourth or eighth order; smoothed as above.
    for (prediction, worst_db, curve_db) in [
        (stated(24, 12), 1.483_427, [1.333_620, 0.090_151, -1.483_427]),
        (stated(18, 48), 3.940_936, [3.646_290, -3.337_320, 1.311_530]),
    ] {
        assert!((prediction.worst_db - worst_db).abs() < 1e-5, "{}", prediction.worst_db);
        for (at, expected_db) in [0, 12, 24].into_iter().zip(curve_db) {
            assert!((prediction.curve[at].1 - expected_db).abs() < 1e-5, "{:?}", prediction.curve[at]);
        }
        assert!(!prediction.assumes_slopes);
        assert!(prediction.from.iter().all(|words| !words.contains("assumed")), "{:?}", prediction.from);
    }
    let both = stated(18, 48);
    assert_eq!(
        both.from[..2],
        [
            "main speakers down to 60 Hz, 18 dB an octave (stated)",
            "the subwoofer up to 60 Hz, 48 dB an octave (stated)"
        ]
    );
    // One of two: the other is assumed, and both are said for what they are.
    let one = of(&mains(24), &[60.0, 0.0, 0.0, 0.0]);
    assert!(one.assumes_slopes);
    assert_eq!(
        one.from[..2],
        [
            "main speakers down to 60 Hz, 24 dB an octave (stated)",
            "the subwoofer up to 60 Hz, 24 dB an octave (assumed)"
        ]
    );
    // What divides by one setting has a slope to either side.
    let crossover = of(
        "name = \"loft\"\nconnection = \"lfe\"\nmains_low_hz = 60.0\n\n[[control]]\nrole = \"crossover\"\non = \"processor\"\n\
         unit = \"Hz\"\nlow = 40.0\nhigh = 160.0\nlow_pass_slope_db_per_octave = 24\nhigh_pass_slope_db_per_octave = 24\n",
        &[80.0],
    );
    assert!((crossover.worst_db - 1.054_480).abs() < 1e-5, "{}", crossover.worst_db);
    assert!(crossover.from[1] == "their high-pass at 80 Hz, 24 dB an octave (stated)", "{:?}", crossover.from);
}

#[test]
fn a_low_pass_without_figures_says_nothing() {
    let text = LINE.replace("unit = \"Hz\"\nlow = 40.0\nhigh = 160.0", "unit = \"%\"\nlow = 0.0\nhigh = 100.0");
    let system = System::parse("den.toml", &text).unwrap();
    assert_eq!(predicted(&system, &[Some(50.0), Some(90.0), Some(0.0), Some(0.0)], &[None; 4], 60.0, 1), None);
    assert_eq!(predicted(&System::parse("den.toml", LINE).unwrap(), &[None; 4], &[None; 4], 60.0, 1), None);
}
