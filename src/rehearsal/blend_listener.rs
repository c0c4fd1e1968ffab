//! A simulated person who rates bands of noise against a reference from the main speakers.

use crate::acoustics::equal_loudness::relative_growth;
use crate::evidence::Rating;
use crate::presets::ListenerTraits;
use crate::random::Random;

const LISTENER: u64 = 0x62_6c_65_6e;
const LOUDNESS_PHON: f64 = 50.0;
/// The person's own contour: knots from here, a quarter of an octave apart, related over half an octave.
const CONTOUR_FROM_HZ: f64 = 20.0;
const CONTOUR_STEP_OCTAVES: f64 = 0.25;
const CONTOUR_KNOTS: usize = 20;
/// Who hears differences of this spread uses the words as they are; smaller spreads are stretched, with this power.
const USUAL_SPREAD_DB: f64 = 6.0;
const COMPRESSION: f64 = 0.15;

/// Somebody at the seat.
pub struct BlendListener {
    traits: ListenerTraits,
    random: Random,
    borders_db: [f64; 6],
    contour_db: [f64; CONTOUR_KNOTS],
    mood_db: f64,
    doubt_db: f64,
}

impl BlendListener {
    /// With these traits, wholly determined by the seed.
    pub fn new(traits: ListenerTraits, seed: u64) -> Self {
        let mut random = Random::new(seed, LISTENER);
        let stretch = libm::exp(traits.border_spread * random.normal());
        let mut borders_db = [-8.0, -4.0, -1.5, 1.5, 4.0, 8.0_f64]
            .map(|border| border * stretch * libm::exp(0.1 * random.normal()) + 0.3 * random.normal());
        borders_db.sort_by(f64::total_cmp);
        let doubt_db = traits.doubt_db * libm::exp(0.2 * random.normal());
        // White noise through a bell of half an octave, brought back to the contour's size.
        let white: Vec<f64> = (0..CONTOUR_KNOTS + 16).map(|_| random.normal()).collect();
        let bell: Vec<f64> =
            (-8..=8).map(|k| libm::exp(-(f64::from(k) * CONTOUR_STEP_OCTAVES / 0.5).powi(2))).collect();
        let size = bell.iter().map(|b| b * b).sum::<f64>().sqrt();
        let contour_db =
            std::array::from_fn(|k| traits.contour_db * (0..17).map(|j| bell[j] * white[k + j]).sum::<f64>() / size);
        Self { traits, random, borders_db, contour_db, mood_db: 0.0, doubt_db }
    }

    /// Begins a pass, with a new idea of what 'as loud as the reference' is.
    pub fn begin(&mut self) {
        self.mood_db = self.traits.mood_db * self.random.normal();
    }

    /// Rates a band that arrives `over_db` over equal loudness with the reference, among bands of this spread.
    pub fn rate(&mut self, hz: f64, over_db: f64, spread_db: f64, reference_hz: f64) -> Rating {
        if self.random.uniform() < self.traits.lapses {
            return Rating::ALL[self.random.below(7)];
        }
        let heard_db = self.hear(hz, over_db, spread_db, reference_hz);
        Rating::ALL[self.borders_db.iter().filter(|border| heard_db > **border).count()]
    }

    /// Says whether the second of two sounds is louder than the first.
    pub fn second_is_louder(&mut self, hz: f64, first_db: f64, second_db: f64) -> bool {
        if self.random.uniform() < self.traits.lapses {
            return self.random.uniform() < 0.5;
        }
        let growth = growth(hz);
        let noise = self.doubt_db * std::f64::consts::SQRT_2 * self.random.normal();
        growth * (second_db - first_db) + noise > 0.0
    }

    /// How far a band seems to be over the reference, dB of a mid-bass tone.
    pub fn hear(&mut self, hz: f64, over_db: f64, spread_db: f64, reference_hz: f64) -> f64 {
        let stretched_db = over_db * libm::pow(spread_db.max(0.5) / USUAL_SPREAD_DB, -COMPRESSION);
        growth(hz) * stretched_db + self.contour_at(hz) - self.contour_at(reference_hz)
            + self.mood_db
            + self.doubt_db * self.random.normal()
    }

    fn contour_at(&self, hz: f64) -> f64 {
        let position = libm::log2(hz / CONTOUR_FROM_HZ) / CONTOUR_STEP_OCTAVES;
        let position = position.clamp(0.0, (CONTOUR_KNOTS - 1) as f64);
        let below = (position as usize).min(CONTOUR_KNOTS - 2);
        let share = position - below as f64;
        self.contour_db[below] * (1.0 - share) + self.contour_db[below + 1] * share
    }
}

/// How much more a decibel counts than at 63 Hz (ISO 226).
fn growth(hz: f64) -> f64 {
    let at = |hz: f64| relative_growth(hz, LOUDNESS_PHON).unwrap_or(1.0);
    at(hz) / at(63.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn traits(doubt_db: f64, contour_db: f64) -> ListenerTraits {
        ListenerTraits {
            name: "test".into(),
            about: String::new(),
            doubt_db,
            mood_db: 0.0,
            contour_db,
            border_spread: 0.0,
            lapses: 0.0,
            meter_db: 0.0,
        }
    }

    #[test]
    fn louder_is_rated_higher_and_the_doubt_is_as_large_as_said() {
        let mut sure = BlendListener::new(traits(1e-6, 0.0), 4);
        let steps = [-14.0, -6.0, 0.0, 6.0, 14.0].map(|over_db| sure.rate(63.0, over_db, 6.0, 240.0).step());
        assert_eq!((steps[0], steps[2], steps[4]), (-3, 0, 3));
        assert!(steps.windows(2).all(|pair| pair[0] < pair[1]), "{steps:?}");
        // At the spread that is taken as it is and at 63 Hz, what is heard is what there is, with noise; that differs
        // from person to person by a fifth, so it is measured over many.
        let heard: Vec<f64> =
            (0..4000).map(|seed| BlendListener::new(traits(1.5, 0.0), seed).hear(63.0, 2.0, 6.0, 240.0)).collect();
        let mean = heard.iter().sum::<f64>() / 4000.0;
        let deviation = (heard.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / 4000.0).sqrt();
        // e^(0.2²) more than 1.5 by the lognormal's second moment.
        assert!((mean - 2.0).abs() < 0.1 && (deviation - 1.5 * libm::exp(0.04)).abs() < 0.1, "{mean} {deviation}");
    }

    #[test]
    fn the_contour_has_its_size() {
        let own: Vec<f64> = (0..4000).map(|seed| BlendListener::new(traits(0.0, 1.5), seed).contour_at(80.0)).collect();
        let size = (own.iter().map(|x| x * x).sum::<f64>() / 4000.0).sqrt();
        assert!((size - 1.5).abs() < 0.1, "{size}");
    }
}
