//! Why it sounds as it does: what the room's shape says about the notes, and whether ears agree with it.

use maud::{Markup, html};

use crate::evidence::{Evidence, Heard};
use crate::report::facts::Facts;
use crate::report::words::{count, decimal, list};
use crate::room::ensemble::{Doubt, Ensemble};
use crate::room::field::RoomField;
use crate::room::study::MODES_UP_TO_HZ;
use crate::room::{Room, explain, forecast, pairs};

/// Fewer notes than this at a spot say nothing about agreement.
const FEWEST_NOTES: usize = 5;
const DRAWS: usize = 64;
const DRAWS_FOR_PAIRS: usize = 24;
const SEED: u64 = 1;
/// More reasons than these are not read.
const MOST_CAUSES: usize = 3;
/// What the seven words are meant to be, dB (the levels of the anchors).
const WORDS_DB: [f64; 7] = [-10.0, -6.0, -2.75, 0.0, 2.75, 6.0, 10.0];

/// How far what was heard at a spot is what the room's plan lets expect.
#[derive(Debug, Clone, PartialEq)]
pub struct Agreement {
    /// Position in the room's list.
    pub spot: usize,
    /// Notes that were heard there.
    pub notes: usize,
    /// Correlation of expected and heard deviations over the notes (Pearson); 0 where one of them does not vary.
    pub correlation: f64,
    /// Half of the notes differ by less than this, dB.
    pub median_difference_db: f64,
}

/// Compares answers with what the plan lets expect at a seat, spot by spot; nothing of the judge's belief enters, since
/// that knows the plan too. Spots without a position or with few notes are left out.
/// * `evidence` - positions in it count the seats and spots of `room` and the list of notes
pub fn agreement(
    room: &Room,
    seat: usize,
    notes_hz: &[f64],
    half_width_octaves: f64,
    evidence: &[Evidence],
) -> Vec<Agreement> {
    let expected = forecast::forecasts(room, notes_hz, half_width_octaves, DRAWS, SEED);
    let of_spot = |one: &forecast::Forecast| {
        let heard: Vec<(usize, f64)> = heard_db(evidence, seat, one.spot, notes_hz.len());
        if one.seat != seat || heard.len() < FEWEST_NOTES {
            return None;
        }
        let expected: Vec<f64> = heard.iter().map(|(note, _)| one.deviations[*note].middle_db).collect();
        let heard: Vec<f64> = heard.iter().map(|(_, level_db)| *level_db).collect();
        let (expected, heard) = (centred(&expected), centred(&heard));
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
        let scale = (dot(&expected, &expected) * dot(&heard, &heard)).sqrt();
        let mut apart: Vec<f64> = expected.iter().zip(&heard).map(|(a, b)| (a - b).abs()).collect();
        apart.sort_by(f64::total_cmp);
        Some(Agreement {
            spot: one.spot,
            notes: heard.len(),
            correlation: if scale > 1e-9 { dot(&expected, &heard) / scale } else { 0.0 },
            median_difference_db: apart[apart.len() / 2],
        })
    };
    expected.iter().filter_map(of_spot).collect()
}

fn centred(values: &[f64]) -> Vec<f64> {
    let mean = values.iter().sum::<f64>() / values.len().max(1) as f64;
    values.iter().map(|value| value - mean).collect()
}

/// What was heard of each note at a spot, dB: the mean of its answers, each relative to the others of its stay and
/// kind.
fn heard_db(evidence: &[Evidence], seat: usize, spot: usize, notes: usize) -> Vec<(usize, f64)> {
    let here: Vec<&Evidence> = evidence.iter().filter(|one| one.seat == seat && one.spot == spot).collect();
    let level_db = |one: &Evidence| {
        one.shortfall_db
            + match one.heard {
                Heard::Rating { rating } => WORDS_DB[rating.index()],
                Heard::Match { offset_db } => offset_db,
                Heard::Meter { level_db_spl: level_db } | Heard::Microphone { level_db } => level_db,
            }
    };
    let alike = |a: &Evidence, b: &Evidence| {
        a.stay == b.stay && std::mem::discriminant(&a.heard) == std::mem::discriminant(&b.heard)
    };
    let relative_db = |one: &Evidence| {
        let beside: Vec<f64> = here.iter().filter(|other| alike(one, other)).map(|other| level_db(other)).collect();
        level_db(one) - beside.iter().sum::<f64>() / beside.len() as f64
    };
    let of_note = |note: usize| {
        let all: Vec<f64> = here.iter().filter(|one| one.note == note).map(|one| relative_db(one)).collect();
        (!all.is_empty()).then(|| (note, all.iter().sum::<f64>() / all.len() as f64))
    };
    (0..notes).filter_map(of_note).collect()
}

/// The agreement in a sentence or two; `None` where nothing can be compared.
/// * `name` - what a spot is called
pub fn agreement_words(found: &[Agreement], name: impl Fn(usize) -> String) -> Option<String> {
    if found.is_empty() {
        return None;
    }
    let total: f64 = found.iter().map(|one| one.notes as f64).sum();
    let mean = |of: fn(&Agreement) -> f64| found.iter().map(|one| of(one) * one.notes as f64).sum::<f64>() / total;
    let (correlation, apart_db) = (mean(|one| one.correlation), mean(|one| one.median_difference_db));
    let how = match correlation {
        0.6.. => "agrees well with the plan",
        0.3.. => "agrees with the plan in part",
        _ => "hardly agrees with the plan; furniture, light walls or an opening decide here, or the plan is not right",
    };
    let mut words = format!(
        "What was heard {how}: over {}, the correlation is {} (1 is perfect, 0 is chance), and half of the notes are \
         within {} dB of what was expected.",
        count(found.len(), "spot", "spots"),
        decimal(correlation),
        decimal(apart_db)
    );
    let strange: Vec<String> = found
        .iter()
        .filter(|one| one.correlation < 0.0)
        .map(|one| format!("\u{2018}{}\u{2019}", name(one.spot)))
        .collect();
    if !strange.is_empty() && correlation >= 0.3 {
        words += &format!(" Not so at {}: have its place measured again.", list(&strange));
    }
    Some(words)
}

/// What the plan expects of two subwoofers at spots within reach, where there will be two; `None` where there is one,
/// nothing is known, or there are more spots than pairs are tried of.
fn pair_words(facts: &Facts) -> Option<String> {
    if facts.room.fittings.subwoofers != Some(2) {
        return None;
    }
    // Without its place a spot is in no pair.
    let mut room = facts.room.clone();
    for (spot, place) in room.spots.iter_mut().enumerate() {
        place.at_m = place.at_m.filter(|_| !facts.out_of_reach.contains(&spot));
    }
    let ensemble = Ensemble::new(&room, &facts.notes_hz, facts.half_width_octaves, Doubt::default())?;
    let pair = pairs::best_pairs(&ensemble, facts.brief.seat, DRAWS_FOR_PAIRS, SEED)?.into_iter().next()?;
    let one = ensemble.levels(facts.brief.seat, DRAWS_FOR_PAIRS, SEED)?;
    let alone_db =
        pair.spots.iter().filter_map(|spot| one.spread(*spot)).map(|band| band.middle_db).reduce(f64::min)?;
    let [first, second] = pair.spots.map(|spot| format!("\u{2018}{}\u{2019}", facts.spot_name(spot)));
    let polarity = if pair.inverted { "inverted" } else { "in the same polarity" };
    let delay =
        if pair.delay_ms > 0.0 { format!("{} ms late", decimal(pair.delay_ms)) } else { "without delay".to_owned() };
    let [low, high] = pair.interval_db;
    Some(format!(
        "Of two subwoofers the plan expects most at {first} and {second}, the second one {polarity} and {delay}: a \
         spread of {} dB ({} to {}) at the main seat, {} dB with the better one of the two alone. Nobody has heard \
         that yet.",
        decimal(pair.predicted_spread_db),
        decimal(low),
        decimal(high),
        decimal(alone_db)
    ))
}

/// The section of the sheet; empty where the room was not measured.
pub(crate) fn section(facts: &Facts) -> Markup {
    let place = facts.chosen.and_then(|spot| facts.room.spots.get(spot)).and_then(|spot| spot.at_m);
    let seat = facts.room.seats.get(facts.brief.seat).and_then(|seat| seat.at_m);
    let (Some(spot_m), Some(seat_m), Some(field)) = (place, seat, RoomField::new(&facts.room, MODES_UP_TO_HZ)) else {
        return html! {};
    };
    let causes = explain::explain(&facts.room, &field, spot_m, seat_m, &facts.notes_hz, facts.half_width_octaves);
    let found = agreement(&facts.room, facts.brief.seat, &facts.notes_hz, facts.half_width_octaves, &facts.evidence);
    html! {
        section {
            h2 { "Why it sounds like that" }
            @if causes.is_empty() {
                p { "By its plan, the room lets no note stand out much at this seat from this spot." }
            } @else {
                p { "What the room\u{2019}s plan lets expect at this seat from this spot:" }
                ul { @for cause in causes.iter().take(MOST_CAUSES) { li { (cause.words) "." } } }
            }
            @if let Some(words) = agreement_words(&found, |spot| facts.spot_name(spot)) { p { (words) } }
            @if let Some(words) = pair_words(facts) { p { (words) } }
            p class="quiet" {
                (format!("Such reasons hold up to about {:.0} Hz here (Schroeder frequency); above, too many waves \
                          overlap.", field.schroeder_hz()))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evidence::Rating;

    const ROOM: &str = "size_m = [5.1, 3.9]\nheight_m = 2.5\n[[seat]]\nname = \"sofa\"\nat_m = [3.4, 1.9]\n[[spot]]\n\
        name = \"corner\"\nat_m = [0.35, 0.35]\n[[spot]]\nname = \"unknown\"\n";

    fn notes_hz() -> Vec<f64> {
        (0..16).map(|n| 25.0 * (f64::from(n) * 0.15).exp2()).collect()
    }

    fn heard(of: impl Fn(usize, f64) -> Heard) -> Vec<Evidence> {
        let room = Room::from_toml("r", ROOM).unwrap();
        let expected = forecast::forecasts(&room, &notes_hz(), 1.0 / 12.0, DRAWS, SEED);
        let one = |note: usize| Evidence {
            seat: 0,
            spot: 0,
            note,
            stay: 0,
            heard: of(note, expected[0].deviations[note].middle_db),
            shortfall_db: 0.0,
            rattles: false,
        };
        (0..16).map(one).collect()
    }

    fn agree(evidence: &[Evidence]) -> Vec<Agreement> {
        agreement(&Room::from_toml("r", ROOM).unwrap(), 0, &notes_hz(), 1.0 / 12.0, evidence)
    }

    #[test]
    fn a_meter_that_reads_what_was_expected_agrees_perfectly() {
        let found = agree(&heard(|_, level_db| Heard::Meter { level_db_spl: 71.0 + level_db }));
        assert_eq!(found.len(), 1);
        assert!((found[0].correlation - 1.0).abs() < 1e-9 && found[0].median_difference_db < 1e-9, "{found:?}");
        assert!(agreement_words(&found, |_| "corner".into()).unwrap().contains("agrees well"));
    }

    #[test]
    fn ratings_the_wrong_way_round_do_not_agree() {
        let step = |level_db: f64| Rating::new((-level_db / 2.5).round().clamp(-3.0, 3.0) as i8).unwrap();
        let found = agree(&heard(|_, level_db| Heard::Rating { rating: step(level_db) }));
        assert!(found[0].correlation < -0.8, "{found:?}");
        assert!(agreement_words(&found, |_| "corner".into()).unwrap().contains("hardly agrees"));
    }

    #[test]
    fn a_few_notes_say_nothing() {
        assert!(agree(&heard(|_, level_db| Heard::Match { offset_db: level_db })[..4]).is_empty());
        assert_eq!(agreement_words(&[], |_| String::new()), None);
    }
}
