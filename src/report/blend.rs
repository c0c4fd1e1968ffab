//! The blend on the sheet: every control's setting, what it was before, why, how sure, and what to check if something changes.

use maud::{Markup, PreEscaped, html};
use serde::Serialize;

use crate::blend::predict::predicted;
use crate::blend::{Control, Role};
use crate::draw::{self, Curve, Curves, Point, Theme};
use crate::report::facts::Facts;
use crate::report::sheet::{PAGE, PHONE};
use crate::report::words::{count, list};
use crate::routine::blend::{Blend, NoteHeard};
use crate::routine::{Stage, State};

/// What a blend came to.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BlendFacts {
    /// What the system is called.
    pub system: String,
    /// How the subwoofer is fed, in words.
    pub connection: String,
    /// Which outputs reach it, and what is not as it should be, in words.
    pub wiring: Vec<String>,
    /// The controls, in the system's order.
    pub controls: Vec<ControlFacts>,
    /// Where main speakers and subwoofer meet, Hz.
    pub crossover_hz: f64,
    /// Notes across it: hertz, and dB against their mean.
    pub notes: Vec<(f64, f64)>,
    /// They were metered rather than rated.
    pub metered: bool,
    /// What the figures on the boxes alone would give, where they say it.
    pub predicted: Option<PredictedFacts>,
    /// What stands out, in words.
    pub stands_out: Vec<String>,
    /// Seats with what was heard there.
    pub seats: Vec<(String, bool)>,
    /// Who heard it.
    pub heard_by: Option<String>,
    /// What else has to be known, in words.
    pub remarks: Vec<String>,
    /// An earlier visit that this one looked at again: its name and date.
    pub earlier: Option<(String, String)>,
    /// What has drifted since, in words; empty if nothing has.
    pub drifts: Vec<String>,
    /// The blend is all that this visit was about.
    pub alone: bool,
    /// It has come to its end.
    pub finished: bool,
    /// Answers that count.
    pub answers: usize,
    /// From the first answer to the last, seconds.
    pub seconds: f64,
}

/// The sum by the figures on the boxes, without a room.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PredictedFacts {
    /// Hertz; dB against the curve's own mean; and between which levels it lies nine times in ten, if the figures are off as usual.
    pub curve: Vec<[f64; 4]>,
    /// Its worst deviation, dB, and how small and how large that may be, one time in twenty each.
    pub worst_db: [f64; 3],
    /// The worst deviation of the notes that were heard in the same octave, dB; `None` if none were.
    pub heard_worst_db: Option<f64>,
    /// At which phase and at which time the sum would be flattest by these figures, in words.
    pub best: Vec<String>,
    /// What it was computed from, in words.
    pub from: Vec<String>,
    /// Not every slope in it is stated.
    pub assumes_slopes: bool,
}

/// One control.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ControlFacts {
    /// Its name.
    pub name: String,
    /// Where it stands, as it is marked; empty if that is not known.
    pub value: String,
    /// Where it stood before.
    pub before: Option<String>,
    /// Why there was a step for it.
    pub why: String,
    /// How the value was found.
    pub how: String,
    /// How sure that is.
    pub sure: String,
    /// Answers that it rests on.
    pub answers: usize,
    /// When to look at it again.
    pub check_when: &'static str,
}

/// The blend of a visit, if there was one and its system is known.
pub(crate) fn facts_of(state: &State) -> Option<BlendFacts> {
    let blend = state.blend()?;
    let brief = state.brief().blend.as_ref()?;
    let under_way =
        matches!(state.stage(), Stage::Blend | Stage::Done) || state.blend().is_some_and(Blend::has_settings);
    if !under_way {
        return None;
    }
    let system = blend.system();
    let wiring = blend.wiring().map(|wiring| {
        let faults = wiring.faults(system.connection);
        std::iter::once(wiring.reach()).chain(faults.iter().map(|fault| fault.what().to_owned())).collect()
    });
    let mean_db = blend.notes().iter().map(NoteHeard::db).sum::<f64>() / blend.notes().len().max(1) as f64;
    let predicted = predicted_facts(blend, state.brief().seed);
    let seat_name = |seat: usize| state.room().seats.get(seat).map_or_else(String::new, |place| place.name.clone());
    Some(BlendFacts {
        system: system.name.clone(),
        connection: system.connection.word().into(),
        wiring: wiring.unwrap_or_default(),
        controls: system.controls.iter().enumerate().map(|(at, control)| control_facts(blend, at, control)).collect(),
        crossover_hz: blend.crossover_hz(),
        notes: blend.notes().iter().map(|note| (note.frequency_hz, note.db() - mean_db)).collect(),
        metered: blend.notes().iter().any(|note| note.level_db.is_some()),
        stands_out: blend
            .traces()
            .iter()
            .map(|trace| {
                let what = if trace.deviation_db < 0.0 { "A hole" } else { "A hump" };
                format!("{what} at {:.0} Hz, likely {}. {}", trace.frequency_hz, trace.cause.word(), trace.cause.next())
            })
            .collect(),
        seats: blend.seats().iter().map(|heard| (seat_name(heard.seat), heard.even)).collect(),
        heard_by: blend.heard_by().map(Into::into),
        remarks: remarks(blend, predicted.is_some()),
        predicted,
        earlier: brief.recheck.as_ref().map(|earlier| (earlier.name.clone(), earlier.date.clone())),
        drifts: blend.drifts().to_vec(),
        alone: brief.placed,
        finished: *state.stage() == Stage::Done,
        answers: blend.answers(),
        seconds: blend.seconds(),
    })
}

fn predicted_facts(blend: &Blend, seed: u64) -> Option<PredictedFacts> {
    let (system, crossover_hz) = (blend.system(), blend.crossover_hz());
    let prediction = predicted(system, &blend.stands().values, blend.before(), crossover_hz, seed)?;
    let in_the_octave = |note: &&NoteHeard| (note.frequency_hz / crossover_hz).log2().abs() <= 0.5 + 1e-9;
    let heard: Vec<f64> = blend.notes().iter().filter(in_the_octave).map(NoteHeard::db).collect();
    let mean_db = heard.iter().sum::<f64>() / heard.len().max(1) as f64;
    let curve = prediction.curve.iter().zip(&prediction.band);
    let [least_db, most_db] = prediction.worst_range_db;
    let best = |&(at, value, worst_db): &(usize, f64, f64)| {
        let control = system.controls.get(at)?;
        Some(format!("{} at {} ({worst_db:.1} dB)", control.label(), control.say(value)))
    };
    Some(PredictedFacts {
        curve: curve.map(|(&(hz, db), band)| [hz, db, band.low_db, band.high_db]).collect(),
        worst_db: [prediction.worst_db, least_db, most_db],
        heard_worst_db: heard.iter().map(|db| (db - mean_db).abs()).reduce(f64::max),
        best: prediction.best.iter().filter_map(best).collect(),
        from: prediction.from,
        assumes_slopes: prediction.assumes_slopes,
    })
}

fn control_facts(blend: &Blend, at: usize, control: &Control) -> ControlFacts {
    let decision = blend.decisions().iter().find(|decision| decision.control == at);
    let stands = blend.stands().values.get(at).copied().flatten();
    ControlFacts {
        name: control.label(),
        value: stands.map(|value| control.say(value)).unwrap_or_default(),
        before: blend.before().get(at).copied().flatten().map(|value| control.say(value)),
        why: decision.map(|decision| decision.why.clone()).unwrap_or_default(),
        how: decision.map_or_else(|| "left as it was".into(), |decision| decision.how.clone()),
        sure: decision.map(|decision| decision.sure.clone()).unwrap_or_default(),
        answers: decision.map_or(0, |decision| decision.answers),
        check_when: check_when(control.role),
    }
}

/// When a control is worth a look (*common practice*).
const fn check_when(role: Role) -> &'static str {
    match role {
        Role::Level => "another amplifier or source, a moved seat, new furniture",
        Role::LowPass | Role::Crossover | Role::HighPass => {
            "other main speakers, voices seem to come from the subwoofer"
        }
        Role::Phase | Role::Polarity => "bass has become thin, a cable was changed, the subwoofer was moved",
        Role::Contour => "it booms or has gone thin on one note",
        Role::Delay | Role::Distance => "the subwoofer or the seat was moved, the wireless link was changed",
    }
}

fn remarks(blend: &Blend, has_figures: bool) -> Vec<String> {
    let system = blend.system();
    let mut remarks = Vec::new();
    if system.wireless {
        let stated = if system.latency_s.is_some() { "as stated" } else { "a common allowance, none was stated" };
        remarks.push(format!("The wireless link is late by {:.1} ms ({stated}).", system.allowed_latency_s() * 1e3));
    }
    if system.connection.has_lfe() && !system.two_channel {
        remarks.push(
            "The LFE channel of films is recorded 10 dB low and played 10 dB louder (ITU-R BS.775); the levels here are for the bass of \
             the main channels."
                .into(),
        );
    }
    // Where the figures give a curve, its slopes are said with it.
    let stated = system.stated_slopes();
    if !has_figures && !stated.is_empty() {
        remarks.push(format!("Slopes, as stated: {}.", stated.join("; ")));
    }
    if let Some(left) = blend.left() {
        let turned = if left.inverted { ", turned over" } else { "" };
        remarks.push(format!(
            "On its own channel the subwoofer was best {:.1} ms {} the main speakers{turned}. No control of this system takes that up.",
            left.later_s.abs() * 1e3,
            if left.later_s < 0.0 { "before" } else { "after" },
        ));
    }
    remarks
}

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

/// The control before this one that was found by the same answers: those of a tuning belong together, and are said once.
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
    // A word of the ratings is good to about a step either way; a meter to about 1 dB. One light area at a time can be read.
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
pub(crate) fn signed(blend: &BlendFacts) -> Markup {
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
                @if blend.drifts.is_empty() { p { "Nothing has drifted: every control stands where it was left." } }
                @else { ul { @for drift in &blend.drifts { li { (drift) } } } }
            }
        }
    }
}

/// What to do when something changes: for a sheet that is about the blend alone.
pub(crate) fn changes() -> Markup {
    html! {
        section {
            h2 { "If something changes" }
            ul {
                li { "Bass suddenly thin or booming: look through the settings first; one of them has usually changed." }
                li { "Subwoofer, seat or main speakers moved: have level, phase and distance heard again." }
                li { "Once a year, or after anything else: " code { "evenbass begin --recheck" } " with this visit's file says what has drifted." }
            }
            p class="quiet" { "Common practice." }
        }
    }
}

/// The page after the first, where the placement has the first.
pub(crate) fn page(facts: &Facts) -> Markup {
    let Some(blend) = facts.blend.as_ref().filter(|blend| !blend.alone) else { return html! {} };
    html! {
        section class="page" {
            h1 { "The blend" }
            (table(blend))
            (sound(blend))
            (signed(blend))
        }
    }
}
