//! `evenbass render set`: a note set as files, with a cue sheet to print.

use clap::Args;

use crate::acoustics::note_levels::NoteLevel;
use crate::cli::Failure;
use crate::cli::cue_sheet::{CueSheet, Row};
use crate::cli::folder::{Folder, Limits, Step, Tone};
use crate::cli::levels::{Hung, Levelled, note_name, shortfall_words};
use crate::signal::Recipe;
use crate::units::Dbfs;

/// The reference tone is there to set the amplifier by, which takes a while.
pub(super) const REFERENCE_SECONDS: f64 = 30.0;

const HOW: [&str; 4] = [
    "Start with the amplifier turned down. Play file 00 and turn up until it is comfortable at the seat; then leave \
     the volume alone.",
    "Play all notes once without judging. Then play them again and write a number for each spot: -3 lost, -2 weak, -1 \
     a little weak, 0 even, +1 a little strong, +2 strong, +3 booming.",
    "All notes are made to sound equally loud where nothing booms or is lost. A note that falls short is softer by \
     itself: do not blame the spot.",
    "Stop at once if the driver rattles or strains.",
];

/// A note set as files.
#[derive(Debug, Clone, Args)]
pub struct RenderSet {
    #[command(flatten)]
    pub hung: Hung,
    #[command(flatten)]
    pub files: Folder,
    /// How long each note sounds; as the set says otherwise.
    #[arg(long)]
    pub seconds: Option<f64>,
}

/// Writes the set.
pub fn run(set: &RenderSet) -> Result<(), Failure> {
    let levelled = set.hung.levelled()?;
    let target = set.files.target()?;
    let (steps, rows) = steps(set, &levelled)?;
    let sheet = CueSheet {
        title: levelled.set.name.clone(),
        about: levelled.set.about.clone(),
        how: HOW.map(str::to_owned).into(),
        summary: levelled.summary(),
        columns: vec![
            ("File", false),
            ("Hz", true),
            ("Note", false),
            ("dBFS", true),
            ("Seconds", true),
            ("Falls short by", false),
        ],
        blanks: vec!["A", "B", "C", "D", "E", "F"],
        rows,
    };
    set.files.write(&steps, &sheet, target, Limits::WIDEST)
}

fn steps(set: &RenderSet, levelled: &Levelled) -> Result<(Vec<Step>, Vec<Row>), Failure> {
    let seconds = set.seconds.unwrap_or(levelled.set.seconds);
    if !(seconds > 0.0 && seconds <= 3600.0) {
        return Err(Failure::Usage(format!(
            "--seconds {seconds}: more than nothing and at most an hour a note can be written."
        )));
    }
    let step = |number: usize, what: String, recipe: Recipe, level: Dbfs, seconds: f64, short: String, hz: f64| {
        let name = set.files.file_name(number, levelled.notes.len(), &what);
        let row = Row::File(vec![
            name.clone(),
            format!("{hz:.1}"),
            note_name(hz),
            format!("{:.1}", level.dbfs()),
            format!("{seconds:.1}"),
            short,
        ]);
        (Step { name, tones: vec![Tone { recipe, level, seconds, gap_s: 0.0, outputs: None }] }, row)
    };
    let reference_hz = levelled.set.reference_hz;
    let reference = levelled.set.reference_recipe(set.hung.noise_seed);
    let what = format!("reference-{reference_hz:.0}hz");
    let first = step(0, what, reference, levelled.reference, REFERENCE_SECONDS, "reference".into(), reference_hz);
    let notes = levelled.notes.iter().zip(1..).map(|(level, number): (&NoteLevel, usize)| {
        let hz = level.frequency_hz;
        let recipe = levelled.set.recipe(hz, set.hung.noise_seed);
        step(number, format!("{hz:.1}hz"), recipe, level.level, seconds, shortfall_words(level), hz)
    });
    Ok(std::iter::once(first).chain(notes).unzip())
}
