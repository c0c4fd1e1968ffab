//! What holds for every signal, whatever its parameters. Tests only.

use proptest::prelude::*;
use proptest::strategy::ValueTree;

use crate::acoustics::bands::Width;
use crate::acoustics::notes::A4_HZ;
use crate::units::SampleRate;

use super::band_noise::{BandNoise, Noise, Spectrum};
use super::measure::samples;
use super::note_run::{NoteRun, SteppedSweep};
use super::pulses::{Burst, Marker, Polarity, Silence};
use super::pure::Pure;
use super::steady_noise::SteadyNoise;
use super::sweep::{self, Sweep};
use super::sweep_step::SweepStep;
use super::warble::{self, Warble};
use super::{CHUNK, Recipe, Tone};

const STEPS: [SweepStep; 4] = [SweepStep::Semitone, SweepStep::WholeTone, SweepStep::SixthOctave, SweepStep::Octave];

/// How many kinds of recipe there are, and which one of them this is. The compiler points here when there is a new one.
const KINDS: usize = 11;
const fn kind(recipe: &Recipe) -> usize {
    match recipe {
        Recipe::Pure(_) => 0,
        Recipe::Warble(_) => 1,
        Recipe::SteadyNoise(_) => 2,
        Recipe::BandNoise(_) => 3,
        Recipe::Noise(_) => 4,
        Recipe::Sweep(_) => 5,
        Recipe::SteppedSweep(_) => 6,
        Recipe::Burst(_) => 7,
        Recipe::Polarity(_) => 8,
        Recipe::Notes(_) => 9,
        Recipe::Silence(_) => 10,
    }
}

#[test]
fn every_kind_of_recipe_is_drawn() {
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let mut drawn = [false; KINDS];
    for _ in 0..400 {
        drawn[kind(&recipe().new_tree(&mut runner).unwrap().current())] = true;
    }
    assert_eq!(drawn, [true; KINDS]);
}

/// Recipes that can be played at 4 kHz, a rate at which noise is quick to make.
fn recipe() -> impl Strategy<Value = Recipe> {
    let hz = 20.0..200.0_f64;
    let width = prop::sample::select(Width::ALL.to_vec());
    prop_oneof![
        hz.clone().prop_map(|frequency_hz| Recipe::Pure(Pure { frequency_hz })),
        (hz.clone(), 0.01..1.0_f64, 0.1..20.0_f64, any::<bool>()).prop_map(|(frequency_hz, half, rate_hz, sine)| {
            let shape = if sine { warble::Shape::Sine } else { warble::Shape::Triangle };
            Recipe::Warble(Warble { frequency_hz, half_width_octaves: half, rate_hz, shape })
        }),
        (hz.clone(), width.clone(), any::<u64>())
            .prop_map(|(frequency_hz, band, seed)| { Recipe::SteadyNoise(SteadyNoise { frequency_hz, band, seed }) }),
        (hz.clone(), width, any::<u64>()).prop_map(|(frequency_hz, band, seed)| Recipe::BandNoise(BandNoise {
            frequency_hz,
            band,
            seed
        })),
        (hz.clone(), 1.5..900.0_f64, any::<bool>()).prop_map(|(from_hz, more, pink)| {
            let spectrum = if pink { Spectrum::Pink } else { Spectrum::White };
            Recipe::Noise(Noise { spectrum, from_hz, to_hz: from_hz + more, seed: 1 })
        }),
        (hz.clone(), 250.0..900.0_f64, 0.1..2.0_f64, any::<[bool; 2]>()).prop_map(
            |(low, high, seconds, [up, linear])| {
                let (from_hz, to_hz) = if up { (low, high) } else { (high, low) };
                let shape = if linear { sweep::Shape::Linear } else { sweep::Shape::Exponential };
                Recipe::Sweep(Sweep { from_hz, to_hz, seconds, shape })
            }
        ),
        (hz.clone(), 1.0..20.0_f64, 0.1..0.5_f64, prop::option::of(1..4_u32)).prop_map(
            |(frequency_hz, cycles, pause_s, count)| { Recipe::Burst(Burst { frequency_hz, cycles, pause_s, count }) }
        ),
        (hz.clone(), 0.4..1.0_f64, prop::option::of(1..4_u32))
            .prop_map(|(frequency_hz, pause_s, count)| Recipe::Polarity(Polarity { frequency_hz, pause_s, count })),
        (hz.clone(), hz, 2.0..5.0_f64, prop::sample::select(STEPS.to_vec())).prop_map(
            |(from_hz, to_hz, each, step)| {
                let seconds = each * (2.0 + 12.0 * (to_hz / from_hz).log2().abs());
                let tone = Tone::Pure {};
                Recipe::SteppedSweep(SteppedSweep { from_hz, to_hz, step, seconds, tone, a4_hz: A4_HZ, seed: 0 })
            }
        ),
        (prop::collection::vec(prop::sample::select(vec!["E1", "A1", "C3", "-"]), 0..6), 0.2..0.6_f64, 0.0..0.2_f64)
            .prop_map(|(notes, seconds, gap_s)| {
                let notes = std::iter::once("B1").chain(notes).map(str::to_owned).collect();
                let tone = Tone::Warble { half_width_octaves: 0.1, rate_hz: 4.0, shape: warble::Shape::Sine };
                Recipe::Notes(NoteRun { notes, tone, seconds, gap_s, a4_hz: A4_HZ, seed: 0 })
            }),
        (0.2..1.0_f64, any::<bool>()).prop_map(|(seconds, marked)| {
            let marker = if marked { Marker::Start } else { Marker::None };
            Recipe::Silence(Silence { seconds, marker })
        }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    #[test]
    fn no_sample_passes_the_stated_peak_and_an_end_is_an_end(recipe in recipe()) {
        let rate = SampleRate::new(4000).unwrap();
        let prepared = recipe.prepare(rate).unwrap();
        let frames = prepared.length.map_or(4000, |length| length.0 as usize);
        let heard = samples(&recipe, rate, frames + 3 * CHUNK);
        prop_assert!(heard.iter().all(|sample| sample.abs() <= prepared.peak));
        if prepared.length.is_some() {
            prop_assert!(heard[frames..].iter().all(|sample| *sample == 0.0));
        }
        prop_assert!(prepared.lowest_hz > 0.0 && prepared.lowest_hz.is_finite());
    }

    #[test]
    fn the_same_recipe_gives_the_same_samples_after_a_journey_through_a_file(recipe in recipe()) {
        let rate = SampleRate::new(4000).unwrap();
        let text = serde_json::to_string(&recipe).unwrap();
        let read: Recipe = serde_json::from_str(&text).unwrap();
        prop_assert_eq!(&read, &recipe);
        prop_assert_eq!(samples(&read, rate, 1000), samples(&recipe, rate, 1000));
    }

    #[test]
    fn a_bad_number_is_an_error_and_never_a_panic(frequency_hz in any::<f64>(), other in any::<f64>()) {
        let rate = SampleRate::HZ_48000;
        let shape = warble::Shape::Sine;
        let warble = Recipe::Warble(Warble { frequency_hz, half_width_octaves: other, rate_hz: other, shape });
        let sweep = Recipe::Sweep(Sweep { from_hz: frequency_hz, to_hz: other, seconds: other, shape: sweep::Shape::Linear });
        let burst = Recipe::Burst(Burst { frequency_hz, cycles: other, pause_s: other, count: Some(1) });
        let noise = Recipe::Noise(Noise { spectrum: Spectrum::Pink, from_hz: frequency_hz, to_hz: other, seed: 0 });
        let polarity = Recipe::Polarity(Polarity { frequency_hz, pause_s: other, count: Some(1) });
        let steady = Recipe::SteadyNoise(SteadyNoise { frequency_hz, band: Width::Third, seed: 0 });
        let stepped = STEPS.map(|step| Recipe::SteppedSweep(SteppedSweep {
            from_hz: frequency_hz, to_hz: other, step, seconds: other, tone: Tone::Pure {}, a4_hz: other, seed: 0,
        }));
        let pure = Recipe::Pure(Pure { frequency_hz });
        let band = Recipe::BandNoise(BandNoise { frequency_hz, band: Width::Third, seed: 0 });
        let silence = Recipe::Silence(Silence { seconds: other, marker: Marker::Start });
        let notes = Recipe::Notes(NoteRun {
            notes: vec!["E1".to_owned()], tone: Tone::Pure {}, seconds: frequency_hz, gap_s: other, a4_hz: other, seed: 0,
        });
        let all = [pure, warble, steady, band, noise, sweep, burst, polarity, notes, silence];
        for recipe in all.into_iter().chain(stepped) {
            if let Err(error) = recipe.check(rate) {
                prop_assert!(error.to_string().starts_with(recipe.name()) || error.to_string().contains("pure"));
            }
        }
    }
}
