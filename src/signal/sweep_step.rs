//! The steps of a stepped sweep: the notes of the tuned scale, or the mid-band frequencies of the standard's bands.

use serde::{Deserialize, Serialize};

use crate::acoustics::bands::{Band, Width};
use crate::acoustics::notes::{Note, nearest};

/// What a stepped sweep goes on by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SweepStep {
    /// The notes of the tuned scale, every one.
    #[default]
    Semitone,
    /// Every other note of the tuned scale, from the first.
    WholeTone,
    /// The mid-band frequencies of IEC 61260-1, a twelfth of an octave apart.
    TwelfthOctave,
    /// The same a sixth of an octave apart.
    SixthOctave,
    /// The same a third of an octave apart.
    ThirdOctave,
    /// The same an octave apart.
    Octave,
}

impl SweepStep {
    /// The steps of the tuned scale or the series of bands that it goes along, and every how many of them.
    const fn series(self) -> (Option<Width>, usize) {
        match self {
            Self::Semitone => (None, 1),
            Self::WholeTone => (None, 2),
            Self::TwelfthOctave => (Some(Width::Twelfth), 1),
            Self::SixthOctave => (Some(Width::Sixth), 1),
            Self::ThirdOctave => (Some(Width::Third), 1),
            Self::Octave => (Some(Width::Whole), 1),
        }
    }

    /// The frequencies from the one nearest `from_hz` to the one nearest `to_hz`, as far as whole steps lead there.
    pub(super) fn frequencies_hz(self, from_hz: f64, to_hz: f64, a4_hz: f64) -> Vec<f64> {
        let (width, every) = self.series();
        let nearest_to = |hz| match width {
            None => nearest(hz, a4_hz).map_or(0, |nearest| nearest.note.midi()),
            // A recipe may be asked before it is checked: within these bounds there are few bands.
            Some(width) => Band::nearest(hz.clamp(1.0, 1e6), width),
        };
        let frequency = |place: i32| match width {
            None => Note::from_midi(place).frequency_hz(a4_hz),
            Some(width) => Band::numbered(place, width).middle_hz,
        };
        let (first, last) = (nearest_to(from_hz), nearest_to(to_hz));
        let mut places: Vec<i32> = (first.min(last)..=first.max(last)).collect();
        if last < first {
            places.reverse();
        }
        places.into_iter().step_by(every).map(frequency).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acoustics::notes::A4_HZ;
    use crate::signal::Recipe;

    #[test]
    fn steps_are_those_of_the_tuned_scale_or_of_the_standards_bands() {
        let steps = |step: SweepStep, from_hz, to_hz| step.frequencies_hz(from_hz, to_hz, A4_HZ);
        // IEC 61260-1:2014, exact mid-band frequencies from 25 to 100 Hz.
        let thirds = [25.118864, 31.622777, 39.810717, 50.118723, 63.095734, 79.432823, 100.0];
        let same = |found: &[f64], expected: &[f64]| {
            found.len() == expected.len() && found.iter().zip(expected).all(|(a, b)| (a / b - 1.0).abs() < 5e-8)
        };
        assert!(same(&steps(SweepStep::ThirdOctave, 25.0, 100.0), &thirds));
        assert!(same(&steps(SweepStep::Octave, 125.0, 31.5), &[125.892541, 63.095734, 31.622777]));
        assert!(same(&steps(SweepStep::SixthOctave, 37.0, 54.0), &[37.583740, 42.169650, 47.315126, 53.088444]));
        assert!(same(&steps(SweepStep::TwelfthOctave, 39.0, 43.0), &[38.681205, 40.973211, 43.401026]));
        // Equal temperament, A4 = 440 Hz: E1, F#1, G#1, A#1; the last whole step before B1.
        assert!(same(&steps(SweepStep::WholeTone, 41.2, 61.7), &[41.203445, 46.249303, 51.913087, 58.270470]));
        assert_eq!(steps(SweepStep::Semitone, 41.0, 82.0).len(), 13);
        // Recipes that were written before there was a choice of steps still read.
        let old = r#"{"signal":"stepped-sweep","from_hz":40.0,"to_hz":80.0,"seconds":9.0,"tone":{"signal":"pure"}}"#;
        let Ok(Recipe::SteppedSweep(sweep)) = serde_json::from_str(old) else { panic!("it does not read") };
        assert_eq!(sweep.step, SweepStep::Semitone);
    }
}
