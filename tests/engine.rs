//! The engine on the fast clock: ramps, stops, levels, ceiling, heartbeat, independence of the block size.

mod support;

use evenbass::engine::{Cause, Engine, EngineError, Moment, OfflineSink, Order, Outputs, Polarity, Recording, ToneId};
use evenbass::units::{Dbfs, FrameCount, GainDb, SampleRate};
use support::tones::{Constant, Sine, sine, sine_of};

const RATE: SampleRate = SampleRate::HZ_48000;
/// The look-ahead and the chunk grid: a command takes effect at most this much later.
const WAIT: u64 = 128;

fn mono() -> (Engine, Recording) {
    let (sink, recording) = OfflineSink::collect();
    let mut engine = Engine::offline(RATE, 1, sink);
    engine.set_ceiling(Dbfs::new(-6.0));
    (engine, recording)
}

/// Advances with a heartbeat, as the conductor does.
fn advance(engine: &mut Engine, frames: u64) {
    let mut left = frames;
    while left > 0 {
        engine.beat();
        let step = left.min(24_000);
        engine.advance(FrameCount(step));
        left -= step;
    }
}

fn moments(engine: &mut Engine) -> Vec<Moment> {
    let mut moments = Vec::new();
    engine.poll(&mut moments);
    moments
}

fn finished(engine: &mut Engine) -> Vec<(u64, u64, u64, Cause)> {
    moments(engine)
        .into_iter()
        .filter_map(|moment| match moment {
            Moment::Finished { tone, at, frames, cause, .. } => Some((tone.0, at.0, frames.0, cause)),
            _ => None,
        })
        .collect()
}

/// The first frame from which everything is silent.
fn silent_from(samples: &[f32]) -> usize {
    samples.iter().rposition(|sample| *sample != 0.0).map_or(0, |last| last + 1)
}

#[test]
fn a_tone_with_a_length_is_exactly_that_long_and_reaches_its_level() {
    let (mut engine, recording) = mono();
    engine.start(Order { source: Box::new(Constant(1.0)), ..sine_of(7, 50.0, -20.0, 10_000) }).unwrap();
    advance(&mut engine, 12_000);
    let samples = recording.take();
    assert_eq!(samples.len(), 12_000);
    assert_eq!(samples[0], 0.0);
    assert!(samples[1] > 0.0);
    // Half the ramp of 2400 frames is half the level, whose peak is 0.1 at -20 dBFS.
    assert!((samples[1200] - 0.05).abs() < 1e-7);
    assert!(samples[2400..7600].iter().all(|sample| *sample == 0.1));
    assert!((samples[8800] - 0.05).abs() < 1e-7);
    assert_eq!(silent_from(&samples), 10_000);
    let started = Moment::Started { tone: ToneId(7), at: evenbass::units::FrameInstant(0) };
    assert_eq!(moments(&mut engine)[0], started);
}

#[test]
fn a_fade_takes_two_periods_and_at_most_a_quarter_of_a_second() {
    for (frequency_hz, ramp) in [(100.0, 2400), (25.0, 3840), (10.0, 9600), (4.0, 12_000 - WAIT)] {
        let (mut engine, recording) = mono();
        engine.start(sine(1, frequency_hz, -20.0)).unwrap();
        advance(&mut engine, 30_000);
        engine.fade(ToneId(1));
        advance(&mut engine, 20_000);
        let [(_, at, frames, Cause::Faded)] = finished(&mut engine)[..] else { panic!("one tone faded") };
        assert_eq!(at, frames);
        assert!(at >= 30_000 + ramp && at <= 30_000 + ramp + WAIT && at <= 42_000, "{frequency_hz} Hz: {at}");
        assert_eq!(silent_from(&recording.take()) as u64, at);
    }
}

#[test]
fn an_emergency_stop_takes_fifty_milliseconds_whatever_the_frequency() {
    let (mut engine, recording) = mono();
    engine.start(sine(1, 10.0, -40.0)).unwrap();
    engine.start(sine(2, 80.0, -40.0)).unwrap();
    advance(&mut engine, 40_000);
    engine.fade(ToneId(1));
    advance(&mut engine, 1000);
    engine.emergency_stop();
    advance(&mut engine, 10_000);
    let ends = finished(&mut engine);
    assert_eq!(ends.len(), 2);
    assert!(ends.iter().all(|end| end.3 == Cause::Emergency && end.1 <= 41_000 + WAIT + 2400));
    assert!(silent_from(&recording.take()) as u64 <= 41_000 + WAIT + 2400);
}

/// The block of a visit's device, frames.
const BLOCK: u64 = 1024;
/// The two stops for everything that sounds.
type Stop = fn(&mut Engine);
const STOPS: [(Stop, Cause); 2] = [(Engine::fade_all, Cause::Faded), (Engine::emergency_stop, Cause::Emergency)];

/// A tone whose level never changes by itself, so that each frame of a fade but its first shows.
fn steady() -> Order {
    Order { source: Box::new(Constant(1.0)), ..sine(1, 50.0, -50.0) }
}

/// What stopped a tone, as the engine counts it; and that the samples say the same.
fn stop_counted(moments: &[Moment], samples: &[f32], cause: Cause) -> evenbass::engine::Stopped {
    let stopped = moments.iter().find_map(|moment| match moment {
        Moment::Finished { stopped, cause: because, .. } if *because == cause => *stopped,
        _ => None,
    });
    let stopped = stopped.expect("a stop ended it");
    let full = samples.iter().copied().fold(0.0, f32::max);
    let risen = samples.iter().position(|sample| *sample == full).expect("it was loud");
    let fallen = risen + samples[risen..].iter().position(|sample| *sample != full).expect("it was stopped");
    let begun = stopped.fades_from.0 as usize;
    assert!((begun..=begun + 2).contains(&fallen), "said to fade from {begun}, and heard from {fallen}");
    stopped
}

#[test]
fn a_fade_begins_within_two_blocks_of_the_stop_where_blocks_are_asked_for() {
    for (stop, cause) in STOPS {
        let (mut engine, recording) = mono();
        engine.start(steady()).unwrap();
        advance(&mut engine, 20 * BLOCK);
        stop(&mut engine);
        advance(&mut engine, 10 * BLOCK);
        let stopped = stop_counted(&moments(&mut engine), &recording.take(), cause);
        assert_eq!(stopped.asked_at.0, 20 * BLOCK);
        assert!(stopped.fades_from.0 <= 22 * BLOCK, "{stopped:?}");
    }
}

#[test]
fn a_fade_begins_within_two_blocks_of_the_stop_on_a_device_that_asks_for_them() {
    for (stop, cause) in STOPS {
        let (blocks, taken) = crossbeam_channel::unbounded();
        let (tell, told) = crossbeam_channel::unbounded();
        let take = Box::new(move |block: &[f32]| drop(blocks.send(block.to_vec())));
        let mut engine =
            Engine::paced(RATE, 1, FrameCount(BLOCK), take, Box::new(move |moment| drop(tell.send(moment)))).unwrap();
        let mut samples: Vec<f32> = Vec::new();
        let patience = std::time::Duration::from_secs(60);
        engine.start(steady()).unwrap();
        while samples.last().is_none_or(|last| *last < 0.999 * Dbfs::new(-50.0).sine_peak() as f32) {
            samples.extend(taken.recv_timeout(patience).expect("a block"));
        }
        stop(&mut engine);
        let until = loop {
            let moment = told.recv_timeout(patience).expect("it ends");
            if let Moment::Finished { at, .. } = moment {
                break (at.0, moment);
            }
        };
        let before = samples.len() as u64;
        while (samples.len() as u64) < until.0 {
            samples.extend(taken.recv_timeout(patience).expect("a block"));
        }
        let stopped = stop_counted(&[until.1], &samples, cause);
        // What had been seen had been handed out before; the rest is counted by the engine.
        assert!(stopped.asked_at.0 >= before, "{stopped:?}, {before} were seen");
        assert!(stopped.fades_from.0 - stopped.asked_at.0 <= 2 * BLOCK, "{stopped:?}");
    }
}

#[test]
fn what_was_ordered_before_a_stop_never_sounds_and_what_was_ordered_after_does() {
    for stop in [Engine::emergency_stop, Engine::fade_all] {
        let (mut engine, recording) = mono();
        engine.start(sine(1, 50.0, -20.0)).unwrap();
        stop(&mut engine);
        advance(&mut engine, 5000);
        assert!(recording.take().iter().all(|sample| *sample == 0.0));
        assert_eq!(finished(&mut engine)[0].2, 0);
        engine.start(sine(1, 50.0, -20.0)).unwrap();
        advance(&mut engine, 5000);
        assert!(recording.take().iter().any(|sample| sample.abs() > 0.09));
    }
}

#[test]
fn without_a_heartbeat_for_two_seconds_everything_fades() {
    let (mut engine, recording) = mono();
    engine.start(sine(1, 50.0, -20.0)).unwrap();
    for _ in 0..20 {
        engine.advance(FrameCount(9600));
    }
    let [(1, at, _, Cause::HeartbeatLost)] = finished(&mut engine)[..] else { panic!("one tone lost its heartbeat") };
    assert!((96_000..96_000 + 2400 + 2 * WAIT).contains(&at), "{at}");
    assert_eq!(silent_from(&recording.take()) as u64, at);
    // An order is a sign of life.
    engine.start(sine(2, 50.0, -20.0)).unwrap();
    engine.advance(FrameCount(9600));
    assert!(recording.take().iter().any(|sample| sample.abs() > 0.09));
}

#[test]
fn a_tone_fades_by_itself_at_its_limit() {
    let (mut engine, recording) = mono();
    engine.start(Order { limit: Some(FrameCount(48_000)), ..sine(1, 50.0, -20.0) }).unwrap();
    advance(&mut engine, 60_000);
    assert_eq!(finished(&mut engine), [(1, 50_400, 50_400, Cause::TimeLimit)]);
    assert_eq!(silent_from(&recording.take()), 50_400);
}

#[test]
fn a_change_of_level_glides_for_fifty_milliseconds() {
    let (mut engine, recording) = mono();
    engine.start(Order { source: Box::new(Constant(1.0)), ..sine(1, 50.0, -40.0) }).unwrap();
    advance(&mut engine, 6400);
    engine.set_level(ToneId(1), Dbfs::new(-20.0)).unwrap();
    advance(&mut engine, 6400);
    let samples = recording.take();
    let before = samples.iter().skip(2400).position(|sample| *sample != 0.01).unwrap() + 2400;
    assert!(before as u64 >= 6400 && before as u64 <= 6401 + WAIT, "{before}");
    let arrived = samples.iter().position(|sample| *sample == 0.1).unwrap();
    assert!(arrived.abs_diff(before + 2399) <= 2, "{before} {arrived}");
    let steepest = samples.windows(2).skip(2400).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0, f32::max);
    assert!(f64::from(steepest) < 0.09 * std::f64::consts::PI / 4800.0 * 1.001);
}

#[test]
fn a_tone_that_would_pass_the_ceiling_is_refused_before_any_sound() {
    let (mut engine, recording) = mono();
    engine.set_ceiling(Dbfs::new(-30.0));
    assert!(matches!(engine.start(sine(1, 50.0, -29.0)), Err(EngineError::AboveCeiling { .. })));
    let boosted = Outputs::NONE.and(0, GainDb::new(2.0), Polarity::Normal);
    assert!(matches!(
        engine.start(Order { outputs: boosted, ..sine(1, 50.0, -31.0) }),
        Err(EngineError::AboveCeiling { .. })
    ));
    engine.start(sine(1, 50.0, -30.0)).unwrap();
    assert!(matches!(engine.set_level(ToneId(1), Dbfs::new(-29.9)), Err(EngineError::AboveCeiling { .. })));
    engine.fade_all();
    advance(&mut engine, 9600);
    assert!(recording.take().iter().all(|sample| *sample == 0.0));
}

#[test]
fn the_start_ceiling_is_minus_44_and_the_highest_minus_3() {
    let mut engine = Engine::offline(RATE, 2, OfflineSink::nothing());
    assert_eq!(engine.ceiling(), Dbfs::new(-44.0));
    engine.set_ceiling(Dbfs::new(0.0));
    assert_eq!(engine.ceiling(), Dbfs::new(-3.0));
}

#[test]
fn orders_that_make_no_sense_are_refused() {
    let (mut engine, _) = mono();
    let refused = |engine: &mut Engine, order: Order| engine.start(order).unwrap_err();
    let order = Order { outputs: Outputs::one(1), ..sine(1, 50.0, -60.0) };
    assert_eq!(refused(&mut engine, order), EngineError::NoSuchChannel { channel: 1, channels: 1 });
    let order = Order { outputs: Outputs::NONE, ..sine(1, 50.0, -60.0) };
    assert_eq!(refused(&mut engine, order), EngineError::NoChannel);
    assert!(matches!(refused(&mut engine, sine(1, f64::NAN, -60.0)), EngineError::BadNumber { .. }));
    assert!(matches!(refused(&mut engine, sine(1, 50.0, f64::NAN)), EngineError::BadNumber { .. }));
    let least = FrameCount(4800);
    let asked = FrameCount(4799);
    assert_eq!(refused(&mut engine, sine_of(1, 50.0, -60.0, 4799)), EngineError::TooShort { asked, least });
    engine.start(sine_of(1, 50.0, -60.0, 4800)).unwrap();
    assert_eq!(refused(&mut engine, sine(1, 50.0, -60.0)), EngineError::ToneInUse { tone: ToneId(1) });
    for tone in 2..=16 {
        engine.start(sine(tone, 50.0, -60.0)).unwrap();
    }
    assert_eq!(refused(&mut engine, sine(17, 50.0, -60.0)), EngineError::TooManyTones { most: 16 });
    engine.fade_all();
    advance(&mut engine, 9600);
    engine.start(sine(17, 50.0, -60.0)).unwrap();
}

#[test]
fn below_25_hz_the_level_falls_by_12_db_per_octave_unless_allowed() {
    for (allowed, expected) in [(false, 0.1 * 10_f64.powf(-12.0 / 20.0)), (true, 0.1)] {
        let (mut engine, recording) = mono();
        engine.allow_deep_bass(allowed);
        engine.start(sine(1, 12.5, -20.0)).unwrap();
        advance(&mut engine, 48_000);
        let peak = recording.take().iter().fold(0.0_f32, |peak, sample| peak.max(sample.abs()));
        assert!((f64::from(peak) - expected).abs() < 1e-6, "{peak}");
    }
}

#[test]
fn gain_and_polarity_belong_to_each_channel() {
    let (sink, recording) = OfflineSink::collect();
    let mut engine = Engine::offline(RATE, 3, sink);
    let outputs = Outputs::one(0).and(2, GainDb::new(-6.0), Polarity::Inverted);
    engine.start(Order { outputs, ..sine(1, 50.0, -60.0) }).unwrap();
    advance(&mut engine, 9600);
    for frame in recording.take().chunks(3) {
        assert_eq!(frame[1], 0.0);
        assert!((f64::from(frame[2]) + f64::from(frame[0]) * 10_f64.powf(-0.3)).abs() < 1e-9);
    }
}

#[test]
fn a_ceiling_lowered_under_a_sounding_tone_turns_it_down_without_a_click() {
    let (mut engine, recording) = mono();
    engine.start(sine(1, 40.0, -20.0)).unwrap();
    advance(&mut engine, 24_000);
    engine.set_ceiling(Dbfs::new(-32.0));
    advance(&mut engine, 24_000);
    let samples = recording.take();
    let after = &samples[24_000 + WAIT as usize + 2400..];
    let peak = after.iter().fold(0.0_f32, |peak, sample| peak.max(sample.abs()));
    assert!(f64::from(peak) <= Dbfs::new(-32.0).sine_peak());
    assert!(f64::from(peak) > Dbfs::new(-33.0).sine_peak());
    // The sine itself moves by 0.0005 a frame; the gain by less than 0.001 of it.
    let steepest = samples.windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0, f32::max);
    assert!(steepest < 0.000_7, "{steepest}");
    let mut guarded = moments(&mut engine).into_iter().filter_map(|moment| match moment {
        Moment::Guard(counts) => Some(counts),
        _ => None,
    });
    let last = guarded.next_back().unwrap();
    assert!(last.interventions >= 1 && last.clamped == 0 && last.not_finite == 0);
}

#[test]
fn a_source_that_lies_about_its_peak_meets_the_guard() {
    let (mut engine, recording) = mono();
    engine.start(Order { source: Box::new(Sine::with_factor(50.0, 100.0)), ..sine(1, 50.0, -10.0) }).unwrap();
    engine.start(Order { source: Box::new(Constant(f64::NAN)), ..sine(2, 50.0, -10.0) }).unwrap();
    advance(&mut engine, 4800);
    engine.fade(ToneId(2));
    advance(&mut engine, 48_000);
    let ceiling = Dbfs::new(-6.0).sine_peak();
    let samples = recording.take();
    assert!(samples.iter().all(|sample| sample.is_finite() && f64::from(sample.abs()) <= ceiling));
    assert!(samples[20_000..].iter().any(|sample| f64::from(sample.abs()) > 0.9 * ceiling));
}

#[test]
fn an_engine_can_be_handed_to_another_thread() {
    let (mut engine, recording) = mono();
    let engine = std::thread::spawn(move || {
        engine.start(sine(1, 50.0, -20.0)).unwrap();
        advance(&mut engine, 4800);
        engine
    });
    assert_eq!(engine.join().unwrap().sounding(), 1);
    assert_eq!(recording.take().len(), 4800);
}

/// The routine and the engine may not know each other, so that each has the limits of its own; they must be the same
/// ones.
#[test]
fn the_engine_and_the_routine_mean_the_same_start_and_the_same_ceilings() {
    use evenbass::routine::levels;
    assert_eq!(evenbass::engine::START_LEVEL, levels::START);
    assert_eq!(evenbass::engine::CEILING_OVER_REFERENCE, levels::CEILING_OVER_REFERENCE);
    assert_eq!(evenbass::engine::HIGHEST_CEILING, levels::HIGHEST_CEILING);
    // A device that has just been opened stands where a visit does that has just begun.
    let engine = Engine::offline(SampleRate::HZ_48000, 2, OfflineSink::nothing());
    assert_eq!(engine.ceiling(), levels::ceiling_for(levels::START));
}
