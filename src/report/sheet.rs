//! The set-up sheet: one page for the customer, then what it rests on. Self-contained HTML, made for paper.

use maud::{Markup, PreEscaped, html};

use crate::draw::{self, Theme};
use crate::floor_plan;
use crate::html_page::HtmlPage;
use crate::judge::SpotBelief;
use crate::report::blend::{self, BlendFacts};
use crate::report::detail;
use crate::report::export::evidence_json;
use crate::report::facts::Facts;
use crate::report::pictures;
use crate::report::words::{count, decimal, estimate, list, minutes, note, odds, signed};

const STYLE: &str = include_str!("sheet.css");
/// Width of what is printed between the margins of A4, CSS pixels.
pub(crate) const PAGE: f64 = 688.0;
/// Width of a picture that is redrawn for a phone.
pub(crate) const PHONE: f64 = 346.0;
/// Below this level an unmade decibel is not worth a word.
pub(crate) const NOTABLE_SHORTFALL_DB: f64 = 0.5;

/// The whole sheet as HTML.
pub fn sheet(facts: &Facts) -> String {
    let page = HtmlPage {
        title: &format!("Set-up sheet: {}", facts.room.name),
        style: STYLE,
        metas: &[("color-scheme", "light"), ("generator", &facts.program)],
    };
    page.around(&html! {
        @match facts.blend.as_ref().filter(|blend| blend.alone) {
            Some(alone) => (blend_alone(facts, alone)),
            None => (placement(facts)),
        }
        (data_island(facts))
    })
}

/// The place first, and what the blend came to if there was one.
fn placement(facts: &Facts) -> Markup {
    html! {
        section class="page" {
            (head(facts))
            (place(facts))
            (sound(facts))
            div class="pair" {
                div { (sureness(facts)) (changes(facts)) }
                div {
                    @match &facts.blend {
                        Some(blended) => (blend::settings(blended)),
                        None => (settings(facts)),
                    }
                    (cautions(facts))
                }
            }
        }
        (blend::page(facts))
        @if facts.blend.is_some() { section class="page follows columns" { h1 { "While the place was judged" } (settings(facts)) } }
        (detail::pages(facts))
    }
}

/// A visit that was a blend alone.
fn blend_alone(facts: &Facts, blended: &BlendFacts) -> Markup {
    html! {
        section class="page" {
            (head(facts))
            (blend::table(blended))
            (blend::sound(blended))
            // What does not fit on the first page any more goes to the second in one piece: no page with a line or two.
            div class="together" {
                div class="pair" {
                    div { (blend::signed(facts, blended)) }
                    div { (blend::changes(facts)) p class="quiet" { (level_words(facts)) } }
                }
                (detail::log_in_brief(facts, blended))
            }
        }
    }
}

fn head(facts: &Facts) -> Markup {
    let started = facts.started.local().strftime("%-d %B %Y").to_string();
    html! {
        header {
            p class="kind" { "Set-up sheet for the subwoofer" }
            h1 { (facts.room.name) }
            p class="when" { (started) }
        }
        @if facts.brief.rehearsal {
            p class="notice" {
                strong { "This was a rehearsal. " }
                "A virtual room and a simulated listener stood in for real ones: nothing on this sheet was heard by a person or set on a "
                "real subwoofer."
            }
        }
        @if !facts.finished {
            p class="notice" {
                strong { "The visit has not ended. " }
                "This is how things stand; the place may still change."
            }
        }
    }
}

fn place(facts: &Facts) -> Markup {
    let plan = floor_plan::plan(&facts.room, facts.brief.seat, facts.chosen);
    let drawn = draw::plan::svg(&plan, 400.0, 250.0, &Theme::PRINT);
    html! {
        section class="place" {
            div {
                h2 { @if facts.finished { "The subwoofer stands here" } @else { "The leading spot" } }
                @match facts.chosen {
                    Some(spot) => (spot_words(facts, spot, &plan)),
                    None => p { "No spot has been chosen yet." },
                }
            }
            @if let Some(svg) = drawn { figure { (PreEscaped(svg)) } }
        }
    }
}

fn spot_words(facts: &Facts, spot: usize, plan: &draw::Plan) -> Markup {
    let at_m = facts.room.spots.get(spot).and_then(|place| place.at_m);
    let tapes = at_m.map(|[x, y, _]| plan.tapes([x, y])).unwrap_or_default();
    html! {
        p class="spot" { (facts.spot_name(spot)) }
        @if tapes.is_empty() {
            p class="quiet" { "This spot was not measured. Mark its place on the floor, or write down two distances from walls here:" }
            p class="blank" { "________ m from ____________" br; "________ m from ____________" }
        } @else {
            ul class="tapes" {
                @for tape in &tapes {
                    li { strong { (format!("{:.2} m", tape.distance_m)) } " from wall " (draw::plan::wall_letter(tape.wall)) }
                }
            }
            p class="quiet" { "Measured square to the wall, to the middle of the subwoofer's cone." }
        }
        p class="quiet" { (set_for(facts)) }
    }
}

/// For which seat, or for which seats with which weights.
fn set_for(facts: &Facts) -> String {
    let named = |seat: usize| format!("\u{2018}{}\u{2019}", facts.seat_name(seat));
    if facts.seats.is_empty() {
        return format!("Set for the seat {}.", named(facts.brief.seat));
    }
    let seats: Vec<String> =
        facts.seats.iter().map(|seat| format!("{} (weight {})", named(seat.seat), seat.weight)).collect();
    format!("Set for the seats {}.", list(&seats))
}

/// How even each seat has it, where there are several.
fn seats(facts: &Facts) -> Markup {
    html! {
        @if !facts.seats.is_empty() {
            p {
                "For each seat alone: "
                @for (at, seat) in facts.seats.iter().enumerate() {
                    @if at > 0 { ", " }
                    (facts.seat_name(seat.seat)) " "
                    @match seat.spread_db {
                        Some(spread_db) => strong { (estimate(spread_db)) },
                        None => "not heard",
                    }
                }
                ". The first figure weighs them together."
            }
        }
    }
}

fn sound(facts: &Facts) -> Markup {
    let Some((spot, belief)) = facts.chosen.zip(facts.chosen_belief()).filter(|(_, belief)| belief.answers > 0) else {
        return html! { section { h2 { "What it sounds like" } p { "Nothing was heard at the chosen spot." } } };
    };
    let mut picture = pictures::curves(facts, &[spot]);
    for curve in &mut picture.curves {
        curve.label = String::new();
    }
    let wide = draw::curves::svg(&picture, PAGE, 170.0, &Theme::PRINT);
    let narrow = draw::curves::svg(&picture, PHONE, 210.0, &Theme::PRINT);
    html! {
        section {
            h2 { "What it sounds like at the seat" }
            p { (evenness(facts, belief)) }
            (seats(facts))
            @if let (Some(wide), Some(narrow)) = (wide, narrow) {
                figure class="wide" { (PreEscaped(wide)) }
                figure class="narrow" { (PreEscaped(narrow)) }
                p class="quiet" {
                    "How far each note is from even. The light area holds the truth in 8 of 10 cases. " (how_heard(facts))
                }
            }
        }
    }
}

fn how_heard(facts: &Facts) -> &'static str {
    if facts.is_measured() {
        "From what was heard and what was measured."
    } else {
        "From what was heard, not from a microphone."
    }
}

/// Spread, worst peak and worst hole of a spot in one or two sentences.
fn evenness(facts: &Facts, belief: &SpotBelief) -> Markup {
    let (peak, hole) = (belief.worst_peak, belief.worst_hole);
    html! {
        "The bass notes are even to within " strong { (estimate(belief.spread_db)) } ", taken as the standard deviation over "
        (count(facts.notes_hz.len(), "note", "notes")) ". Strongest is " (note(facts, peak.0)) ", at " (signed(peak.1))
        "; weakest is " (note(facts, hole.0)) ", at " (signed(hole.1)) "."
    }
}

fn sureness(facts: &Facts) -> Markup {
    let spots = facts.spots_heard();
    html! {
        section {
            h2 { "How sure that is" }
            @match facts.chosen_belief() {
                Some(belief) if spots > 1 => {
                    p {
                        "The chance that no other of the " (spots) " spots is more even: " strong { (odds(belief.probability_best)) } "."
                    }
                    p { (regret_words(facts)) }
                }
                Some(_) => p { "Only one spot was heard, so there is nothing to compare it with." },
                None => p { "There is no chosen spot to be sure of." },
            }
            @let spoken: Vec<String> = facts.ranking.spots.iter().filter(|belief| belief.answers > 0)
                .map(|belief| facts.spot_name(belief.spot)).collect();
            @if spoken.len() > 1 {
                p class="quiet" {
                    "From " (count(facts.evidence.len(), "answer", "answers")) " in " (minutes(facts.listening_s)) " of listening, most even "
                    "first: " (list(&spoken)) "."
                }
            }
        }
    }
}

fn regret_words(facts: &Facts) -> String {
    let leads = facts.chosen.is_some() && facts.chosen == facts.ranking.spots.first().map(|belief| belief.spot);
    let regret_db = facts.ranking.expected_regret_db;
    if !leads {
        "The judge puts another spot first; this one was chosen all the same.".to_owned()
    } else if regret_db < 0.05 {
        "If another one is, the difference is expected to be too small to matter.".to_owned()
    } else {
        format!(
            "Should another one be better after all, what is lost is expected to be about {} dB of evenness.",
            decimal(regret_db)
        )
    }
}

fn settings(facts: &Facts) -> Markup {
    html! {
        section {
            h2 { "Settings while it was judged" }
            @if facts.checklist.is_empty() {
                p { "None were written down." }
            } @else {
                dl {
                    @for (what, state) in &facts.checklist { div { dt { (what) } dd { (state) } } }
                }
            }
            p class="quiet" { (level_words(facts)) }
        }
    }
}

fn level_words(facts: &Facts) -> String {
    let comfort = facts.comfort.map_or_else(
        || "No comfort level was agreed.".to_owned(),
        |level| format!("Comfort level {} for the reference tone at 50 Hz", db(level)),
    );
    match facts.ceiling {
        Some(ceiling) if facts.comfort.is_some() => {
            format!("{comfort}, ceiling {}; sound output: {}.", db(ceiling), facts.device)
        }
        _ => comfort,
    }
}

pub(crate) fn db(level: crate::units::Dbfs) -> String {
    level.to_string().replace('-', "\u{2212}")
}

fn changes(facts: &Facts) -> Markup {
    let spot =
        facts.chosen.map_or_else(|| "the spot".to_owned(), |spot| format!("\u{2018}{}\u{2019}", facts.spot_name(spot)));
    html! {
        section {
            h2 { "If something changes" }
            ul {
                li { "Subwoofer moved for cleaning: put it back to the distances above. A hand's breadth matters." }
                li { "It suddenly booms or goes missing: look through the settings first; one of them has usually changed." }
                li { "Seat moved by more than half a metre, other large furniture, doors kept differently, another subwoofer: "
                    "have the notes heard again, beginning with " (spot) "." }
                @if facts.blend.is_some() { (blend::keep(facts)) }
            }
            p class="quiet" { "Common practice." }
        }
    }
}

fn cautions(facts: &Facts) -> Markup {
    let short: Vec<String> = facts
        .levels
        .iter()
        .filter(|level| level.shortfall_db >= NOTABLE_SHORTFALL_DB)
        .map(|level| note(facts, level.note))
        .collect();
    html! {
        section {
            h2 { "Cautions" }
            ul {
                li { "Two people lift the subwoofer." }
                @if let Some(lowest) = facts.notes_hz.first() {
                    li { "Nothing below " (format!("{lowest:.0} Hz")) " was played or judged." }
                }
                @if !short.is_empty() {
                    li { (list(&short)) " could not be played as loud as the others; what is said of them is less sure." }
                }
                @if facts.evidence.iter().any(|evidence| evidence.rattles) {
                    li { "Something rattled; see the following pages." }
                }
                @for caveat in &facts.ranking.caveats { li { (caveat) } }
            }
        }
    }
}

/// The machine-readable copy. It is data, not a program; `<` is written as an escape so that nothing in it can end the
/// element.
fn data_island(facts: &Facts) -> Markup {
    let json = evidence_json(facts)
        .unwrap_or_else(|error| format!("{{\"error\":\"{}\"}}", error.to_string().replace('"', "'")));
    let json = json.replace('<', "\\u003c");
    html! { script type="application/json" id="evidence" { (PreEscaped(json)) } }
}
