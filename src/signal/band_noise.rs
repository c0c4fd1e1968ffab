//! Band noise: ordinary noise in a fractional-octave band, and pink or white noise between two frequencies.
//!
//! Both are sums of many lines with random phases, which is Gaussian noise for all that an ear or a meter can tell, but
//! with an exactly flat (or exactly pink) spectrum over each period of 8 to 20 s. Their level wanders as that of any
//! noise does; steady noise is for when that disturbs.

use serde::{Deserialize, Serialize};

use crate::acoustics::bands::{Band, Width};
use crate::units::SampleRate;

use super::error::Check;
use super::lines::Lines;
use super::{Prepared, RecipeError};

/// The name of band noise in recipes and commands.
pub const BAND_NAME: &str = "band-noise";

/// The name of pink and white noise in recipes and commands.
pub const WIDE_NAME: &str = "noise";

/// Noise lines are not made below this frequency, hertz.
const LOWEST_HZ: f64 = 5.0;

/// Ordinary noise in one band.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BandNoise {
    /// The middle of the band, hertz.
    pub frequency_hz: f64,
    /// The width of the band as a fraction of an octave.
    #[serde(default)]
    pub band: Width,
    /// Each seed gives another noise of the same kind.
    #[serde(default)]
    pub seed: u64,
}

impl BandNoise {
    fn band(&self) -> Band {
        Band::around(self.frequency_hz, self.band)
    }

    /// The lower edge of the band, hertz.
    pub fn lowest_hz(&self) -> f64 {
        self.band().lower_hz
    }

    pub(super) fn check(&self, rate: SampleRate) -> Result<(), RecipeError> {
        let check = Check { signal: BAND_NAME, rate };
        check.below_nyquist("frequency_hz", self.frequency_hz, self.band().upper_hz)?;
        check.within("frequency_hz", self.frequency_hz, 2.0 * LOWEST_HZ, f64::INFINITY)
    }

    /// Computes the loop; rms 1/√2 at unit gain. Control thread only.
    pub(super) fn prepare(&self, rate: SampleRate) -> Prepared {
        Lines::random(self.band().lower_hz, self.band().upper_hz, self.seed).prepare(rate)
    }
}

/// How the power of wide noise is spread.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Spectrum {
    /// Equal power in every octave.
    #[default]
    Pink,
    /// Equal power in every hertz.
    White,
}

/// Pink or white noise between two frequencies.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Noise {
    /// How the power is spread.
    #[serde(default)]
    pub spectrum: Spectrum,
    /// The lowest frequency, hertz, from 5 up.
    pub from_hz: f64,
    /// The highest frequency, hertz; at least one hertz above the lowest.
    pub to_hz: f64,
    /// Each seed gives another noise of the same kind.
    #[serde(default)]
    pub seed: u64,
}

impl Noise {
    pub(super) fn check(&self, rate: SampleRate) -> Result<(), RecipeError> {
        let check = Check { signal: WIDE_NAME, rate };
        check.below_nyquist("to_hz", self.to_hz, self.to_hz)?;
        check.within("to_hz", self.to_hz, LOWEST_HZ + 1.0, f64::INFINITY)?;
        check.within("from_hz", self.from_hz, LOWEST_HZ, self.to_hz - 1.0)
    }

    /// Computes the loop; rms 1/√2 at unit gain. Control thread only.
    pub(super) fn prepare(&self, rate: SampleRate) -> Prepared {
        let mut lines = Lines::random(self.from_hz, self.to_hz, self.seed);
        if self.spectrum == Spectrum::Pink {
            for line in 0..lines.values.len() {
                let amplitude = 1.0 / libm::sqrt(lines.frequency_hz(line));
                lines.values[line] *= amplitude;
            }
            lines.normalise();
        }
        lines.prepare(rate)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::Recipe;
    use crate::signal::measure::{
        fourth_moment, magnitudes, one_period, relative_spectrum, rms, samples, within_class_1,
    };

    /// At this rate 20 s are a whole number of any period.
    fn rate() -> SampleRate {
        SampleRate::new(2000).unwrap()
    }

    #[test]
    fn the_band_is_flat_inside_and_empty_outside() {
        // 80 Hz, 1/3 octave: 18.3 Hz wide, so a period of 8 s and lines of an eighth of a hertz.
        let recipe = Recipe::BandNoise(BandNoise { frequency_hz: 80.0, band: Width::Third, seed: 5 });
        let samples = samples(&recipe, rate(), 16_000);
        let band = Band::around(80.0, Width::Third);
        let (inside, outside): (Vec<_>, Vec<_>) =
            magnitudes(&samples).into_iter().enumerate().partition(|(bin, _)| band.contains(*bin as f64 / 8.0));
        let mean = (inside.iter().map(|(_, line)| line * line).sum::<f64>() / inside.len() as f64).sqrt();
        assert!(inside.iter().all(|(_, line)| (20.0 * (line / mean).log10()).abs() < 1e-6));
        assert!(outside.iter().all(|(_, line)| 20.0 * (line / mean).log10() < -200.0));
        assert!((rms(&samples) - std::f64::consts::FRAC_1_SQRT_2).abs() < 1e-9);
        // N lines of equal amplitude and random phase have 3 - 3/2N on average; a single draw scatters around it.
        assert!((2.5..3.5).contains(&fourth_moment(&samples)));
    }

    #[test]
    fn the_spectrum_is_what_a_filter_of_class_1_may_leave_of_white_noise() {
        for (width, hz) in Width::ALL.into_iter().flat_map(|width| [25.0, 40.0, 63.0, 80.0].map(|hz| (width, hz))) {
            let recipe = Recipe::BandNoise(BandNoise { frequency_hz: hz, band: width, seed: 5 });
            let band = Band::around(hz, width);
            let (period_s, samples) = one_period(&recipe, rate());
            let spectrum = relative_spectrum(&magnitudes(&samples), period_s, band);
            within_class_1(&spectrum, band, width).unwrap_or_else(|wrong| panic!("{hz} Hz, {width}: {wrong}"));
        }
    }

    #[test]
    fn pink_noise_has_equal_power_in_every_octave_and_white_in_every_hertz() {
        let power = |spectrum, from_hz: f64, to_hz: f64| {
            let recipe = Recipe::Noise(Noise { spectrum, from_hz: 20.0, to_hz: 700.0, seed: 2 });
            let lines = magnitudes(&samples(&recipe, rate(), 16_000));
            let inside = (8.0 * from_hz) as usize..(8.0 * to_hz) as usize;
            lines[inside].iter().map(|line| line * line).sum::<f64>()
        };
        for low in [20.0, 40.0, 80.0, 160.0] {
            let pink_db = 10.0 * (power(Spectrum::Pink, low, 2.0 * low) / power(Spectrum::Pink, 320.0, 640.0)).log10();
            assert!(pink_db.abs() < 0.03, "{low} Hz: {pink_db} dB");
            let white = power(Spectrum::White, low, 2.0 * low) / power(Spectrum::White, 320.0, 640.0);
            assert!((white / (low / 320.0) - 1.0).abs() < 1e-6);
        }
    }

    #[test]
    fn empty_bands_are_refused_by_name() {
        let refuse = |from_hz, to_hz| {
            let recipe = Recipe::Noise(Noise { spectrum: Spectrum::Pink, from_hz, to_hz, seed: 0 });
            recipe.prepare(SampleRate::HZ_48000).err().unwrap().to_string()
        };
        assert_eq!(refuse(80.0, 80.0), "noise: from_hz is 80, but must be from 5 to 79");
        assert_eq!(
            refuse(20.0, 24_000.0),
            "noise: to_hz is 24000, but must be above 0 and below 24000 (half the sample rate)"
        );
        assert!(refuse(f64::NAN, 100.0).contains("from_hz is NaN"));
    }
}
