//! How a face says things: figures with their unit and their doubt, and never more digits than are known.

use crate::view::{Chapter, Estimate, Progress, Ranking, SpotBelief, View};

/// '41 Hz, E1'; without a name only the frequency.
pub(super) fn note(frequency_hz: f64, name: Option<&str>) -> String {
    match name {
        Some(name) if !name.is_empty() => format!("{frequency_hz:.0} Hz, {name}"),
        _ => format!("{frequency_hz:.0} Hz"),
    }
}

/// The note at a position of the set in use.
pub(super) fn note_at(view: &View, position: usize) -> String {
    match view.notes_hz.get(position) {
        Some(&frequency_hz) => note(frequency_hz, view.note_names.get(position).map(String::as_str)),
        None => format!("note {}", position + 1),
    }
}

/// The name of a spot in the room's list.
pub(super) fn spot_name(view: &View, position: usize) -> String {
    view.room.spots.get(position).map_or_else(|| format!("spot {}", position + 1), |spot| spot.name.clone())
}

/// '2.1 dB (1.6 to 2.7)'; whole decibels where the doubt is wider than 4 dB.
pub(super) fn doubtful_db(figure: Estimate) -> String {
    let Estimate { value, low, high } = figure;
    if !(value.is_finite() && low.is_finite() && high.is_finite()) {
        return "not known".into();
    }
    let digits = usize::from(high - low < 4.0);
    format!("{} dB ({} to {})", plain_zero(value, digits), plain_zero(low, digits), plain_zero(high, digits))
}

/// A number without the minus sign that rounding can leave on a zero.
fn plain_zero(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    if text.trim_start_matches('-').chars().all(|c| c == '0' || c == '.') {
        text.trim_start_matches('-').to_string()
    } else {
        text
    }
}

/// A probability as a person would say it: 'about 9 in 10'.
pub(super) fn odds(probability: f64) -> String {
    if !probability.is_finite() {
        "not known".into()
    } else if probability > 0.95 {
        "more than 19 in 20".into()
    } else if probability < 0.05 {
        "less than 1 in 20".into()
    } else {
        format!("about {:.0} in 10", (probability * 10.0).round().clamp(1.0, 9.0))
    }
}

/// 'about 7 min' or, in the last minute, 'less than a minute'.
pub(super) fn minutes(seconds: f64) -> String {
    if seconds < 60.0 { "less than a minute".into() } else { format!("about {:.0} min", (seconds / 60.0).round()) }
}

/// What the chapters are called.
pub(super) fn chapter(chapter: Chapter) -> &'static str {
    match chapter {
        Chapter::Setup => "room and kit",
        Chapter::Before => "before the first tone",
        Chapter::Level => "the level",
        Chapter::Crawl => "the crawl",
        Chapter::Verdict => "the verdict",
        Chapter::Blend => "the blend",
        Chapter::Done => "done",
    }
}

/// How far the visit is, in parts that a face joins as it likes; empty before the first spot.
pub(super) fn progress(progress: &Progress) -> Vec<String> {
    let mut parts = Vec::new();
    if progress.note_here > 0 && progress.notes_here > 0 {
        parts.push(format!("note {} of {} here", progress.note_here, progress.notes_here));
    }
    if progress.stay > 0 && progress.spots > 0 {
        parts.push(format!("spots heard {} of {}", progress.spots_heard, progress.spots));
    }
    if progress.stay > 0 {
        match progress.seconds_left {
            Some(left) if left <= 0.0 => parts.push("time is up".into()),
            Some(left) => parts.push(format!("{} left", minutes(left))),
            None => parts.push(format!("{} so far", minutes(progress.seconds_spent))),
        }
    }
    parts
}

/// The verdict in sentences: who leads, how sure that is, by how much, what stands out there.
pub(super) fn verdict(view: &View, ranking: &Ranking) -> Vec<String> {
    let Some(first) = ranking.spots.first() else {
        return vec!["No spot was heard, so none can be named.".into()];
    };
    let mut lines = vec![format!(
        "Lead: {}, the most even spot with a chance of {}.",
        spot_name(view, first.spot),
        odds(first.probability_best)
    )];
    if let Some(second) = ranking.spots.get(1).filter(|spot| spot.answers > 0) {
        lines.push(lead(view, first, second));
    }
    if ranking.expected_regret_db.is_finite() {
        lines.push(format!(
            "Cost of settling now, in case another is better: {:.1} dB on average.",
            ranking.expected_regret_db
        ));
    }
    lines.extend(stands_out(view, first));
    lines
}

fn lead(view: &View, first: &SpotBelief, second: &SpotBelief) -> String {
    let gap_db = second.spread_db.value - first.spread_db.value;
    let name = spot_name(view, second.spot);
    if !gap_db.is_finite() || gap_db < 0.05 {
        format!("Next: {name}, as even as far as can be told.")
    } else {
        format!("Next: {name}, less even by about {gap_db:.1} dB.")
    }
}

fn stands_out(view: &View, spot: &SpotBelief) -> [String; 2] {
    [("peak", spot.worst_peak), ("hole", spot.worst_hole)].map(|(kind, (note, figure))| {
        format!("Worst {kind} there: {} at {}.", doubtful_db(figure), note_at(view, note))
    })
}

/// Breaks a text into lines of at most `columns` characters at its spaces; a longer word stands alone.
pub(super) fn wrapped(text: &str, columns: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    let mut width = 0;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        match lines.last_mut() {
            Some(line) if width + 1 + length <= columns => {
                line.push(' ');
                line.push_str(word);
                width += 1 + length;
            }
            _ => {
                lines.push(word.into());
                width = length;
            }
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn doubt_sets_the_digits() {
        assert_eq!(doubtful_db(Estimate { value: 2.14, low: 1.6, high: 2.71 }), "2.1 dB (1.6 to 2.7)");
        assert_eq!(doubtful_db(Estimate { value: -7.3, low: -11.2, high: -4.0 }), "-7 dB (-11 to -4)");
        assert_eq!(doubtful_db(Estimate { value: -0.01, low: -0.3, high: 0.3 }), "0.0 dB (-0.3 to 0.3)");
        assert_eq!(doubtful_db(Estimate { value: f64::NAN, low: 0.0, high: 1.0 }), "not known");
    }

    #[test]
    fn odds_never_claim_certainty() {
        let said: Vec<String> = [0.0, 0.06, 0.44, 0.9, 0.949, 1.0, f64::NAN].map(odds).into();
        assert_eq!(
            said,
            [
                "less than 1 in 20",
                "about 1 in 10",
                "about 4 in 10",
                "about 9 in 10",
                "about 9 in 10",
                "more than 19 in 20",
                "not known"
            ]
        );
    }
}
