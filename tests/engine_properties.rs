//! Whatever is ordered: no sample above the ceiling, none that is not a number, no click, silence after a stop, and the
//! same samples for every block size. 10,000 random command sequences in all.

mod support;

use evenbass::engine::{Engine, GuardCounts, Moment, OfflineSink, Order, Outputs, Recording, ToneId};
use evenbass::signal::{CHUNK, Source};
use evenbass::units::{Dbfs, FrameCount, SampleRate};
use proptest::prelude::*;

/// Low, so that ten thousand sequences take seconds. Everything in the engine counts frames.
const RATE_HZ: u32 = 8000;
const CHANNELS: u16 = 2;
/// 50 ms.
const RAMP: usize = 400;
/// A command takes effect at most this many frames later.
const WAIT: usize = 128;
/// A stop takes at most 250 ms, waiting included.
const LONGEST_STOP: usize = 2000;

#[derive(Debug, Clone, Copy)]
enum Kind {
    Sine,
    /// Louder than its order says.
    Liar,
    /// Not a number every now and then, and jumps.
    Broken,
}

#[derive(Debug, Clone, Copy)]
struct Start {
    tone: u64,
    kind: Kind,
    frequency_hz: f64,
    level_dbfs: f64,
    length: Option<u64>,
    limit: Option<u64>,
    channel: u16,
}

#[derive(Debug, Clone, Copy)]
enum Act {
    Start(Start),
    Level(u64, f64),
    Fade(u64),
    FadeAll,
    Emergency,
    Ceiling(f64),
    Beat,
}

/// An act, and the frames until the next one.
type Script = Vec<(Act, u64)>;

struct Signal {
    kind: Kind,
    cycles_per_frame: f64,
    frame: u64,
}

impl Source for Signal {
    fn next_chunk(&mut self, out: &mut [f64; CHUNK]) {
        for (sample, frame) in out.iter_mut().zip(self.frame..) {
            let sine = (std::f64::consts::TAU * self.cycles_per_frame * frame as f64).sin();
            *sample = match self.kind {
                Kind::Sine => sine,
                Kind::Liar => 300.0 * sine,
                Kind::Broken if frame % 97 == 0 => f64::NAN,
                Kind::Broken if frame % 389 == 0 => f64::NEG_INFINITY,
                Kind::Broken if frame % 211 < 100 => 1e300,
                Kind::Broken => -1.0,
            };
        }
        self.frame += CHUNK as u64;
    }
}

fn order(start: Start) -> Order {
    let cycles_per_frame = start.frequency_hz / f64::from(RATE_HZ);
    Order {
        tone: ToneId(start.tone),
        source: Box::new(Signal { kind: start.kind, cycles_per_frame, frame: 0 }),
        peak: 1.0,
        lowest_hz: start.frequency_hz,
        level: Dbfs::new(start.level_dbfs),
        length: start.length.map(FrameCount),
        limit: start.limit.map(FrameCount),
        outputs: Outputs::one(start.channel),
    }
}

fn starts(kinds: &'static [Kind], levels: std::ops::Range<f64>) -> impl Strategy<Value = Start> {
    let ends = (prop::option::of(0..4000_u64), prop::option::of(1..3000_u64));
    let place = (0..6_u64, 0..CHANNELS);
    (place, prop::sample::select(kinds), 8.0..110.0, levels, ends).prop_map(
        |((tone, channel), kind, frequency_hz, level_dbfs, (length, limit))| Start {
            tone,
            kind,
            frequency_hz,
            level_dbfs,
            length,
            limit,
            channel,
        },
    )
}

fn scripts(
    kinds: &'static [Kind],
    levels: std::ops::Range<f64>,
    ceilings: std::ops::Range<f64>,
) -> impl Strategy<Value = Script> {
    let act = prop_oneof![
        6 => starts(kinds, levels.clone()).prop_map(Act::Start),
        3 => (0..6_u64, levels).prop_map(|(tone, level)| Act::Level(tone, level)),
        2 => (0..6_u64).prop_map(Act::Fade),
        1 => Just(Act::FadeAll),
        1 => Just(Act::Emergency),
        2 => ceilings.prop_map(Act::Ceiling),
        1 => Just(Act::Beat),
    ];
    prop::collection::vec((act, 0..1200_u64), 1..12)
}

fn engine(ceiling_dbfs: f64) -> (Engine, Recording) {
    let (sink, recording) = OfflineSink::collect();
    let rate = SampleRate::new(RATE_HZ).expect("not zero");
    let mut engine = Engine::offline(rate, CHANNELS, sink);
    engine.set_ceiling(Dbfs::new(ceiling_dbfs));
    engine.allow_deep_bass(true);
    (engine, recording)
}

/// Refusals are part of the game.
fn perform(engine: &mut Engine, act: Act) {
    match act {
        Act::Start(start) => drop(engine.start(order(start))),
        Act::Level(tone, level_dbfs) => drop(engine.set_level(ToneId(tone), Dbfs::new(level_dbfs))),
        Act::Fade(tone) => engine.fade(ToneId(tone)),
        Act::FadeAll => engine.fade_all(),
        Act::Emergency => engine.emergency_stop(),
        Act::Ceiling(ceiling_dbfs) => engine.set_ceiling(Dbfs::new(ceiling_dbfs)),
        Act::Beat => engine.beat(),
    }
}

/// Guard counts of what was told, and how often tones started and finished.
fn account(engine: &mut Engine) -> (GuardCounts, usize, usize) {
    let mut moments = Vec::new();
    engine.poll(&mut moments);
    let mut account = (GuardCounts::default(), 0, 0);
    for moment in moments {
        match moment {
            Moment::Guard(counts) => account.0 = counts,
            Moment::Started { .. } => account.1 += 1,
            Moment::Finished { frames, .. } => account.2 += usize::from(frames.0 > 0),
            other => panic!("an offline engine does not tell {other:?}"),
        }
    }
    account
}

fn silent(samples: &[f32]) -> bool {
    samples.iter().all(|sample| *sample == 0.0)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(4000) })]

    #[test]
    fn no_sample_passes_the_ceiling_or_is_not_a_number(
        script in scripts(&[Kind::Sine, Kind::Liar, Kind::Broken], -70.0..-2.0, -50.0..0.0),
    ) {
        let (mut engine, recording) = engine(-20.0);
        // The ceilings in force, each with the frame from which it was set.
        let mut ceilings = vec![(0, engine.ceiling().sine_peak())];
        let mut frame = 0_usize;
        for (act, frames) in script {
            perform(&mut engine, act);
            ceilings.push((frame, engine.ceiling().sine_peak()));
            engine.advance(FrameCount(frames));
            frame += frames as usize;
        }
        let samples = recording.take();
        // A lowered ceiling is reached by a glide, and the fifth glide at a time waits for the first.
        let grace = WAIT + 2 * RAMP;
        for (frame, pair) in samples.chunks(usize::from(CHANNELS)).enumerate() {
            let until = ceilings.partition_point(|(since, _)| *since <= frame);
            let from = ceilings.partition_point(|(since, _)| since + grace < frame).saturating_sub(1);
            let allowed = ceilings[from..until].iter().fold(0.0_f64, |highest, (_, peak)| highest.max(*peak));
            for sample in pair {
                prop_assert!(sample.is_finite() && f64::from(sample.abs()) <= allowed, "{sample} at {frame}");
            }
        }
        let (counts, ..) = account(&mut engine);
        prop_assert_eq!(counts.clamped, 0);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(3000) })]

    #[test]
    fn nothing_clicks_and_a_stop_ends_in_silence(
        script in scripts(&[Kind::Sine], -60.0..-30.0, -4.0..-3.0),
        emergency in any::<bool>(),
    ) {
        let (mut engine, recording) = engine(-3.0);
        // No bend sharper than those of all tones together at the highest level, each with four factors in motion at a
        // time.
        let mut tones = 0;
        let mut sharpest_rad = 0.0_f64;
        for &(act, frames) in &script {
            if let Act::Start(start) = act {
                tones += 1;
                sharpest_rad = sharpest_rad.max(std::f64::consts::TAU * start.frequency_hz / f64::from(RATE_HZ));
            }
            perform(&mut engine, act);
            engine.advance(FrameCount(frames));
        }
        let before = recording.take();
        if emergency { engine.emergency_stop() } else { engine.fade_all() }
        let longest = if emergency { RAMP + WAIT } else { LONGEST_STOP };
        engine.advance(FrameCount(longest as u64));
        let mut samples = [before, recording.take()].concat();
        engine.advance(FrameCount(1000));
        let after = recording.take();
        prop_assert!(silent(&after), "sound after a stop");
        samples.extend(after);
        let factors_rad = 4.0 * std::f64::consts::PI / (2.0 * RAMP as f64);
        let allowed = f64::from(tones) * Dbfs::new(-30.0).sine_peak() * (sharpest_rad + factors_rad).powi(2);
        for channel in 0..usize::from(CHANNELS) {
            let line: Vec<f64> = samples.iter().skip(channel).step_by(usize::from(CHANNELS)).map(|s| f64::from(*s)).collect();
            for bend in line.windows(3).map(|s| (s[2] - 2.0 * s[1] + s[0]).abs()) {
                prop_assert!(bend <= allowed + 1e-8, "{bend} > {allowed}");
            }
        }
        let (counts, started, finished) = account(&mut engine);
        prop_assert_eq!(counts, GuardCounts::default());
        prop_assert_eq!(started, finished);
        prop_assert_eq!(engine.sounding(), 0);
    }

    #[test]
    fn the_block_size_changes_no_sample(
        script in scripts(&[Kind::Sine, Kind::Liar, Kind::Broken], -60.0..-10.0, -40.0..-3.0),
        blocks in prop::collection::vec(1..700_u64, 1..8),
    ) {
        let (mut whole, whole_recording) = engine(-9.0);
        let (mut split, split_recording) = engine(-9.0);
        let mut sizes = blocks.iter().cycle();
        for &(act, frames) in &script {
            perform(&mut whole, act);
            whole.advance(FrameCount(frames));
            perform(&mut split, act);
            let mut left = frames;
            while left > 0 {
                let block = left.min(*sizes.next().expect("an endless cycle"));
                split.advance(FrameCount(block));
                left -= block;
            }
        }
        let (whole, split) = (whole_recording.take(), split_recording.take());
        prop_assert_eq!(whole.len(), split.len());
        let same = whole.iter().zip(&split).all(|(a, b)| a.to_bits() == b.to_bits());
        prop_assert!(same, "the samples differ");
    }
}
