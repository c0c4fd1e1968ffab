//! What was recorded against what the journal says was played, tone by tone, as the offline engine renders it.

use std::path::Path;

use evenbass::engine::rt::{ramp_frames, stop_ramp_frames};
use evenbass::engine::{Engine, OfflineSink, Order, Outputs, ToneId};
use evenbass::routine::Event;
use evenbass::routine::levels::START;
use evenbass::signal::Recipe;
use evenbass::units::{Dbfs, FrameCount, SampleRate};
use evenbass::visit;

/// A gap of the sound server itself, seen as repeated or missing frames, may be tried again this often.
pub const ATTEMPTS: usize = 4;
pub const SECOND: usize = 48_000;
pub const RATE: SampleRate = SampleRate::HZ_48000;
/// After a tone that was cut short there is at least this much silence, frames.
pub const BREATH: usize = SECOND / 20;
/// Two samples are the same if they differ by no more.
pub const SAME: f64 = 1e-6;

/// A tone as the journal tells it.
#[derive(Debug, Clone)]
pub struct Tone {
    pub recipe: Recipe,
    pub level: Dbfs,
    pub frames: usize,
    pub ended: String,
    /// Frames that a stop waited for its fade, from reaching the engine.
    pub stop_waited: Option<u64>,
    /// Louder or quieter was pressed while it sounded.
    pub glided: bool,
}

pub fn tones(file: &Path) -> Vec<Tone> {
    let (mut tones, mut glided) = (Vec::new(), false);
    for recorded in visit::read(file).expect("the visit file is whole").events {
        match recorded.stamped.event {
            Event::Louder | Event::Quieter => glided = true,
            Event::Sounded { recipe, level, frames, ended, stop_waited, .. } => {
                tones.push(Tone { recipe, level, frames: frames as usize, ended, stop_waited, glided });
                glided = false;
            }
            _ => {}
        }
    }
    tones
}

/// `frames` of a tone as the offline engine renders it, one channel; it ends there if `ends`.
pub fn rendered(recipe: &Recipe, level: Dbfs, frames: usize, ends: bool) -> Vec<f32> {
    let prepared = recipe.prepare(RATE).expect("it was played");
    let (sink, recording) = OfflineSink::collect();
    let mut engine = Engine::offline(RATE, 1, sink);
    engine.set_ceiling(Dbfs::new(-3.0));
    let order = Order {
        tone: ToneId(1),
        source: prepared.source,
        peak: prepared.peak,
        lowest_hz: prepared.lowest_hz,
        level,
        length: ends.then_some(FrameCount(frames as u64)),
        limit: None,
        outputs: Outputs::one(0),
    };
    engine.start(order).expect("it was played");
    for _ in 0..frames.div_ceil(SECOND) {
        engine.beat();
        engine.advance(FrameCount(SECOND as u64));
    }
    let mut samples = recording.take();
    samples.truncate(frames);
    samples
}

pub fn first_sound(samples: &[f32]) -> Option<usize> {
    samples.iter().position(|sample| *sample != 0.0)
}

/// Where two stretches part.
pub fn differ(recorded: &[f32], wanted: &[f32]) -> Option<(usize, f64)> {
    let difference = |(a, b): (&f32, &f32)| (f64::from(*a) - f64::from(*b)).abs();
    let at = recorded.iter().zip(wanted).position(|pair| difference(pair) > SAME)?;
    Some((at, difference((&recorded[at], &wanted[at]))))
}

/// Where a sound that is at most so long has ended: nothing, if there is none or the next sound is a longer one.
pub fn silence_after(recorded: &[f32], frames: usize) -> usize {
    let Some(begin) = first_sound(recorded) else { return 0 };
    let end = begin + frames + 1;
    let quiet = recorded.get(end..end + BREATH).is_some_and(|after| after.iter().all(|sample| *sample == 0.0));
    if quiet { end } else { 0 }
}

/// One channel of a recording; the other channels must be silent, or the same if they were chosen too.
pub fn channel_of(recorded: &[f32], channels: usize, chosen: &[usize]) -> Vec<f32> {
    for frame in recorded.chunks_exact(channels) {
        for (channel, sample) in frame.iter().enumerate() {
            let wanted = if chosen.contains(&channel) { frame[chosen[0]] } else { 0.0 };
            assert!(*sample == wanted, "channel {channel} plays {sample}, not {wanted}");
        }
    }
    recorded.chunks_exact(channels).map(|frame| frame[chosen[0]]).collect()
}

/// Finds each tone in its place, from first sample to last, with silence between. What a gap spoils is said.
pub fn compare(recorded: &[f32], tones: &[Tone]) -> Result<(), String> {
    let mut from = 0;
    for (number, tone) in tones.iter().enumerate() {
        let wrong = |what: String| format!("tone {number} of {}, {}, {tone:?}: {what}", tones.len(), from);
        let ramps = ramp_frames(RATE, tone.recipe.lowest_hz()) + stop_ramp_frames(RATE, tone.recipe.lowest_hz());
        if (tone.frames as u64) < ramps {
            // Stopped while it rose: both ramps at once, which has no rendering of its own; nothing but its end is
            // told.
            let end = from + silence_after(&recorded[from..], tone.frames);
            from = end;
            continue;
        }
        let wanted = rendered(&tone.recipe, tone.level, tone.frames, true);
        let Some(skipped) = first_sound(&wanted) else { continue };
        let sound = first_sound(&recorded[from..]).ok_or_else(|| wrong("was not recorded".into()))?;
        let begin = (from + sound).checked_sub(skipped).ok_or_else(|| wrong("began too early".into()))?;
        let here = recorded.get(begin..begin + tone.frames).ok_or_else(|| wrong("was cut off".into()))?;
        if tone.glided {
            glided(here, tone).map_err(wrong)?;
        } else if let Some((at, by)) = differ(here, &wanted) {
            return Err(wrong(format!("differs by {by:.1e} from frame {at} on")));
        }
        if tone.ended == "faded" {
            let most = stop_ramp_frames(RATE, tone.recipe.lowest_hz()) as usize;
            assert!(most <= SECOND / 4, "a stop of {most} frames");
            let begun = tone.frames.saturating_sub(most);
            fades(&here[begun..], &rendered(&tone.recipe, tone.level, tone.frames, false)[begun..]).map_err(wrong)?;
        }
        from = begin + tone.frames;
    }
    match first_sound(&recorded[from..]) {
        Some(at) => Err(format!("there is sound {at} frames after the last tone")),
        None => Ok(()),
    }
}

/// A tone whose level was moved begins at the lowest level, rises by no more than 6 dB a second, and ends at its last
/// level.
pub fn glided(here: &[f32], tone: &Tone) -> Result<(), String> {
    let lowest = rendered(&tone.recipe, START, tone.frames, false);
    for (frame, (sample, lowest)) in here.iter().zip(&lowest).enumerate() {
        // One press of 1 dB at once, and two more for what a buffer may bring closer together.
        let most_db = 3.0 + 6.0 * frame as f64 / SECOND as f64;
        let most = f64::from(lowest.abs()) * 10_f64.powf(most_db / 20.0) + SAME;
        if f64::from(sample.abs()) > most {
            return Err(format!("at frame {frame} it is {sample}, more than {most_db:.1} dB above {START}"));
        }
    }
    // A tenth of a second is enough for the last glide.
    let end = here.len().saturating_sub(SECOND / 10);
    match differ(&here[end..], &rendered(&tone.recipe, tone.level, tone.frames, true)[end..]) {
        Some((at, by)) => Err(format!("does not end at {}: differs by {by:.1e} at frame {at}", tone.level)),
        None => Ok(()),
    }
}

/// The recorded end is the tone as it would have gone on, under half a cosine.
pub fn fades(recorded: &[f32], going_on: &[f32]) -> Result<(), String> {
    let frames = recorded.len() as f64;
    let ramp = |frame: usize| 0.5 + 0.5 * (std::f64::consts::PI * frame as f64 / frames).cos();
    let wanted: Vec<f32> =
        going_on.iter().enumerate().map(|(frame, sample)| (f64::from(*sample) * ramp(frame)) as f32).collect();
    match differ(recorded, &wanted) {
        Some((at, by)) => Err(format!("its fade differs from half a cosine by {by:.1e} at frame {at}")),
        None => Ok(()),
    }
}

pub fn below_ceiling(recorded: &[f32], ceiling: Dbfs) {
    let peak = recorded.iter().fold(0.0_f64, |peak, sample| peak.max(f64::from(sample.abs())));
    assert!(peak <= ceiling.sine_peak(), "a peak of {peak} above the ceiling {ceiling}");
}

/// Tries again after a gap of the sound server, and says so.
pub fn allowing_gaps(what: &str, mut attempt: impl FnMut() -> Result<(), String>) {
    for number in 1..=ATTEMPTS {
        match attempt() {
            Ok(()) => return println!("{what}: {} attempts spoilt by gaps", number - 1),
            Err(wrong) => println!("{what}: attempt {number}: {wrong}"),
        }
    }
    panic!("{what}: {ATTEMPTS} attempts, all different from the rendering");
}
