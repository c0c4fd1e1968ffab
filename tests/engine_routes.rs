//! The way to the channels: delay, polarity and gain are exact, and changed while a tone sounds they make no click.

mod support;

use std::f64::consts::{PI, TAU};

use evenbass::acoustics::air;
use evenbass::engine::{Cause, Engine, EngineError, Moment, OfflineSink, Order, Outputs, Polarity, Recording, ToneId};
use evenbass::units::{Dbfs, FrameCount, GainDb, SampleRate};
use proptest::prelude::*;
use support::tones::{Constant, sine, sine_of};

const RATE: SampleRate = SampleRate::HZ_48000;

fn two_channels() -> (Engine, Recording) {
    let (sink, recording) = OfflineSink::collect();
    let mut engine = Engine::offline(RATE, 2, sink);
    engine.set_ceiling(Dbfs::new(-3.0));
    (engine, recording)
}

fn advance(engine: &mut Engine, frames: u64) {
    engine.beat();
    engine.advance(FrameCount(frames));
}

fn channel(samples: &[f32], channel: usize) -> Vec<f64> {
    samples.iter().skip(channel).step_by(2).map(|sample| f64::from(*sample)).collect()
}

/// By how many frames one steady tone is behind another, and its level against it; whole periods expected.
fn behind(late: &[f64], early: &[f64], step_rad: f64) -> (f64, f64) {
    let against = |samples: &[f64]| {
        samples.iter().enumerate().fold((0.0, 0.0), |(re, im), (n, sample)| {
            let (sine, cosine) = (step_rad * n as f64).sin_cos();
            (re + sample * cosine, im - sample * sine)
        })
    };
    let ((a, b), (c, d)) = (against(late), against(early));
    let phase = (b.atan2(a) - d.atan2(c)).rem_euclid(TAU);
    (TAU - phase, (a.hypot(b) / c.hypot(d)).log10() * 20.0)
}

#[test]
fn a_speaker_five_metres_nearer_is_delayed_by_exactly_the_time_of_five_metres() {
    // 5 m at 343.2 m/s (ISO 9613-1:1993, 20 °C) are 14.569 ms; 14 ft are 12.4336 ms.
    for (metres, expected_s) in [(5.0, 14.569e-3), (14.0 * air::FOOT_M, 12.4336e-3)] {
        let delay_s = air::delay_s(metres, 20.0);
        assert!((delay_s - expected_s).abs() < 5e-7);
        for hz in [20.0, 50.0, 120.0, 500.0] {
            let (mut engine, recording) = two_channels();
            engine.allow_deep_bass(true);
            let outputs = Outputs::all(&[0, 1]).delayed(1, delay_s);
            engine.start(Order { outputs, ..sine(1, hz, -20.0) }).unwrap();
            advance(&mut engine, 57_600);
            // A second of steady sound holds whole periods of all four.
            let samples = &recording.take()[2 * 9_600..];
            let step = TAU * hz / 48_000.0;
            let (phase, level_db) = behind(&channel(samples, 1), &channel(samples, 0), step);
            let error = (phase - step * delay_s * 48_000.0).rem_euclid(TAU);
            let frames = error.min(TAU - error) / step;
            assert!(frames < 1e-4, "{metres} m at {hz} Hz: {frames} frames off");
            assert!(level_db.abs() < 1e-3, "{level_db} dB");
        }
    }
}

#[test]
fn a_whole_delay_copies_and_an_inversion_negates_every_sample() {
    let (mut engine, recording) = two_channels();
    let outputs = Outputs::one(0).and(1, GainDb::ZERO, Polarity::Inverted).delayed(1, 0.01);
    engine.start(Order { outputs, ..sine(1, 50.0, -20.0) }).unwrap();
    advance(&mut engine, 20_000);
    let samples = recording.take();
    let (plain, late) = (channel(&samples, 0), channel(&samples, 1));
    assert!(late[..480].iter().all(|sample| *sample == 0.0));
    assert!(late[480..].iter().zip(&plain).all(|(late, plain)| *late == -plain));
}

#[test]
fn a_stop_ends_delayed_channels_with_the_others() {
    let (mut engine, recording) = two_channels();
    engine.start(Order { outputs: Outputs::all(&[0, 1]).delayed(1, 0.1), ..sine(1, 50.0, -20.0) }).unwrap();
    advance(&mut engine, 24_000);
    engine.emergency_stop();
    advance(&mut engine, 12_000);
    let samples = recording.take();
    let last = samples.iter().rposition(|sample| *sample != 0.0).unwrap() / 2;
    assert!(last < 24_000 + 128 + 2_400, "{last}");
    let mut moments = Vec::new();
    engine.poll(&mut moments);
    assert!(matches!(moments.last(), Some(Moment::Finished { cause: Cause::Emergency, .. })));
}

#[test]
fn a_change_of_route_is_a_cross_fade_as_long_as_a_start() {
    let (mut engine, recording) = two_channels();
    let order = Order { source: Box::new(Constant(1.0)), outputs: Outputs::one(0), ..sine(1, 50.0, -20.0) };
    engine.start(order).unwrap();
    advance(&mut engine, 6_400);
    engine.set_outputs(ToneId(1), Outputs::one(1)).unwrap();
    // Of two changes asked for during the first, the last one counts.
    engine.set_outputs(ToneId(1), Outputs::one(0)).unwrap();
    engine.set_outputs(ToneId(1), Outputs::NONE.and(1, GainDb::ZERO, Polarity::Inverted)).unwrap();
    advance(&mut engine, 12_800);
    let samples = recording.take();
    let (left, right) = (channel(&samples, 0), channel(&samples, 1));
    // Both together are the whole signal until the first change is over.
    let begun = 2_400 + left[2_400..].iter().position(|sample| *sample != f64::from(0.1_f32)).unwrap();
    assert!((6_400..=6_400 + 129).contains(&begun), "{begun}");
    for frame in begun..begun + 2_399 {
        assert!((left[frame] + right[frame] - 0.1).abs() < 1e-7, "{frame}");
    }
    assert!(left[begun + 2_432..].iter().all(|sample| *sample == 0.0));
    assert_eq!(*right.last().unwrap(), f64::from(-0.1_f32));
}

#[test]
fn a_route_above_the_ceiling_or_to_nowhere_is_refused_and_the_tone_goes_on() {
    let (mut engine, recording) = two_channels();
    engine.set_ceiling(Dbfs::new(-30.0));
    engine.start(sine(1, 50.0, -35.0)).unwrap();
    let tone = ToneId(1);
    let louder = Outputs::NONE.and(0, GainDb::new(6.0), Polarity::Normal);
    assert!(matches!(engine.set_outputs(tone, louder), Err(EngineError::AboveCeiling { .. })));
    assert_eq!(engine.set_outputs(tone, Outputs::NONE), Err(EngineError::NoChannel));
    assert_eq!(engine.set_outputs(tone, Outputs::one(2)), Err(EngineError::NoSuchChannel { channel: 2, channels: 2 }));
    let late = engine.set_outputs(tone, Outputs::one(0).delayed(0, 0.1001)).unwrap_err();
    assert_eq!(
        late.to_string(),
        "Output channel 1 cannot be delayed by 100.100 ms: from 0 to 100 ms can be asked for."
    );
    assert!(engine.set_outputs(tone, Outputs::one(0).delayed(0, f64::NAN)).is_err());
    assert_eq!(engine.set_outputs(ToneId(2), Outputs::one(0)), Err(EngineError::NoSuchTone { tone: ToneId(2) }));
    // A gain that was accepted counts when the level is raised.
    engine.set_outputs(tone, Outputs::NONE.and(0, GainDb::new(4.0), Polarity::Normal)).unwrap();
    assert!(matches!(engine.set_level(tone, Dbfs::new(-33.0)), Err(EngineError::AboveCeiling { .. })));
    advance(&mut engine, 9_600);
    assert!(recording.take().iter().any(|sample| *sample != 0.0));
}

/// A gain in dB, a polarity and a delay for each of two channels; `None` where nothing sounds.
fn routes() -> impl Strategy<Value = Outputs> {
    let way = || prop::option::of((-12.0..0.0_f64, any::<bool>(), 0.0..0.1_f64));
    (way(), way()).prop_map(|ways| {
        let ways = [ways.0.or(Some((-3.0, false, 0.0))), ways.1];
        (0..).zip(ways).fold(Outputs::NONE, |outputs, (channel, way)| match way {
            Some((db, inverted, delay_s)) => {
                let polarity = if inverted { Polarity::Inverted } else { Polarity::Normal };
                outputs.and(channel, GainDb::new(db), polarity).delayed(channel, delay_s)
            }
            None => outputs,
        })
    })
}

fn rendered(changes: &[(Outputs, u64)], frequency_hz: f64, blocks: &[u64]) -> Vec<f32> {
    let (mut engine, recording) = two_channels();
    engine.allow_deep_bass(true);
    engine.start(Order { outputs: changes[0].0, ..sine_of(1, frequency_hz, -20.0, 80_000) }).unwrap();
    let mut sizes = blocks.iter().cycle();
    for (outputs, frames) in changes {
        let _ = engine.set_outputs(ToneId(1), *outputs);
        let mut left = *frames;
        while left > 0 {
            let block = left.min(*sizes.next().unwrap());
            advance(&mut engine, block);
            left -= block;
        }
    }
    advance(&mut engine, 12_000);
    recording.take()
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(200) })]

    #[test]
    fn changes_of_route_make_no_click_and_do_not_depend_on_the_block_size(
        changes in prop::collection::vec((routes(), 1..12_000_u64), 1..6),
        frequency_hz in 20.0..120.0_f64,
        blocks in prop::collection::vec(1..3000_u64, 1..6),
    ) {
        let samples = rendered(&changes, frequency_hz, &[100_000]);
        let split = rendered(&changes, frequency_hz, &blocks);
        prop_assert!(samples.iter().zip(&split).all(|(a, b)| a.to_bits() == b.to_bits()));
        // The tone's own curvature, and that of a start, a stop and a cross-fade at once, from one way to its opposite.
        let ramp = (2.0 / frequency_hz).max(0.05) * 48_000.0;
        let bound = 0.1 * 2.0 * (TAU * frequency_hz / 48_000.0 + 3.0 * PI / ramp).powi(2) / 2.0 + 4e-8;
        for one in [channel(&samples, 0), channel(&samples, 1)] {
            let bend = one.windows(3).map(|s| (s[2] - 2.0 * s[1] + s[0]).abs()).fold(0.0, f64::max);
            prop_assert!(bend < bound, "{bend} against {bound}");
        }
    }
}
