//! The pages after the first: what was heard, per spot and per note, what was assumed, and where it is written down.

use maud::{Markup, PreEscaped, html};

use crate::draw::{self, Theme};
use crate::evidence::{Evidence, Heard};
use crate::floor_plan;
use crate::judge::SpotBelief;
use crate::report::blend::BlendFacts;
use crate::report::facts::Facts;
use crate::report::pictures;
use crate::report::sheet::{NOTABLE_SHORTFALL_DB, PAGE, db};
use crate::report::why;
use crate::report::words::{count, decimal, estimate, list, minutes, note, odds, signed};

/// All of them.
pub(crate) fn pages(facts: &Facts) -> Markup {
    html! {
        section class="page" {
            h1 { "What it rests on" }
            (heard(facts))
            (spots(facts))
            (why::section(facts))
        }
        section class="page follows" {
            h1 { "Levels, notes and the log" }
            (levels(facts))
            div class="pair" {
                (noticed(facts))
                (assumed(facts))
            }
            div class="columns" { (log(facts)) }
        }
    }
}

fn heard(facts: &Facts) -> Markup {
    let table = pictures::spots_by_notes(facts);
    html! {
        section {
            h2 { "What was heard" }
            @if table.columns.is_empty() {
                p { "No note was rated." }
            } @else {
                p {
                    "Each field is one note at one spot: blocks to the left for weak, to the right for strong, relative to the notes at that "
                    "spot as a whole. The framed spot was chosen; under each name stands how uneven the notes are there."
                }
                figure class="scroll" { (PreEscaped(draw::spots_by_notes::svg(&table, PAGE, &Theme::PRINT))) }
            }
        }
    }
}

fn spots(facts: &Facts) -> Markup {
    html! {
        section {
            h2 { "The spots, most even first" }
            div class="scroll" {
                table {
                    thead { tr {
                        th { "Spot" } th class="figure" { "Answers" } th class="figure" { "Spread" } th { "Chance to be best" }
                        th { "Worst peak" } th { "Worst hole" }
                    } }
                    tbody { @for belief in &facts.ranking.spots { (spot_row(facts, belief)) } }
                }
            }
            p class="quiet" {
                "Spread: standard deviation over the notes. In brackets the range in which the truth lies in 8 of 10 cases."
            }
            (comparisons(facts))
            @if let Some(words) = deciding(facts) { p { (words) } }
            @if facts.stays.len() > 1 { p class="quiet" { (stays(facts)) } }
        }
    }
}

/// What was heard in the shoot-out.
fn comparisons(facts: &Facts) -> Markup {
    let Some(last) = facts.comparisons.last() else { return html! {} };
    let name = |spot| format!("\u{2018}{}\u{2019}", facts.spot_name(spot));
    html! {
        p {
            "Compared from the main seat with the subwoofer moved, "
            @if last.blind { "without knowing where it stood" } @else { strong { "not blind: the listener knew where it stood" } }
            ":"
        }
        ul {
            @for compared in &facts.comparisons {
                li {
                    (name(compared.before)) ", then " (name(compared.after)) ": "
                    @match compared.more_even {
                        Some(spot) => { (name(spot)) " was the more even one." }
                        None => "no difference was heard.",
                    }
                }
            }
        }
    }
}

/// Which notes set the first two spots apart, and what more listening would have brought.
fn deciding(facts: &Facts) -> Option<String> {
    let [first, second, ..] = facts.ranking.spots.as_slice() else { return None };
    if first.answers == 0 || second.answers == 0 || facts.ranking.deciding_notes.is_empty() {
        return None;
    }
    let notes: Vec<String> = facts
        .ranking
        .deciding_notes
        .iter()
        .map(|index| format!("{} ({:.0} Hz)", facts.note_name(*index), hertz(facts, *index)))
        .collect();
    Some(format!(
        "\u{2018}{}\u{2019} and \u{2018}{}\u{2019} differ most at {}. Five more minutes of listening would have lowered the spread at the \
         chosen spot by about {} dB.",
        facts.spot_name(first.spot),
        facts.spot_name(second.spot),
        list(&notes),
        decimal(facts.ranking.five_minutes_db)
    ))
}

fn spot_row(facts: &Facts, belief: &SpotBelief) -> Markup {
    let chosen = facts.chosen == Some(belief.spot);
    html! {
        tr class=[chosen.then_some("chosen")] {
            td {
                (facts.spot_name(belief.spot)) @if chosen { span class="mark" { " \u{25a0}" } }
                @if let Some(place) = facts.room.spots.get(belief.spot) { (tapes(facts, place)) }
            }
            td class="figure" { (belief.answers) }
            @if belief.answers == 0 {
                td colspan="4" class="quiet" { "not heard" }
            } @else {
                td class="figure" { (estimate(belief.spread_db)) }
                td class="figure" { (odds(belief.probability_best)) }
                td { (note(facts, belief.worst_peak.0)) br; small { (signed(belief.worst_peak.1)) } }
                td { (note(facts, belief.worst_hole.0)) br; small { (signed(belief.worst_hole.1)) } }
            }
        }
    }
}

/// A spot's tape distances, wall letters as on the plan.
fn tapes(facts: &Facts, place: &crate::room::Place) -> Markup {
    let plan = floor_plan::plan(&facts.room, facts.brief.seat, facts.chosen);
    let signs = place.at_m.map(|[x, y, _]| plan.tape_signs([x, y])).unwrap_or_default();
    html! { @if !signs.is_empty() { br; small class="tape" { (signs) " m" } } }
}

fn stays(facts: &Facts) -> String {
    let walked: Vec<String> = facts
        .stays
        .iter()
        .map(|stay| format!("{} ({:.1} min)", facts.spot_name(stay.spot), stay.seconds / 60.0))
        .collect();
    format!("Heard in this order: {}.", list(&walked))
}

fn levels(facts: &Facts) -> Markup {
    let half = facts.levels.len().div_ceil(2);
    html! {
        section {
            h2 { "Levels of the notes" }
            @if facts.levels.is_empty() {
                p { "No note was played." }
            } @else {
                div class="pair" {
                    @for part in facts.levels.chunks(half.max(1)) {
                        table {
                            thead { tr { th { "Note" } th class="figure" { "Level" } th { "Short of equal loudness by" } } }
                            tbody {
                                @for level in part {
                                    tr {
                                        td { (note(facts, level.note)) }
                                        td class="figure" { (db(level.level)) }
                                        td { @if level.shortfall_db >= NOTABLE_SHORTFALL_DB { (decimal(level.shortfall_db)) " dB" } @else { "\u{2013}" } }
                                    }
                                }
                            }
                        }
                    }
                }
                p class="quiet" {
                    "dBFS: level of the signal, 0 for a full-scale sine. It holds for this output and the volume set on the day alone. A note that "
                    "could not be played at equal loudness (ceiling, limit of the boost, strain of the driver) was judged with its shortfall "
                    "counted in."
                }
            }
        }
    }
}

/// Notes left out, rattles, remarks.
fn noticed(facts: &Facts) -> Markup {
    html! {
        section {
            h2 { "Noticed" }
            ul {
                @for (frequency_hz, why) in &facts.left_out { li { (format!("{frequency_hz:.0} Hz")) " was left out: " (why) } }
                @for rattle in rattles(facts) { li { (rattle) } }
                @for remark in &facts.remarks { li { (remark) } }
                @for interruption in &facts.interruptions { li { (interruption) } }
                @for remark in listener(facts) { li { (remark) } }
                li { (guarded(facts)) }
            }
        }
    }
}

fn rattles(facts: &Facts) -> Vec<String> {
    let mut spots: Vec<usize> =
        facts.evidence.iter().filter(|evidence| evidence.rattles).map(|evidence| evidence.spot).collect();
    spots.sort_unstable();
    spots.dedup();
    let at = |spot: &usize| {
        let mut notes: Vec<usize> = facts
            .evidence
            .iter()
            .filter(|evidence| evidence.rattles && evidence.spot == *spot)
            .map(|evidence| evidence.note)
            .collect();
        notes.sort_unstable();
        notes.dedup();
        let named: Vec<String> =
            notes.iter().map(|index| format!("{} ({:.0} Hz)", facts.note_name(*index), hertz(facts, *index))).collect();
        format!(
            "Something rattled with the listener at \u{2018}{}\u{2019}, at {}.",
            facts.spot_name(*spot),
            list(&named)
        )
    };
    spots.iter().map(at).collect()
}

fn hertz(facts: &Facts, note: usize) -> f64 {
    facts.notes_hz.get(note).copied().unwrap_or(f64::NAN)
}

/// How the ratings agreed with each other, and what would help.
fn listener(facts: &Facts) -> Vec<String> {
    let report = &facts.ranking.listener;
    let rated = facts.evidence.iter().any(|evidence| matches!(evidence.heard, Heard::Rating { .. }));
    let mut remarks = Vec::new();
    if rated {
        remarks.push(format!(
            "One rating is uncertain by about {}; what counts as even moved by about {} between stays.",
            estimate(report.noise_db),
            estimate(report.drift_db)
        ));
    }
    if let Some(consistency) = report.consistency {
        let pairs = count(report.repeats, "note was", "notes were");
        remarks.push(format!(
            "{pairs} rated twice; the agreement is {consistency:.2}, where 1 is perfect (weighted kappa)."
        ));
    }
    remarks.extend(report.advice.iter().cloned());
    remarks
}

fn guarded(facts: &Facts) -> String {
    let guarded = facts.guarded;
    match (guarded.over_ceiling, guarded.non_finite) {
        (0, 0) => "The guard never had to step in.".to_owned(),
        (over, 0) => format!("The guard turned down {over} samples that would have passed the ceiling."),
        (over, bad) => format!(
            "The guard turned down {over} samples and silenced {bad} that were not numbers; tell the makers of the program."
        ),
    }
}

fn assumed(facts: &Facts) -> Markup {
    let brief = &facts.brief;
    let kinds = [
        (
            "rated by ear on seven steps",
            facts.evidence.iter().filter(|e| matches!(e.heard, Heard::Rating { .. })).count(),
        ),
        ("matched by ear", facts.evidence.iter().filter(|e| matches!(e.heard, Heard::Match { .. })).count()),
        (
            "read off a sound level meter",
            facts.evidence.iter().filter(|e| matches!(e.heard, Heard::Meter { .. })).count(),
        ),
        ("taken by a microphone", facts.evidence.iter().filter(is_microphone).count()),
    ];
    html! {
        section {
            h2 { "Assumed" }
            ul {
                li { "Equal loudness after ISO 226:2023 at " (format!("{:.0} phon", brief.loudness_phon)) "." }
                @for (how, number) in kinds { @if number > 0 { li { (count(number, "answer", "answers")) " " (how) "." } } }
                @if !facts.evidence.iter().any(|evidence| is_microphone(&evidence)) { li { "No microphone." } }
                @if brief.kit.too_heavy == Some(true) {
                    li { "The subwoofer was moved from spot to spot and heard from the seat." }
                } @else {
                    li { "The subwoofer stood on the seat and was heard from the spots; sound takes the same way in both directions." }
                }
                li { (tone_width(facts.half_width_octaves)) }
                @if brief.kit.deep_driver { li { "The driver may take notes below 25 Hz at full level." } }
            }
        }
    }
}

fn tone_width(half_width_octaves: f64) -> String {
    let semitones = half_width_octaves * 12.0;
    if semitones < 0.05 {
        "Pure tones.".to_owned()
    } else {
        let width = format!("{semitones:.1}");
        let width = width.trim_end_matches('0').trim_end_matches('.');
        let unit = if width == "1" { "semitone" } else { "semitones" };
        format!("Tones that reach {width} {unit} to either side of the note.")
    }
}

fn is_microphone(evidence: &&Evidence) -> bool {
    matches!(evidence.heard, Heard::Microphone { .. })
}

pub(crate) fn log(facts: &Facts) -> Markup {
    let time = |wall: crate::visit::WallTime| wall.local().strftime("%-d %B %Y, %H:%M").to_string();
    html! {
        section {
            h2 { "Where it is written down" }
            dl class="log" {
                div { dt { "Visit file" } dd { (facts.visit_file) ", " (count(facts.events, "event", "events")) } }
                div { dt { "Begun" } dd { (time(facts.started)) } }
                div { dt { "Last event" } dd { (time(facts.ended)) } }
                @if let Some(blend) = &facts.blend {
                    div { dt { "Blend" } dd { (minutes(blend.seconds)) ", " (count(blend.answers, "answer", "answers")) } }
                }
                @if !facts.brief.is_placed() { div { dt { "Listening" } dd {
                    (minutes(facts.listening_s)) ", " (count(facts.stays.len(), "stay", "stays")) ", "
                    (count(facts.evidence.len(), "answer", "answers"))
                    @if facts.taken_back > 0 { "; " (count(facts.taken_back, "answer", "answers")) " taken back" }
                } } }
                div { dt { "Sound output" } dd { (facts.device) (channels(facts)) } }
                div { dt { "Seed" } dd { (facts.brief.seed) } }
                div { dt { "Program" } dd { (facts.program) } }
            }
            p class="quiet" { (made_anew()) }
        }
    }
}

fn made_anew() -> Markup {
    html! {
        "This sheet can be made anew from the visit file at any time. The answers are also in the files that end in "
        code { ".evidence.csv" } " and " code { ".evidence.json" } ", and inside this page."
    }
}

/// The same in a few lines, for a sheet that is about the blend alone: with it, it stays on one page.
pub(crate) fn log_in_brief(facts: &Facts, blend: &BlendFacts) -> Markup {
    let (begun, ended) = (facts.started.local(), facts.ended.local());
    let day = "%-d %B %Y, %H:%M";
    let same_day = begun.date() == ended.date();
    html! {
        section {
            h2 { "Where it is written down" }
            p class="quiet" {
                (facts.visit_file) ", " (count(facts.events, "event", "events")) "; begun " (begun.strftime(day).to_string())
                ", last event " (ended.strftime(if same_day { "%H:%M" } else { day }).to_string()) "; blend "
                (minutes(blend.seconds)) ", " (count(blend.answers, "answer", "answers")) "; sound output " (facts.device)
                (channels(facts)) "; seed " (facts.brief.seed) "; " (facts.program) ". " (made_anew())
            }
        }
    }
}

fn channels(facts: &Facts) -> String {
    let channels: Vec<String> = facts.brief.kit.channels.iter().map(u16::to_string).collect();
    match channels.len() {
        0 => String::new(),
        1 => format!(", channel {}", channels[0]),
        _ => format!(", channels {}", list(&channels)),
    }
}
