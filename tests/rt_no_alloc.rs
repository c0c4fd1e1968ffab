//! The real callback neither allocates nor releases memory: not in starts, fades, changes of level or route, the end of
//! tones, nor with full rings. A test program of its own, since it counts through the global allocator.
//!
//! Locks and system calls do not show here; the lints at the top of `src/engine/rt/mod.rs` look for them.
#![allow(unsafe_code)]

mod support;

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;
use std::sync::Arc;

use evenbass::engine::rt::{Callback, Command, Controls, Ends, Renderer, Report, Rings, Voice};
use evenbass::engine::{Outputs, ToneId};
use evenbass::units::{FrameCount, SampleRate};
use ringbuf::traits::{Consumer, Observer, Producer};
use support::tones::Sine;

/// Counts what a thread asks of the allocator while it says so.
struct Counting;

thread_local! {
    static WATCHED: Cell<bool> = const { Cell::new(false) };
    static ALLOCATED: Cell<usize> = const { Cell::new(0) };
    static RELEASED: Cell<usize> = const { Cell::new(0) };
}

// SAFETY: every call is handed on unchanged to the system's allocator, which keeps the contract; counting touches no
// memory of the allocator.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        ALLOCATED.set(ALLOCATED.get() + usize::from(WATCHED.get()));
        // SAFETY: the caller's promise is handed on.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, place: *mut u8, layout: Layout) {
        RELEASED.set(RELEASED.get() + usize::from(WATCHED.get()));
        // SAFETY: the caller's promise is handed on.
        unsafe { System.dealloc(place, layout) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

/// Allocations and releases of this thread during `work`.
fn counted(work: impl FnOnce()) -> (usize, usize) {
    let before = (ALLOCATED.get(), RELEASED.get());
    WATCHED.set(true);
    work();
    WATCHED.set(false);
    (ALLOCATED.get() - before.0, RELEASED.get() - before.1)
}

struct Bench {
    callback: Callback,
    controls: Arc<Controls>,
    rings: Rings,
    next_tone: u64,
    counts: (usize, usize),
    full_rings: u64,
    finished: usize,
    freed: usize,
}

impl Bench {
    fn new() -> Self {
        let controls = Arc::new(Controls::new(0.2));
        let (renderer, rings) = Renderer::new(SampleRate::HZ_48000, 2, controls.clone());
        let callback = Callback::new(renderer, controls.clone(), SampleRate::HZ_48000);
        Self { callback, controls, rings, next_tone: 0, counts: (0, 0), full_rings: 0, finished: 0, freed: 0 }
    }

    fn start(&mut self, length: u64) {
        self.next_tone += 1;
        self.controls.beat();
        let ends = Ends { length: Some(FrameCount(length)), limit: None };
        let settings = (SampleRate::HZ_48000, 80.0);
        let source = Box::new(Sine::new(80.0));
        let outputs = Outputs::all(&[0, 1]);
        let voice = Voice::new(ToneId(self.next_tone), source, outputs, 0.1, settings, ends, &self.controls);
        let _ = self.rings.commands.try_push(Command::Start(Box::new(voice)));
    }

    /// Calls back for blocks of different sizes, under the count.
    fn call_back(&mut self, blocks: usize) {
        let mut floats = [0.0_f32; 2 * 683];
        let mut integers = [0_i16; 2 * 256];
        for block in 0..blocks {
            let callback = &mut self.callback;
            let (allocated, released) = counted(|| {
                callback.fill(&mut floats[..2 * (1 + block % 683)], 0);
                callback.fill(&mut integers, 0);
            });
            self.counts.0 += allocated;
            self.counts.1 += released;
        }
    }

    fn tidy(&mut self) {
        while let Some(report) = self.rings.reports.try_pop() {
            match report {
                Report::Guard(counts) => self.full_rings = counts.full_rings,
                Report::Finished { .. } => self.finished += 1,
                Report::Started { .. } => {}
            }
        }
        while self.rings.retired.try_pop().is_some() {
            self.freed += 1;
        }
    }
}

#[test]
fn the_callback_neither_allocates_nor_releases() {
    // First that the count counts.
    let (allocated, released) = counted(|| drop(std::hint::black_box(Box::new([1_u8; 100]))));
    assert_eq!((allocated, released), (1, 1));

    let mut bench = Bench::new();
    for round in 0..60 {
        for _ in 0..4 {
            bench.start(4800 + 100 * round);
        }
        let tone = ToneId(bench.next_tone);
        let _ = bench.rings.commands.try_push(Command::Level { tone, amplitude: 0.05 });
        let _ = bench.rings.commands.try_push(Command::Fade { tone });
        let outputs = Outputs::one((round % 2) as u16).delayed((round % 2) as u16, 0.0123);
        let _ = bench.rings.commands.try_push(Command::Route { tone: ToneId(bench.next_tone - 1), outputs });
        let _ = bench
            .rings
            .commands
            .try_push(Command::Route { tone: ToneId(bench.next_tone - 1), outputs: Outputs::one(0) });
        bench.call_back(10);
        bench.controls.set_ceiling_peak(if round % 2 == 0 { 0.05 } else { 0.2 });
        match round % 10 {
            3 => bench.controls.fade_all(),
            7 => bench.controls.emergency_stop(),
            _ => bench.controls.beat(),
        }
        bench.call_back(10);
        bench.tidy();
    }
    let (finished, freed) = (bench.finished, bench.freed);
    assert!(finished > 100 && freed > 100, "{finished} finished, {freed} freed");

    // Nobody tidies: the ring of ended voices is full, the slots fill up, and commands pile up behind them.
    for _ in 0..40 {
        for _ in 0..4 {
            bench.start(4800);
        }
        bench.controls.emergency_stop();
        bench.call_back(12);
    }
    assert!(bench.rings.retired.is_full());
    assert!(!bench.rings.commands.is_empty());
    // Tidied up again, everything that was started comes back.
    for _ in 0..40 {
        bench.tidy();
        bench.call_back(12);
    }
    bench.tidy();
    assert!(bench.full_rings > 0);
    assert_eq!(bench.finished, bench.freed);
    assert_eq!(bench.freed as u64, bench.next_tone);
    assert_eq!(bench.counts, (0, 0), "allocations and releases in the callback");
}

#[test]
fn a_full_report_ring_loses_no_report() {
    let mut bench = Bench::new();
    // Each tone brings two reports; the ring holds 1024.
    for _ in 0..600 {
        bench.start(4800);
        bench.call_back(1);
        bench.controls.emergency_stop();
        bench.call_back(8);
        while bench.rings.retired.try_pop().is_some() {
            bench.freed += 1;
        }
    }
    assert!(bench.rings.reports.is_full(), "{} reports", bench.rings.reports.occupied_len());
    for _ in 0..60 {
        bench.tidy();
        bench.call_back(8);
    }
    bench.tidy();
    assert_eq!(bench.finished as u64, bench.next_tone);
    assert_eq!(bench.counts, (0, 0), "allocations and releases in the callback");
}
