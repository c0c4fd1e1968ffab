//! From the visit file to the facts of a report.

use std::path::Path;

use crate::evidence::Heard;
use crate::judge::Ranking;
use crate::report::blend;
use crate::report::facts::{Facts, Guarded, NoteLevel, SeatFacts, StayFacts};
use crate::room::suggest;
use crate::routine::question::Answer;
use crate::routine::{Event, Stage, State, levels};
use crate::units::Dbfs;
use crate::visit::Opened;

/// The facts of a visit as its file, the state that it stands for, and the judge give them.
/// * `program` - name and version of the program that writes the report
pub fn facts_of(program: &str, file: &Path, opened: &Opened, state: &State, ranking: &Ranking) -> Facts {
    let header = &opened.header;
    let evidence = state.evidence();
    let given = opened.events.iter().filter(|event| is_evidence(&event.stamped.event)).count();
    // A match is answered twice, once from either side.
    let matches = evidence.iter().filter(|evidence| matches!(evidence.heard, Heard::Match { .. })).count();
    let chosen = state.chosen().or_else(|| ranking.spots.first().filter(|spot| spot.answers > 0).map(|spot| spot.spot));
    Facts {
        program: program.into(),
        visit_file: file.file_name().unwrap_or_default().to_string_lossy().into_owned(),
        started: header.created,
        ended: opened.events.last().map_or(header.created, |event| event.wall),
        brief: header.brief.clone(),
        room: state.room().as_ref().clone(),
        out_of_reach: state.out_of_reach(),
        notes_hz: state.notes_hz().to_vec(),
        note_names: state.note_names().to_vec(),
        half_width_octaves: state.note_set().half_width_octaves(),
        comparisons: state.comparisons().to_vec(),
        seats: seats(state, chosen),
        stays: stays(state),
        ranking: ranking.clone(),
        chosen,
        finished: *state.stage() == Stage::Done,
        checklist: state.checked().iter().map(|checked| (checked.what().into(), checked.outcome.clone())).collect(),
        levels: levels(state),
        comfort: state.comfort(),
        ceiling: state.comfort().map(|_| state.ceiling()),
        left_out: left_out(state),
        device: device(opened),
        guarded: guarded(opened),
        interruptions: interruptions(opened),
        remarks: remarks(state),
        events: opened.events.len(),
        taken_back: given.saturating_sub(evidence.len() + matches + state.blend().map_or(0, |blend| blend.rated())),
        blend: blend::facts_of(state),
        listening_s: state.seconds_spent(),
        evidence,
    }
}

fn is_evidence(event: &Event) -> bool {
    matches!(event, Event::Answered { answer: Answer::Rating(_) | Answer::Level(_) | Answer::Matched, .. })
}

/// How even the chosen spot is for each seat alone, where there are several.
fn seats(state: &State, chosen: Option<usize>) -> Vec<SeatFacts> {
    let seats = state.seats();
    if seats.len() < 2 {
        return Vec::new();
    }
    let evidence = state.evidence();
    let facts = |&(seat, weight): &(usize, f64)| {
        let heard = evidence.iter().any(|evidence| evidence.seat == seat);
        let alone = heard.then(|| state.consultation_for(seat).ranked());
        let belief = alone.and_then(|alone| alone.spots.into_iter().find(|belief| Some(belief.spot) == chosen));
        SeatFacts { seat, weight, spread_db: belief.map(|belief| belief.spread_db) }
    };
    seats.iter().map(facts).collect()
}

/// One entry a stay; passes without a move between them belong to one.
fn stays(state: &State) -> Vec<StayFacts> {
    let mut stays: Vec<StayFacts> = Vec::new();
    for pass in state.passes() {
        let seconds = pass.seconds();
        match stays.get_mut(pass.stay) {
            Some(stay) => stay.seconds += seconds,
            None => stays.push(StayFacts { spot: pass.spot, seconds }),
        }
    }

    stays
}

fn levels(state: &State) -> Vec<NoteLevel> {
    let Some(comfort) = state.comfort() else { return Vec::new() };
    let notes = state.plan().notes().iter().enumerate();
    // What is played at last, after the fall below 25 Hz.
    let sounds = |level: &levels::NoteLevel| comfort + (level.wanted - level.shortfall);
    notes.map(|(note, level)| NoteLevel { note, level: sounds(level), shortfall_db: level.shortfall.db() }).collect()
}

fn left_out(state: &State) -> Vec<(f64, String)> {
    let kit = state.kit();
    let whole = state.brief().note_set.notes_hz();
    let out = |hz: f64| match (kit.rated_low_hz, kit.low_pass_hz) {
        (Some(low_hz), _) if hz < low_hz => Some(format!("below the subwoofer's rated limit of {low_hz:.0} Hz")),
        (_, Some(low_pass_hz)) if hz > low_pass_hz => {
            Some(format!("above the low-pass, which stays at {low_pass_hz:.0} Hz"))
        }
        _ => None,
    };
    whole.into_iter().filter_map(|hz| Some((hz, out(hz)?))).collect()
}

fn device(opened: &Opened) -> String {
    let last = opened.events.iter().rev().find_map(|event| match &event.stamped.event {
        Event::Opened { device, .. } => Some(device.clone()),
        _ => None,
    });
    last.unwrap_or_else(|| "none".into())
}

fn guarded(opened: &Opened) -> Guarded {
    opened.events.iter().fold(Guarded::default(), |sum, event| match event.stamped.event {
        Event::Guarded { non_finite, over_ceiling } => {
            Guarded { non_finite: sum.non_finite + non_finite, over_ceiling: sum.over_ceiling + over_ceiling }
        }
        _ => sum,
    })
}

/// What interrupted the visit, each in words once, in the order in which it came up.
fn interruptions(opened: &Opened) -> Vec<String> {
    let in_words = |event: &Event| match event {
        Event::DeviceLost { why } => Some(format!("the sound output was lost: {why}")),
        Event::DeviceBack => Some("the sound output came back; the level was found anew".into()),
        Event::Paused { why } => Some(why.clone()),
        _ => None,
    };
    let mut said: Vec<(String, usize)> = Vec::new();
    for words in opened.events.iter().filter_map(|event| in_words(&event.stamped.event)) {
        match said.iter_mut().find(|(known, _)| *known == words) {
            Some((_, times)) => *times += 1,
            None => said.push((words, 1)),
        }
    }
    let counted = |(words, times)| if times == 1 { words } else { format!("{words} ({times} times)") };
    said.into_iter().map(counted).collect()
}

fn remarks(state: &State) -> Vec<String> {
    let mut remarks = suggest::seats_in_the_way(state.room());
    match state.sounded_even() {
        Some(true) => remarks.push("Heard once more from the seat, the notes sounded even enough.".into()),
        Some(false) => remarks.push("Heard once more from the seat, the notes did not sound even.".into()),
        None => {}
    }
    let lowered = state.reference_level().dbfs() - state.comfort().map_or(f64::NAN, Dbfs::dbfs);
    if lowered < 0.0 {
        remarks.push(format!("The level was turned down by {:.0} dB on the way.", -lowered));
    }
    remarks
}
