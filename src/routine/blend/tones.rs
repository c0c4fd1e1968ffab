//! What sounds while the blend is set: which signal, how loud, on which channels.
//!
//! Every level hangs on the reference tone: a band is played as loud as the reference sounds (ISO 226), and never above
//! the reference's own level.

use crate::acoustics::bands::Width;
use crate::blend::System;
use crate::routine::blend::setup::Own;
use crate::routine::effect::{CLIMB_DB_PER_S, Part, Route};
use crate::routine::levels::equal_loudness_gain;
use crate::signal::Recipe;
use crate::signal::band_noise::{Noise, Spectrum};
use crate::signal::pulses::Burst;
use crate::signal::steady_noise::SteadyNoise;
use crate::units::{Dbfs, GainDb};

/// The frequency of the reference tone whose loudness everything is played at, Hz.
const REFERENCE_HZ: f64 = 50.0;
/// Within this band the ear looks for where the bass comes from, Hz: bass and the voices above it.
const PULL_HZ: (f64, f64) = (30.0, 200.0);
/// How long each of two is heard, and each of several, seconds.
const PAIR_S: f64 = 1.8;
const ROW_S: f64 = 0.9;
/// How long a band and the reference before it sound, seconds; and how far a band may be played over equal loudness.
const BAND_S: f64 = 1.6;
const REFERENCE_S: f64 = 1.0;
const MOST_GAIN: GainDb = GainDb::new(12.0);
/// Silence between them.
const GAP_S: f64 = 0.25;
/// A channel of film sound's low-frequency effects is played 10 dB louder (ITU-R BS.775-3, Annex 7); so much is taken
/// off first.
const LFE_GAIN: GainDb = GainDb::new(-10.0);

/// What levels hang on.
#[derive(Debug, Clone, Copy)]
pub(in crate::routine) struct Loudness {
    /// The reference tone's level now.
    pub reference: Dbfs,
    /// The loudness assumed, phon.
    pub phon: f64,
    /// Seeds noises.
    pub seed: u64,
}

/// Within arm's reach of the subwoofer everything is played softer by this: about what coming closer adds (*common
/// practice*).
const NEARER: GainDb = GainDb::new(-12.0);

impl Loudness {
    /// For an ear close to the subwoofer.
    pub fn near(self) -> Self {
        Self { reference: self.reference + NEARER, ..self }
    }

    /// The level at which a band sounds as loud as the reference; never above it.
    pub fn at(self, frequency_hz: f64) -> Dbfs {
        self.reference + equal_loudness_gain(frequency_hz, REFERENCE_HZ, self.phon).min(GainDb::ZERO)
    }
}

/// The channels with what the program adds on the subwoofer's own.
pub(super) fn routes(system: &System, own: Own) -> Vec<Route> {
    let channels = system.channels;
    // What would be louder makes the other one softer instead.
    let (mains_gain, own_gain) = (GainDb::new(0.0 - own.gain_db.max(0.0)), GainDb::new(own.gain_db.min(0.0)));
    // Without a channel of its own the subwoofer hears what the main speakers hear.
    let mains_late_s = if channels.subwoofer.is_some() { 0.0 - own.later_s.min(0.0) } else { 0.0 };
    let mains = [channels.left, channels.right].map(|channel| Route {
        channel,
        gain: if channels.subwoofer.is_some() { mains_gain } else { GainDb::ZERO },
        inverted: false,
        delay_s: mains_late_s,
    });
    let lfe = if system.connection.has_lfe() { LFE_GAIN } else { GainDb::ZERO };
    let subwoofer = channels.subwoofer.map(|channel| Route {
        channel,
        gain: own_gain + lfe,
        inverted: own.inverted,
        delay_s: own.later_s.max(0.0),
    });
    mains.into_iter().chain(subwoofer).collect()
}

/// One channel alone. The subwoofer's own is played as it is in [`routes`].
pub(super) fn alone(system: &System, channel: u16) -> Vec<Route> {
    routes(system, Own::default()).into_iter().filter(|route| route.channel == channel).collect()
}

/// Both main speakers, the right one turned over or not.
pub(super) fn both_mains(system: &System, opposite: bool) -> Vec<Route> {
    let right = Route { inverted: opposite, ..Route::plain(system.channels.right) };
    vec![Route::plain(system.channels.left), right]
}

/// Noise in which the ear hears where the bass comes from; sounds until it is answered.
pub(super) fn pull(loudness: Loudness, routes: Vec<Route>) -> Part {
    let (from_hz, to_hz) = PULL_HZ;
    let recipe = Recipe::Noise(Noise { spectrum: Spectrum::Pink, from_hz, to_hz, seed: loudness.seed });
    let level = loudness.at((from_hz * to_hz).sqrt());
    Part { seconds: None, ..part(recipe, level, 0.0, "noise from main speakers and subwoofer", routes) }
}

/// An octave of steady noise around the crossover, then two short bursts: loss of bass, and how notes start and stop.
pub(super) fn across(loudness: Loudness, crossover_hz: f64, label: &str, routes: Vec<Route>) -> Vec<Part> {
    let level = loudness.at(crossover_hz);
    let burst = Burst { frequency_hz: crossover_hz, cycles: 6.5, pause_s: 0.3, count: Some(2) };
    // A burst's peak is 1 where the noise has the power of a sine: the same level is as loud, and no louder.
    let mut parts = vec![part(octave(loudness, crossover_hz), level, PAIR_S, label, routes.clone())];
    let mut bursts = part(Recipe::Burst(burst), level, 0.0, label, routes);
    bursts.seconds = None;
    bursts.gap_s = 2.0 * GAP_S;
    parts.push(bursts);
    parts
}

/// An octave of steady noise around the crossover, for one of several in a row.
pub(super) fn in_a_row(loudness: Loudness, crossover_hz: f64, label: &str, routes: Vec<Route>) -> Part {
    part(octave(loudness, crossover_hz), loudness.at(crossover_hz), ROW_S, label, routes)
}

/// A band of a third of an octave, as loud as the reference.
pub(super) fn band(loudness: Loudness, frequency_hz: f64, seconds: f64, label: &str, routes: Vec<Route>) -> Part {
    part(noise(loudness, frequency_hz, Width::Third), loudness.at(frequency_hz), seconds, label, routes)
}

/// A narrow band as loud as the reference, or by `gain` over that; a gain is climbed to.
pub(super) fn narrow_band(
    loudness: Loudness,
    frequency_hz: f64,
    gain: GainDb,
    label: &str,
    routes: Vec<Route>,
) -> Part {
    let even = loudness.at(frequency_hz);
    let level = even + gain.min(MOST_GAIN);
    let sounding = part(noise(loudness, frequency_hz, Width::Sixth), level, BAND_S, label, routes);
    let climb_s = (gain.min(MOST_GAIN).max(GainDb::ZERO)).db() / CLIMB_DB_PER_S;
    Part { climbs_from: (gain > GainDb::ZERO).then_some(even), seconds: Some(BAND_S + climb_s), ..sounding }
}

/// What narrow bands are rated against.
pub(super) fn reference_band(loudness: Loudness, frequency_hz: f64, routes: Vec<Route>) -> Part {
    part(noise(loudness, frequency_hz, Width::Third), loudness.at(frequency_hz), REFERENCE_S, "the reference", routes)
}

/// The subwoofer's share of some routes.
pub(super) fn subwoofer_of(system: &System, routes: &[Route]) -> Vec<Route> {
    routes.iter().filter(|route| Some(route.channel) == system.channels.subwoofer).copied().collect()
}

/// The main speakers' share of some routes.
pub(super) fn mains_of(system: &System, routes: &[Route]) -> Vec<Route> {
    routes.iter().filter(|route| Some(route.channel) != system.channels.subwoofer).copied().collect()
}

fn octave(loudness: Loudness, frequency_hz: f64) -> Recipe {
    noise(loudness, frequency_hz, Width::Whole)
}

fn noise(loudness: Loudness, frequency_hz: f64, band: Width) -> Recipe {
    Recipe::SteadyNoise(SteadyNoise { frequency_hz, band, seed: loudness.seed })
}

fn part(recipe: Recipe, level: Dbfs, seconds: f64, label: &str, routes: Vec<Route>) -> Part {
    Part {
        recipe,
        level,
        seconds: Some(seconds),
        gap_s: GAP_S,
        note: None,
        label: label.into(),
        routes,
        climbs_from: None,
    }
}

/// The first part that sounds after a knob was turned up: it drops by what the control could still add, and climbs
/// again.
pub(super) fn climbing(mut parts: Vec<Part>, by: GainDb) -> Vec<Part> {
    if by > GainDb::ZERO {
        for part in &mut parts {
            if part.recipe.may_climb() {
                part.climbs_from = Some(part.level - by);
                part.seconds = part.seconds.map(|seconds| seconds + by.db() / CLIMB_DB_PER_S);
                break;
            }
        }
    }
    parts
}
