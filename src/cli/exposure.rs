//! `evenbass exposure`: how long a level may be listened to.

use clap::Args;

use crate::acoustics::exposure::{
    C_PEAK_LIMITS_DB, Listener, c_peak, niosh_hours, unweighted_for_a_weighted, weekly_hours,
};
use crate::acoustics::weightings::Weighting;
use crate::cli::Failure;
use crate::cli::values::in_range;
use crate::units::DbSpl;

/// `evenbass exposure`
#[derive(Debug, Clone, Args)]
#[command(
    after_help = "Examples:\n  evenbass exposure --dba 85\n  evenbass exposure --dba 85 --hz 40     what a tone of 40 Hz really is then"
)]
pub struct Exposure {
    /// What the meter shows with A-weighting, dB(A).
    #[arg(long, value_parser = level)]
    pub dba: f64,
    /// The frequency of the tone that sounds, Hz.
    #[arg(long, value_parser = frequency)]
    pub hz: Option<f64>,
    /// The highest C-weighted peak that the meter has shown, dB(C).
    #[arg(long, value_parser = level)]
    pub c_peak: Option<f64>,
}

/// Prints the guide.
pub fn run(exposure: &Exposure) -> Result<(), Failure> {
    let level = DbSpl::new(exposure.dba);
    // What harms comes first: the times that A-weighting allows may be far too long for bass.
    if let Some(hz) = exposure.hz {
        tone(hz, level);
    }
    if let Some(peak) = exposure.c_peak {
        say!("A C-weighted peak of {peak:.1} dB(C) is {}.", peak_words(peak));
    }
    say!("By A-weighting alone, {:.1} dB(A):", exposure.dba);
    match niosh_hours(level) {
        Some(hours) => {
            say!("  a day's work: {} (NIOSH 98-126: 85 dB(A) for 8 h, half for each 3 dB)", duration(hours))
        }
        None => say!("  a day's work: no time at all (NIOSH 98-126: nobody above 140 dB(A))"),
    }
    let adults = duration(weekly_hours(level, Listener::Adult));
    let sensitive = duration(weekly_hours(level, Listener::Sensitive));
    say!("  a week's listening, adults: {adults} (ITU-T H.870: 80 dB(A) for 40 h, equal energy)");
    say!("  children and sensitive people: {sensitive} (75 dB(A) for 40 h)");
    say!(
        "A-weighting hides bass, so these times say little about a subwoofer by itself: watch C-weighted peaks as well."
    );
    let [lower, upper, limit] = C_PEAK_LIMITS_DB;
    say!(
        "C-weighted peaks (2003/10/EC): action from {lower:.0} dB(C), protection from {upper:.0}, never above \
         {limit:.0}."
    );
    Ok(())
}

fn tone(hz: f64, level: DbSpl) {
    let unweighted = unweighted_for_a_weighted(hz, level);
    let peak = c_peak(hz, unweighted).db();
    let hidden = -Weighting::A.db(hz);
    say!(
        "A tone of {hz} Hz that shows {:.1} dB(A) is at {unweighted}: A-weighting takes {hidden:.1} dB off.",
        level.db()
    );
    say!("  Its C-weighted peak is {peak:.1} dB(C): {}.", peak_words(peak));
}

fn peak_words(peak: f64) -> &'static str {
    let [lower, upper, limit] = C_PEAK_LIMITS_DB;
    match peak {
        peak if peak > limit => "above the limit; turn it down now",
        peak if peak >= upper => "at or above the upper action value; not without hearing protection",
        peak if peak >= lower => "at or above the lower action value",
        _ => "below the action values",
    }
}

fn duration(hours: f64) -> String {
    let seconds = hours * 3600.0;
    if hours > 168.0 {
        "without limit (more than a week)".to_owned()
    } else if hours >= 10.0 {
        format!("{hours:.0} h")
    } else if hours >= 1.0 {
        let minutes = (hours * 60.0).floor() as u64;
        format!("{} h {} min", minutes.div_euclid(60), minutes.rem_euclid(60))
    } else if seconds >= 60.0 {
        format!("{:.0} min", (seconds / 60.0).floor())
    } else {
        format!("{:.0} s", seconds.floor())
    }
}

fn level(text: &str) -> Result<f64, String> {
    in_range(text, 30.0, 160.0, "dB")
}

fn frequency(text: &str) -> Result<f64, String> {
    in_range(text, 10.0, 20_000.0, "Hz")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_rounded_down_to_what_a_person_can_keep() {
        // NIOSH 98-126, Table 1-1: 95 dB(A) 47 min 37 s, 88 dB(A) 4 h, 112 dB(A) 56 s; 80 dB(A) 25 h 24 min.
        for (dba, words) in [(95.0, "47 min"), (88.0, "4 h 0 min"), (112.0, "56 s"), (80.0, "25 h")] {
            assert_eq!(duration(niosh_hours(DbSpl::new(dba)).unwrap()), words);
        }
    }

    #[test]
    fn peaks_are_held_against_the_directive() {
        assert_eq!(peak_words(134.9), "below the action values");
        assert!(peak_words(135.0).contains("lower action") && peak_words(137.0).contains("upper action"));
        assert!(peak_words(140.1).starts_with("above the limit"));
    }
}
