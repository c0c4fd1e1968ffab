//! How figures are said: with their unit, their doubt, and no more digits than are known.

use crate::judge::Estimate;
use crate::report::facts::Facts;

/// A probability as odds: 'about 9 in 10'. Never certainty.
pub fn odds(probability: f64) -> String {
    let tenths = (probability * 10.0).round();
    if probability.is_nan() {
        "unknown".to_owned()
    } else if probability >= 0.985 {
        "more than 98 in 100".to_owned()
    } else if probability >= 0.95 {
        "about 19 in 20".to_owned()
    } else if probability < 0.05 {
        "less than 1 in 20".to_owned()
    } else {
        format!("about {:.0} in 10", tenths.clamp(1.0, 9.0))
    }
}

/// '2.1 dB (1.6 to 2.7)'.
pub fn estimate(of: Estimate) -> String {
    format!("{} dB ({} to {})", decimal(of.value), decimal(of.low), decimal(of.high))
}

/// '+4.1 dB (2.9 to 5.2)': the sign is written out.
pub fn signed(of: Estimate) -> String {
    let sign = if of.value > 0.0 { "+" } else { "" };
    format!("{sign}{} dB ({} to {})", decimal(of.value), decimal(of.low), decimal(of.high))
}

/// One decimal, with a true minus sign, and no minus zero.
pub fn decimal(value: f64) -> String {
    let text = format!("{value:.1}");
    if text == "-0.0" { "0.0".to_owned() } else { text.replace('-', "\u{2212}") }
}

/// 'E1, 41 Hz'.
pub fn note(facts: &Facts, note: usize) -> String {
    let hertz = facts.notes_hz.get(note).copied().unwrap_or(f64::NAN);
    format!("{}, {hertz:.0} Hz", facts.note_name(note))
}

/// 'E1 (41 Hz), A1 (55 Hz) and C2 (65 Hz)'.
pub fn list(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// 'one spot', '6 spots'.
pub fn count(number: usize, one: &str, many: &str) -> String {
    if number == 1 { format!("one {one}") } else { format!("{number} {many}") }
}

/// '18 minutes', rounded to whole ones.
pub fn minutes(seconds: f64) -> String {
    let whole = (seconds / 60.0).round().max(0.0);
    if whole < 1.0 {
        "less than a minute".to_owned()
    } else if whole < 1.5 {
        "one minute".to_owned()
    } else {
        format!("{whole:.0} minutes")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn odds_are_never_certainty() {
        let said: Vec<String> = [0.0, 0.04, 0.07, 0.5, 0.88, 0.949, 0.96, 0.99, 1.0].map(odds).to_vec();
        assert_eq!(
            said,
            [
                "less than 1 in 20",
                "less than 1 in 20",
                "about 1 in 10",
                "about 5 in 10",
                "about 9 in 10",
                "about 9 in 10",
                "about 19 in 20",
                "more than 98 in 100",
                "more than 98 in 100",
            ]
        );
    }

    #[test]
    fn figures_carry_unit_doubt_and_a_true_minus() {
        let hole = Estimate { value: -3.13, low: -4.0, high: -0.04 };
        assert_eq!(signed(hole), "\u{2212}3.1 dB (\u{2212}4.0 to 0.0)");
        assert_eq!(estimate(Estimate { value: 2.14, low: 1.6, high: 2.7 }), "2.1 dB (1.6 to 2.7)");
    }
}
