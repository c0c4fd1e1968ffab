//! The blend on the sheet: every control's setting, what it was before, why, how sure, and what to check if something
//! changes.

mod facts;

use maud::{Markup, PreEscaped, html};

use crate::draw::{self, Curve, Curves, Point, Theme};
use crate::report::facts::Facts;
use crate::report::sheet::{PAGE, PHONE};
use crate::report::words::{count, list};
use crate::routine::NO_SPOT;
pub(crate) use facts::facts_of;
pub use facts::{BlendFacts, ControlFacts, PredictedFacts, SinceFacts};

/// The settings, for the first page: name and value.
pub(crate) fn settings(blend: &BlendFacts) -> Markup {
    html! {
        section {
            h2 { "Settings" }
            @if blend.controls.is_empty() {
                p { "This system has no controls." }
            } @else {
                dl class="settings" {
                    @for control in &blend.controls {
                        div { dt { (control.name) } dd { strong { @if control.value.is_empty() { "not known" } @else { (control.value) } } } }
                    }
                }
            }
            p class="quiet" { "Subwoofer on the " (blend.connection) "." @if !blend.alone { " More on the page \u{2018}The blend\u{2019}." } }
        }
    }
}

/// The control before this one that was found by the same answers: those of a tuning belong together, and are said
/// once.
fn found_with<'a>(before: &'a [ControlFacts], control: &ControlFacts) -> Option<&'a ControlFacts> {
    let same = |other: &&ControlFacts| {
        (&other.how, &other.sure, other.answers) == (&control.how, &control.sure, control.answers)
    };
    before.iter().find(same).filter(|_| control.answers > 0)
}

/// The settings in full: what each was before, why, how sure, and when to look at it again.
pub(crate) fn table(blend: &BlendFacts) -> Markup {
    html! {
        section {
            h2 { "Every control" }
            div {
                table class="stack controls" {
                    thead { tr { th { "Control" } th { "Setting" } th { "Before" } th { "How it was found, how sure" } th { "Look again if" } } }
                    tbody {
                        @for (at, control) in blend.controls.iter().enumerate() {
                            tr {
                                td class="whole" data-head="Control" { strong { (control.name) } }
                                td class="whole" data-head="Setting" {
                                    strong { @if control.value.is_empty() { "not known" } @else { (control.value) } }
                                }
                                td class="whole" data-head="Before" { (control.before.as_deref().unwrap_or("not known")) }
                                td data-head="Found" {
                                    @match found_with(&blend.controls[..at], control) {
                                        Some(other) => { "together with " (other.name) }
                                        None => {
                                            (control.how)
                                            @if !control.sure.is_empty() { "; " (control.sure) }
                                            @if control.answers > 0 { "; " (count(control.answers, "answer", "answers")) }
                                        }
                                    }
                                }
                                td data-head="Look again if" { (control.check_when) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The notes across the crossover, as a curve, and what the figures alone would give.
fn picture(blend: &BlendFacts) -> Curves {
    // A word of the ratings is good to about a step either way; a meter to about 1 dB. One light area at a time can be
    // read.
    let worth_db = match (&blend.predicted, blend.metered) {
        (Some(_), _) => 0.0,
        (None, true) => 1.0,
        (None, false) => 2.0,
    };
    let points = blend.notes.iter().map(|&(frequency_hz, value_db)| Point {
        frequency_hz,
        value_db,
        low_db: value_db - worth_db,
        high_db: value_db + worth_db,
    });
    let label = |words: &str| if blend.predicted.is_some() { words.to_owned() } else { String::new() };
    let mut curves = vec![Curve { label: label("heard"), points: points.collect() }];
    curves.extend(blend.predicted.as_ref().map(|predicted| {
        Curve {
            label: label("figures"),
            points: predicted
                .curve
                .iter()
                .map(|&[frequency_hz, value_db, low_db, high_db]| Point { frequency_hz, value_db, low_db, high_db })
                .collect(),
        }
    }));
    Curves { notes: Vec::new(), curves }
}

/// How bass goes over from one to the other.
pub(crate) fn sound(blend: &BlendFacts) -> Markup {
    let picture = picture(blend);
    let wide = draw::curves::svg(&picture, PAGE, 150.0, &Theme::PRINT);
    let narrow = draw::curves::svg(&picture, PHONE, 230.0, &Theme::PRINT);
    html! {
        section {
            h2 { "How bass goes over from subwoofer to main speakers" }
            @if blend.notes.is_empty() {
                p { "The notes across the crossover were not heard." }
            } @else {
                p {
                    "Main speakers and subwoofer meet near " strong { (format!("{:.0} Hz", blend.crossover_hz)) } ". "
                    @if blend.stands_out.is_empty() { "The notes run through without a hole or a hump." }
                    @else { (blend.stands_out.join(" ")) }
                }
                @if let (Some(wide), Some(narrow)) = (wide, narrow) {
                    figure class="wide" { (PreEscaped(wide)) }
                    figure class="narrow" { (PreEscaped(narrow)) }
                    p class="quiet" {
                        "How far each note is from their mean, " @if blend.metered { "off a meter, good to about 1 dB." }
                        @else { "as it was rated by ear, good to about 2 dB." }
                    }
                }
            }
            @if let Some(predicted) = &blend.predicted { (by_the_figures(predicted)) }
        }
    }
}

/// What the figures alone would give, beside what was heard.
fn by_the_figures(predicted: &PredictedFacts) -> Markup {
    let [worst_db, least_db, most_db] = predicted.worst_db;
    html! {
        p {
            "By the figures on the boxes alone, without a room, the octave around the crossover would be even within "
            strong { (format!("{worst_db:.1} dB")) } (format!(" ({least_db:.1} to {most_db:.1})"))
            @if let Some(heard_db) = predicted.heard_worst_db { "; it was heard even within " strong { (format!("{heard_db:.1} dB")) } }
            "."
            @if !predicted.best.is_empty() {
                " They would have it flattest with " (list(&predicted.best))
                @if predicted.best.len() > 1 { ", each turned by itself" }
                "."
            }
        }
        p class="quiet" {
            "Dashed: that sum; the light area holds it 9 times in 10 if the figures are off as usual. Notes outside it: something is "
            "otherwise than the figures say (the room, a delay nobody states, another slope). From: " (predicted.from.join("; ")) "."
            @if predicted.assumes_slopes { " Assumed slopes: common practice." }
        }
    }
}

/// Who heard it and where, and what changed since an earlier visit.
pub(crate) fn signed(facts: &Facts, blend: &BlendFacts) -> Markup {
    let (even, uneven): (Vec<_>, Vec<_>) = blend.seats.iter().partition(|(_, even)| *even);
    let names = |seats: &[&(String, bool)]| list(&seats.iter().map(|(name, _)| name.clone()).collect::<Vec<_>>());
    html! {
        section {
            h2 { "Heard and signed off" }
            @if blend.seats.is_empty() {
                p { "Nobody has heard it from the seats yet." }
            } @else {
                @if !even.is_empty() { p { "Even enough at " strong { (names(&even)) } "." } }
                @if !uneven.is_empty() { p { "Not even at " strong { (names(&uneven)) } ". One setting cannot serve every seat." } }
                @match &blend.heard_by {
                    Some(name) => p { "Heard by " (name) "." },
                    None => p class="quiet" { "Signed without a name." },
                }
            }
            @for words in &blend.wiring { p class="quiet" { (words) } }
            @for words in &blend.remarks { p class="quiet" { (words) } }
        }
        @if let Some((name, date)) = &blend.earlier {
            section {
                h2 { "Since " (name) ", " (date) }
                @if let [spot] = facts.room.spots.as_slice() && spot.name != NO_SPOT {
                    p { "The subwoofer stands at \u{2018}" (spot.name) "\u{2019}." }
                }
                @if !blend.drifts.is_empty() { ul { @for drift in &blend.drifts { li { (drift) } } } }
                p { (since(blend)) }
            }
        }
    }
}

/// Whether anything has drifted, by the controls and by what is heard.
fn since(blend: &BlendFacts) -> String {
    let stands = "every control stands where it was left";
    let drifted = !blend.drifts.is_empty();
    let Some(SinceFacts { then_db, now_db, worse }) = blend.since else {
        let heard = "the notes across the crossover were not heard both times.";
        return if drifted { format!("Not compared by ear: {heard}") } else { format!("So far, {stands}; {heard}") };
    };
    let heard = format!("the worst note is {now_db:.1} dB from the mean, {then_db:.1} dB then");
    match (worse, drifted) {
        (true, true) => {
            format!("It is heard clearly less even: {heard}. Turn the controls back first, then have it heard again.")
        }
        (true, false) => format!(
            "It is heard clearly less even, although {stands}: {heard}. Something else has changed: a cable, a setting \
             of source or processor, the subwoofer's place, the seat or the furniture."
        ),
        (false, true) => format!("It is heard about as even as then: {heard}."),
        (false, false) => format!("Nothing has drifted: {stands}, and it is heard about as even as then ({heard})."),
    }
}

/// What to do when something changes: for a sheet that is about the blend alone.
pub(crate) fn changes(facts: &Facts) -> Markup {
    html! {
        section {
            h2 { "If something changes" }
            ul {
                li { "Bass suddenly thin or booming: look through the settings first; one of them has usually changed." }
                li { "Subwoofer, seat or main speakers moved: have level, phase and distance heard again." }
                li { "Once a year, or after anything else: " code { "evenbass begin --recheck" } " with this visit's file says what has drifted." }
                (keep(facts))
            }
            p class="quiet" { "Common practice." }
        }
    }
}

/// The sheet alone is not enough for a re-check.
pub(crate) fn keep(facts: &Facts) -> Markup {
    html! { li { "Keep the file " code { (facts.visit_file) } " with this sheet: the next check needs it." } }
}

/// The page after the first, where the placement has the first.
pub(crate) fn page(facts: &Facts) -> Markup {
    let Some(blend) = facts.blend.as_ref().filter(|blend| !blend.alone) else { return html! {} };
    html! {
        section class="page" {
            h1 { "The blend" }
            (table(blend))
            (sound(blend))
            (signed(facts, blend))
        }
    }
}
