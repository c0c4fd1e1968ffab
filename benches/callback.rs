//! How much of its period the audio callback takes, at 256 frames, and how fast the offline engine renders.
//!
//! The callback's time is its thread's CPU time, so that other work on the machine does not count. Goal: the worst
//! callback under 2 % of its period.

use std::hint::black_box;
use std::sync::Arc;
use std::time::{Duration, Instant};

use evenbass::engine::rt::{Callback, Command, Controls, Ends, Renderer, Rings, Voice};
use evenbass::engine::{Engine, OfflineSink, Order, Outputs, ToneId};
use evenbass::signal::{CHUNK, Source};
use evenbass::units::{Dbfs, FrameCount, SampleRate};
use ringbuf::traits::{Consumer, Producer};
use rustix::time::{ClockId, clock_gettime};

const RATE: SampleRate = SampleRate::HZ_48000;
const BLOCK_FRAMES: usize = 256;
const CALLBACKS: usize = 20_000;
const VOICES: u64 = 8;

/// A sine by the library's own function, frame by frame: no cheaper than the signals of a visit.
struct Sine {
    frame: u64,
    cycles_per_frame: f64,
}

impl Source for Sine {
    fn next_chunk(&mut self, out: &mut [f64; CHUNK]) {
        for (sample, frame) in out.iter_mut().zip(self.frame..) {
            let cycles = self.cycles_per_frame * frame as f64;
            *sample = libm::sin(std::f64::consts::TAU * (cycles - cycles.floor()));
        }
        self.frame += CHUNK as u64;
    }
}

fn sine(tone: u64) -> Box<Sine> {
    Box::new(Sine { frame: 0, cycles_per_frame: (25.0 + 7.0 * tone as f64) / RATE.as_f64() })
}

fn thread_cpu_time() -> Duration {
    let now = clock_gettime(ClockId::ThreadCPUTime);
    Duration::new(now.tv_sec as u64, now.tv_nsec as u32)
}

/// Starts, changes and stops voices between callbacks, so that all kinds of ramps are under way all the time.
fn drive(rings: &mut Rings, controls: &Controls, channels: u16, turn: u64) {
    controls.beat();
    let everywhere: Vec<u16> = (0..channels).collect();
    if turn.is_multiple_of(5) {
        let tone = ToneId(turn);
        let ends = Ends { length: Some(FrameCount(VOICES * 5 * BLOCK_FRAMES as u64)), limit: None };
        let outputs = Outputs::all(&everywhere);
        let voice = Voice::new(tone, sine(turn % 13), outputs, 0.01, (RATE, 25.0), ends, controls);
        let _ = rings.commands.try_push(Command::Start(Box::new(voice)));
        let _ = rings.commands.try_push(Command::Level { tone, amplitude: 0.015 });
    }
    while rings.retired.try_pop().is_some() {}
    while rings.reports.try_pop().is_some() {}
}

fn callback(channels: u16) {
    let controls = Arc::new(Controls::new(0.5));
    let (renderer, mut rings) = Renderer::new(RATE, channels, controls.clone());
    let mut callback = Callback::new(renderer, controls.clone(), RATE);
    let mut block = vec![0.0_f32; usize::from(channels) * BLOCK_FRAMES];
    let mut times = Vec::with_capacity(CALLBACKS);
    for turn in 0..CALLBACKS as u64 {
        drive(&mut rings, &controls, channels, turn);
        let began = thread_cpu_time();
        callback.fill(black_box(&mut block), 0);
        times.push(thread_cpu_time() - began);
    }
    times.sort_unstable();
    let period = BLOCK_FRAMES as f64 / RATE.as_f64();
    let line = |what: &str, time: Duration| {
        let share = 100.0 * time.as_secs_f64() / period;
        println!(
            "callback, {channels} channels, {VOICES} voices, {what}: {:.1} us, {share:.2} % of the period",
            time.as_secs_f64() * 1e6
        );
    };
    line("median", times[CALLBACKS / 2]);
    line("999 of 1000 below", times[CALLBACKS * 999 / 1000]);
    line("worst", times[CALLBACKS - 1]);
}

fn offline(channels: u16, voices: u64) {
    let mut engine = Engine::offline(RATE, channels, OfflineSink::each(|block| _ = black_box(block)));
    for tone in 0..voices {
        let order = Order {
            tone: ToneId(tone),
            source: sine(tone),
            peak: 1.0,
            lowest_hz: 25.0,
            level: Dbfs::new(-70.0),
            length: None,
            limit: None,
            outputs: Outputs::all(&[0]),
        };
        engine.start(order).expect("below the ceiling");
    }
    let seconds = 200;
    let began = Instant::now();
    for _ in 0..seconds {
        engine.beat();
        engine.advance(FrameCount(u64::from(RATE.hz())));
    }
    let speed = f64::from(seconds) / began.elapsed().as_secs_f64();
    println!("offline, {channels} channels, {voices} voices: {speed:.0} times real time");
}

fn main() {
    for channels in [2, 6] {
        callback(channels);
    }
    for (channels, voices) in [(2, 1), (6, 8)] {
        offline(channels, voices);
    }
}
