//! `evenbass render routine`: what a whole visit plays, as files and a cue sheet, for where no laptop may be connected.

use std::path::PathBuf;
use std::sync::Arc;

use clap::Args;

use crate::cli::Failure;
use crate::cli::cue_sheet::{CueSheet, Row};
use crate::cli::folder::{Folder, Limits, Step, Tone, seconds};
use crate::cli::presets::own_presets;
use crate::cli::render_set::REFERENCE_SECONDS;
use crate::cli::values::{in_range, phon};
use crate::presets::{self, NOTES};
use crate::room::{self, Room};
use crate::routine::in_advance::{Passage, Purpose, in_advance};
use crate::routine::levels::{HIGHEST_COMFORT, START, ceiling_for};
use crate::routine::{Brief, Kit, Part, State};
use crate::signal::driver_guard_gain;
use crate::units::{Dbfs, GainDb};

/// A driver without a stated limit plays the whole set.
const NO_LIMIT_HZ: f64 = 10.0;

/// A whole routine as files.
#[derive(Debug, Clone, Args)]
pub struct RenderRoutine {
    /// The note set, a preset or one of your own.
    #[arg(value_name = "SET", default_value = "walk-16")]
    pub set: String,
    /// The spots by name.
    #[arg(long, value_name = "NAME,…", value_delimiter = ',', required_unless_present = "room")]
    pub spots: Vec<String>,
    /// The room in a TOML file, with its spots.
    #[arg(long, value_name = "FILE", conflicts_with = "spots")]
    pub room: Option<PathBuf>,
    /// Orders spots and notes; the same seed gives the same order.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// The comfort level: that of the reference tone, in whole dBFS.
    #[arg(long, default_value_t = -30.0, allow_negative_numbers = true, value_parser = comfort)]
    pub comfort_dbfs: f64,
    /// The loudness at which the tones are taken to arrive, phon.
    #[arg(long, value_name = "PHON", default_value_t = 50.0, value_parser = phon)]
    pub loudness: f64,
    /// The subwoofer's rated limit, Hz: the set is spaced anew above it.
    #[arg(long, value_name = "HZ")]
    pub lowest_hz: Option<f64>,
    /// Where the subwoofer's low-pass stays, Hz: notes above it are left out.
    #[arg(long, value_name = "HZ")]
    pub low_pass_hz: Option<f64>,
    /// The driver may take the full level below 25 Hz.
    #[arg(long)]
    pub deep_driver: bool,
    /// The subwoofer is too heavy for the seat: it moves, and you stay seated.
    #[arg(long)]
    pub too_heavy: bool,
    #[command(flatten)]
    pub files: Folder,
}

/// Writes the routine.
pub fn run(routine: &RenderRoutine) -> Result<(), Failure> {
    let target = routine.files.target()?;
    let brief = Arc::new(brief(routine)?);
    let comfort = Dbfs::new(routine.comfort_dbfs);
    let refused = |why| Failure::Usage(format!("render routine: {why}"));
    let passages = in_advance(brief.clone(), comfort).map_err(refused)?;
    let state = State::new(brief);
    let (mut steps, mut rows, mut at_spot) = (Vec::new(), Vec::new(), None);
    for (number, passage) in passages.iter().enumerate() {
        let heading = heading(passage, &state, routine.too_heavy);
        if let Some((key, words)) = heading
            && at_spot != Some(key)
        {
            at_spot = Some(key);
            rows.push(Row::Heading(words));
        }
        let (step, row) = step(routine, passage, &state, (number, passages.len()));
        steps.push(step);
        rows.push(row);
    }
    let sheet = CueSheet {
        title: format!("{} for {}", state.note_set().name, state.room().name),
        about: "All that a visit plays, in its order, for where no laptop can be connected.".into(),
        how: how(routine.too_heavy),
        summary: format!(
            "{} notes at {} spots, reference tone at {comfort}, {:.0} phon, order by seed {}.",
            state.notes_hz().len(),
            state.room().spots.len(),
            routine.loudness,
            routine.seed
        ),
        columns: vec![("File", false), ("Sounds", false), ("dBFS", true), ("Seconds", true), ("Falls short by", true)],
        blanks: vec!["Heard"],
        rows,
    };
    let limits = Limits { ceiling: ceiling_for(comfort), deep_bass: routine.deep_driver };
    routine.files.write(&steps, &sheet, target, limits)
}

fn brief(routine: &RenderRoutine) -> Result<Brief, Failure> {
    let room = match &routine.room {
        Some(file) => room::load(file)?,
        None => {
            let spots: Vec<&str> = routine.spots.iter().map(|spot| spot.trim()).collect();
            let twice = spots.iter().enumerate().find(|(at, spot)| spots[..*at].contains(spot));
            if let Some((_, name)) = twice {
                return Err(Failure::Usage(format!("--spots: there are two spots called {name}.")));
            }
            if spots.iter().any(|spot| spot.is_empty()) {
                return Err(Failure::Usage("--spots: a spot has no name.".into()));
            }
            Room::unmeasured("this room", &["main seat"], &spots)
        }
    };
    if room.spots.is_empty() {
        return Err(Failure::Usage("--room: the room has no spots, so that there is nothing to choose from.".into()));
    }
    let note_set = presets::note_set(&routine.set, own_presets(NOTES.folder).as_deref())?;
    note_set
        .within(routine.lowest_hz, routine.low_pass_hz)
        .map_err(|none| Failure::Usage(format!("--lowest-hz and --low-pass-hz: {none}.")))?;
    let kit = Kit {
        rated_low_hz: Some(routine.lowest_hz.unwrap_or(NO_LIMIT_HZ)),
        low_pass_hz: routine.low_pass_hz,
        too_heavy: Some(routine.too_heavy),
        meter: Some(false),
        deep_driver: routine.deep_driver,
        answer_by: Default::default(),
        channels: Vec::new(),
    };
    Ok(Brief {
        name: "routine".into(),
        seed: routine.seed,
        minutes: None,
        room: Some(room),
        seat: 0,
        kit,
        note_set,
        loudness_phon: routine.loudness,
        blend: None,
        rehearsal: false,
        asks_more: false,
    })
}

fn how(too_heavy: bool) -> Vec<String> {
    let go = if too_heavy {
        "At each heading move the subwoofer to the spot, with two people, and go back to the seat."
    } else {
        "The subwoofer lies on the main seat. At each heading go to the spot: ear low down, a hand from the wall."
    };
    [
        "Low-pass open, bass contours at 0, room correction and standby off, main speakers silent.",
        "Start with the amplifier turned down. Play the reference and turn up until it is comfortable; then leave the \
         volume alone.",
        "Play the raised notes. Stop at once if the driver chuffs, knocks or buzzes, and leave that note and all lower \
         ones out.",
        "Listen to the seven words as they are meant: even, a little strong, strong, booming, even, a little weak, \
         weak, lost.",
        go,
        "Hear all notes of the spot once, then write for each one: -3 lost, -2 weak, -1 a little weak, 0 even, +1 a \
         little strong, +2 strong, +3 booming.",
        "A note that falls short is softer by itself: do not blame the spot. The most even spot is the one whose \
         numbers differ least.",
    ]
    .map(str::to_owned)
    .into()
}

/// What files have in common: a key that changes with it, and its words.
fn heading(passage: &Passage, state: &State, too_heavy: bool) -> Option<(usize, String)> {
    let (first, last) = (usize::MAX - 1, usize::MAX);
    Some(match passage.purpose {
        Purpose::Reference | Purpose::Strain { .. } | Purpose::Words => (first, "Before the first spot".into()),
        Purpose::Overview { spot } | Purpose::Note { spot, .. } => {
            let name = &state.room().spots.get(spot)?.name;
            (spot, if too_heavy { format!("Subwoofer at: {name}") } else { format!("At: {name}") })
        }
        Purpose::LastScale => (last, "With the subwoofer at the most even spot, from the main seat".into()),
    })
}

fn step(routine: &RenderRoutine, passage: &Passage, state: &State, (number, of): (usize, usize)) -> (Step, Row) {
    let hz = |note: usize| state.notes_hz().get(note).copied().unwrap_or_default();
    let spot_word = |spot: usize| format!("spot-{}", spot + 1);
    let called = |note: usize| format!("{}, {:.1} Hz", state.note_name(note), hz(note));
    let (what, sounds) = match passage.purpose {
        Purpose::Reference => ("reference".into(), "the reference tone".into()),
        Purpose::Strain { note } => (format!("raised-{:.0}hz", hz(note)), format!("{} in rising steps", called(note))),
        Purpose::Words => ("words".into(), "the seven words as they are meant".into()),
        Purpose::Overview { spot } => (format!("{}-all", spot_word(spot)), "all notes once".into()),
        Purpose::Note { spot, note } => (format!("{}-{:.0}hz", spot_word(spot), hz(note)), called(note)),
        Purpose::LastScale => ("last-scale".into(), "all notes from the lowest up: do they sound even?".into()),
    };
    let mut tones: Vec<Tone> = passage.parts.iter().map(tone).collect();
    if let Some(last) = tones.last_mut() {
        // The gap after a cue is the pause before the next file.
        last.gap_s = 0.0;
    }
    let short = match passage.purpose {
        Purpose::Note { note, .. } | Purpose::Strain { note } => short(state, note),
        _ => String::new(),
    };
    // As it is in the file: what falls below 25 Hz falls on the way there.
    let fall = |part: &Part| match state.kit().deep_driver {
        true => GainDb::ZERO,
        false => driver_guard_gain(part.recipe.lowest_hz()),
    };
    let levels = passage.parts.iter().map(|part| part.level + fall(part));
    let loudest = levels.fold(None, |loudest: Option<Dbfs>, level| Some(loudest.map_or(level, |most| most.max(level))));
    let name = routine.files.file_name(number, of, &what);
    let cells = [
        name.clone(),
        sounds,
        loudest.map(|level| format!("{:.1}", level.dbfs())).unwrap_or_default(),
        format!("{:.1}", seconds(&tones)),
        short,
    ];
    (Step { name, tones }, Row::File(cells.into()))
}

/// How far a note stays under equal loudness.
fn short(state: &State, note: usize) -> String {
    let shortfall = state.plan().notes().get(note).map_or(0.0, |level| level.shortfall.db());
    if shortfall < 0.05 { String::new() } else { format!("{shortfall:.1} dB") }
}

fn tone(part: &Part) -> Tone {
    Tone {
        recipe: part.recipe.clone(),
        level: part.level,
        seconds: part.seconds.unwrap_or(REFERENCE_SECONDS),
        gap_s: part.gap_s,
        outputs: None,
    }
}

/// Louder and quieter go by whole decibels in a visit, and so does this.
fn comfort(text: &str) -> Result<f64, String> {
    let level = in_range(text, START.dbfs(), HIGHEST_COMFORT.dbfs(), "dBFS")?;
    if level.fract() == 0.0 { Ok(level) } else { Err("whole decibels can be asked for".to_owned()) }
}
