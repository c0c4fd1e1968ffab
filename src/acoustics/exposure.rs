//! How long a level may be listened to: guidance, from a meter reading that the person types.
//!
//! A-weighting hides bass: a 40 Hz tone at 119 dB counts as 85 dB(A). So C-weighted peaks belong beside every figure
//! here, and [`unweighted_for_a_weighted`] says what a tone's level really is.
//!
//! Sources: NIOSH publication 98-126 (1998), chapter 1 (85 dB(A) for 8 hours, halved for each 3 dB); ITU-T H.870
//! (03/2022), 80 dB(A) for 40 hours a week for adults and 75 dB(A) for children and sensitive users, equal energy;
//! Directive 2003/10/EC, article 3, for C-weighted peaks.

use crate::units::DbSpl;

use super::weightings::Weighting;

/// C-weighted peak levels of Directive 2003/10/EC, article 3: lower action, upper action, limit; dB.
pub const C_PEAK_LIMITS_DB: [f64; 3] = [135.0, 137.0, 140.0];

/// Nobody should be exposed to more than this A-weighted level for any time (NIOSH 98-126), dB.
pub const NIOSH_CEILING_DB: f64 = 140.0;

/// Who listens, as ITU-T H.870 distinguishes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Listener {
    /// Mode 1: 80 dB(A) for 40 hours a week.
    Adult,
    /// Mode 2: 75 dB(A) for 40 hours a week.
    Sensitive,
}

impl Listener {
    const fn level_for_40_hours(self) -> f64 {
        match self {
            Self::Adult => 80.0,
            Self::Sensitive => 75.0,
        }
    }
}

/// How long a day's work may last at an A-weighted level, hours: T = 8 / 2^((L - 85)/3).
///
/// `None` above 140 dB, where no time is allowed.
pub fn niosh_hours(level: DbSpl) -> Option<f64> {
    (level.db() <= NIOSH_CEILING_DB).then(|| 8.0 / libm::exp2((level.db() - 85.0) / 3.0))
}

/// How long a week's listening may last at an A-weighted level, hours: 40 · 10^(-(L - 80)/10) for adults.
pub fn weekly_hours(level: DbSpl, listener: Listener) -> f64 {
    40.0 * libm::exp10(-(level.db() - listener.level_for_40_hours()) / 10.0)
}

/// The share of a day's dose (NIOSH) that some stretches use up, 1 for all of it. Each is an A-weighted level and
/// hours. Infinite if a level is above 140 dB.
pub fn niosh_dose(stretches: &[(DbSpl, f64)]) -> f64 {
    stretches.iter().map(|(level, hours)| niosh_hours(*level).map_or(f64::INFINITY, |allowed| hours / allowed)).sum()
}

/// The unweighted level of a tone that a meter with A-weighting shows as `level`.
pub fn unweighted_for_a_weighted(frequency_hz: f64, level: DbSpl) -> DbSpl {
    DbSpl::new(level.db() - Weighting::A.db(frequency_hz))
}

/// The C-weighted peak level of a tone of a given unweighted level: 3.01 dB above its rms.
pub fn c_peak(frequency_hz: f64, level: DbSpl) -> DbSpl {
    DbSpl::new(level.db() + 10.0 * libm::log10(2.0) + Weighting::C.db(frequency_hz))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn niosh_times_are_as_printed() {
        // NIOSH 98-126, Table 1-1: hours, minutes and seconds.
        for (level, hours) in [
            (80.0, 25.0 + 24.0 / 60.0),
            (82.0, 16.0),
            (85.0, 8.0),
            (88.0, 4.0),
            (94.0, 1.0),
            (95.0, (47.0 + 37.0 / 60.0) / 60.0),
            (100.0, 0.25),
            (112.0, 56.25 / 3600.0),
        ] {
            let found = niosh_hours(DbSpl::new(level)).unwrap();
            assert!((found / hours - 1.0).abs() < 1e-3, "{level} dB(A): {found} h, not {hours}");
        }
        assert_eq!(niosh_hours(DbSpl::new(140.5)), None);
    }

    #[test]
    fn doses_add_up() {
        // 4 h at 88, 2 h at 91, 2 h at 80 dB(A): 207.874507 %, by the same rule computed independently.
        let dose = niosh_dose(&[(DbSpl::new(88.0), 4.0), (DbSpl::new(91.0), 2.0), (DbSpl::new(80.0), 2.0)]);
        assert!((dose - 2.078_745_07).abs() < 1e-8);
    }

    #[test]
    fn weekly_times_follow_h_870() {
        for (level, hours) in [(85.0, 12.649_11), (90.0, 4.0), (95.0, 1.264_911), (100.0, 0.4)] {
            assert!((weekly_hours(DbSpl::new(level), Listener::Adult) - hours).abs() < 1e-5);
        }
        assert!((weekly_hours(DbSpl::new(75.0), Listener::Sensitive) - 40.0).abs() < 1e-12);
    }

    #[test]
    fn a_weighting_hides_bass() {
        // Level of a tone that counts as 85 dB(A), from IEC 61672-1.
        for (hz, level) in [(20.0, 135.39), (40.0, 119.54), (50.0, 115.27), (80.0, 107.40)] {
            assert!((unweighted_for_a_weighted(hz, DbSpl::new(85.0)).db() - level).abs() < 0.006);
        }
        assert!((c_peak(40.0, DbSpl::new(134.0)).db() - 135.03).abs() < 0.01);
    }
}
