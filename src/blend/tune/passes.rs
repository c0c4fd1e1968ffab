//! What may be heard next: settings, what sounds, and bands; how long that takes, and what has been heard of a setting.

use crate::blend::tune::belief::Belief;
use crate::blend::tune::telling::{Offer, Stakes};
use crate::blend::tune::{BAND_S, Next, Pass, REFERENCE_S, SUBWOOFER_S, Sounding, Tuner, model, search};
use crate::evidence::Heard;

/// Bands that may be heard lie this far apart, and reach so many of these to either side of the crossover: half as far
/// apart as they are wide, so that no hole falls between two of them.
const APART_OCTAVES: f64 = 1.0 / 12.0;
const EITHER_SIDE: i32 = 6;
/// The first passes take these: side by side.
const FIRST_BANDS: [i32; 6] = [-5, -3, -1, 1, 3, 5];
/// Ratings in a pass: at least, so that nobody turns a control for next to nothing, and at most.
const LEAST_RATINGS: usize = 8;
const MOST_RATINGS: usize = 24;
/// Close to the subwoofer: whoever walks there had better stay for a while.
const LEAST_NEAR_RATINGS: usize = 12;
/// When the time is nearly up, this few will do.
const LEAST_AT_LAST: usize = 4;
/// No band is played louder than this over equal loudness (the boost's limit in a visit), nor softer than this under
/// it, dB.
const MOST_GAIN_DB: f64 = 12.0;
const LEAST_GAIN_DB: f64 = -24.0;
/// Possible systems that covariances are taken over.
const TELLING_DRAWS: usize = 240;

impl Tuner {
    /// How long a pass takes from where the controls stand, seconds.
    pub(super) fn pass_s(&self, setting: &[f64], sounding: Sounding, ratings: usize) -> f64 {
        let last = self.passes.last().map_or(&self.case.start, |pass| &pass.setting);
        let walk_s = match sounding {
            Sounding::NearSubwoofer => 2.0 * SUBWOOFER_S,
            Sounding::Mains if !self.case.reached.contains(&true) => 2.0 * SUBWOOFER_S,
            _ => 0.0,
        };
        self.case.turning_s(last, setting, false) + walk_s + REFERENCE_S + BAND_S * ratings as f64
    }

    /// What is heard first, whatever was answered: both, the mains alone, and the subwoofer alone if it can be.
    pub(super) fn opening(&self) -> Option<(Vec<f64>, Sounding)> {
        let heard = |sounding| self.passes.iter().any(|pass| pass.sounding == sounding);
        let start = || self.case.start.clone();
        if !heard(Sounding::Mains) {
            return Some((start(), Sounding::Mains));
        }
        (self.case.reached.contains(&true) && !heard(Sounding::Subwoofer)).then(|| (start(), Sounding::Subwoofer))
    }

    /// The pass that tells most per second about what is at stake: how much flatter than the others the setting is that
    /// would be kept now, and each that would be best in some possible system. Among these settings, the same with the
    /// polarity turned over (a hole is where the phase is heard best), and each speaker alone. `None` if none fits into
    /// the time left.
    pub(super) fn most_telling(
        &self,
        belief: &Belief,
        best: &search::Found,
        possible: &[(model::Draw, search::Found)],
        left_s: f64,
    ) -> Option<(Vec<f64>, Sounding, Vec<f64>)> {
        let case = &self.case;
        let draws = belief.draws(TELLING_DRAWS, case.seed ^ (101 + self.passes.len() as u64));
        let mut candidates = vec![best.setting.clone()];
        candidates.extend(possible.iter().map(|(_, found)| found.setting.clone()));
        let stakes = Stakes::of(case, &draws, &candidates);
        let turned_over: Vec<Vec<f64>> = candidates.iter().filter_map(|setting| case.turned_over(setting)).collect();
        candidates.extend(turned_over);
        let last = self.passes.last().map_or(&case.start, |pass| &pass.setting);
        let mut passes: Vec<(Vec<f64>, Sounding)> =
            candidates.into_iter().map(|setting| (setting, Sounding::Both)).collect();
        passes.push((last.clone(), Sounding::Mains));
        if case.reached.contains(&true) {
            passes.push((last.clone(), Sounding::Subwoofer));
        }
        if self.is_by_ear() {
            passes.push((case.opened(last), Sounding::NearSubwoofer));
        }
        let told = passes.into_iter().filter_map(|(setting, sounding)| {
            let offer = self.offer(setting, sounding, left_s)?;
            let telling = stakes.best_bands(case, &draws, &offer)?;
            Some((telling.per_s, (offer.setting, sounding, telling.bands_hz)))
        });
        told.max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, pass)| pass)
    }

    /// A pass as far as the time left allows it.
    fn offer(&self, setting: Vec<f64>, sounding: Sounding, left_s: f64) -> Option<Offer> {
        let before_s = self.pass_s(&setting, sounding, 0);
        let fit = ((left_s - before_s) / BAND_S).floor();
        if fit < LEAST_AT_LAST as f64 {
            return None;
        }
        let least = if sounding == Sounding::NearSubwoofer { LEAST_NEAR_RATINGS } else { LEAST_RATINGS };
        let (least, most) = (least.min(fit as usize), MOST_RATINGS.min(fit as usize));
        Some(Offer { setting, sounding, bands_hz: self.all_bands_hz(), least, most, before_s, each_s: BAND_S })
    }

    /// Whether both have been heard at a setting across the whole octave: every band, or the two beside it.
    pub(super) fn has_covered(&self, setting: &[f64]) -> bool {
        let of_it = |pass: &&Pass| pass.sounding == Sounding::Both && pass.setting == setting;
        let heard_hz: Vec<f64> = self.passes.iter().filter(of_it).flat_map(|pass| pass.bands_hz.clone()).collect();
        let heard = |place: i32| {
            let hz = self.band_hz(place);
            heard_hz.iter().any(|heard_hz| (heard_hz / hz - 1.0).abs() < 1e-6)
        };
        (-EITHER_SIDE..=EITHER_SIDE).all(|place| heard(place) || (heard(place - 1) && heard(place + 1)))
    }

    fn is_by_ear(&self) -> bool {
        let mut heard = self.passes.iter().flat_map(|pass| &pass.heard).flatten();
        heard.any(|heard| matches!(heard, Heard::Rating { .. } | Heard::Match { .. }))
    }

    fn band_hz(&self, place: i32) -> f64 {
        self.case.crossover_hz * libm::exp2(APART_OCTAVES * f64::from(place))
    }

    /// The bands of the first passes, Hz.
    pub(super) fn first_bands_hz(&self) -> Vec<f64> {
        FIRST_BANDS.iter().map(|&place| self.band_hz(place)).collect()
    }

    /// All bands, Hz.
    pub(super) fn all_bands_hz(&self) -> Vec<f64> {
        (-EITHER_SIDE..=EITHER_SIDE).map(|place| self.band_hz(place)).collect()
    }

    /// A pass at a setting, the bands in an order of their own and as loud as the reference by what is believed.
    pub(super) fn hear(
        &self,
        setting: Vec<f64>,
        sounding: Sounding,
        mut bands_hz: Vec<f64>,
        belief: Option<&Belief>,
    ) -> Next {
        crate::random::Random::new(self.case.seed, self.passes.len() as u64).shuffle(&mut bands_hz);
        let expected_db = belief.map_or_else(
            || vec![0.0; bands_hz.len()],
            |belief| belief.expected_db(&setting, sounding, &bands_hz, self.case.seed),
        );
        let gains_db =
            expected_db.iter().map(|db| (-2.0 * db).round() / 2.0).map(|db| db.clamp(LEAST_GAIN_DB, MOST_GAIN_DB));
        let gains_db = gains_db.collect();
        Next::Hear(Pass { setting, sounding, bands_hz, gains_db, heard: Vec::new() })
    }
}
