//! `evenbass render set`: a note set as files, with a cue sheet to print.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::Args;

use crate::acoustics::note_levels::NoteLevel;
use crate::cli::Failure;
use crate::cli::cue_sheet::{Cue, CueSheet};
use crate::cli::levels::{Hung, Levelled, note_name, shortfall_words};
use crate::cli::render::{Piece, SampleName, Target, format, ramped, rate};
use crate::cli::routing::Routing;
use crate::engine::HIGHEST_CEILING;
use crate::signal::Recipe;
use crate::sound_file::{Existing, SoundFile, SoundFileError};
use crate::units::{Dbfs, GainDb, SampleRate};

/// The reference tone is there to set the amplifier by, which takes a while.
const REFERENCE_SECONDS: f64 = 30.0;

/// A note set as files.
#[derive(Debug, Clone, Args)]
pub struct RenderSet {
    #[command(flatten)]
    pub hung: Hung,
    /// The folder; made if it is not there.
    #[arg(long, value_name = "FOLDER")]
    pub folder: PathBuf,
    /// Write FLAC instead of WAV.
    #[arg(long)]
    pub flac: bool,
    /// How samples are stored; 16 for a disc, 24 for FLAC and 32-bit float for WAV otherwise.
    #[arg(long)]
    pub sample: Option<SampleName>,
    /// Frames a second; 44100 for a disc.
    #[arg(long, default_value_t = 48_000)]
    pub rate: u32,
    /// How long each note sounds; as the set says otherwise.
    #[arg(long)]
    pub seconds: Option<f64>,
    #[command(flatten)]
    pub routing: Routing,
    /// Replace files of the same names. Others in the folder stay.
    #[arg(long)]
    pub force: bool,
}

/// One file to be.
struct Step {
    name: String,
    recipe: Recipe,
    level: Dbfs,
    seconds: f64,
    cue: Cue,
}

/// Writes the set: everything into a folder beside first, so that the set is there whole or not at all.
pub fn run(set: &RenderSet) -> Result<(), Failure> {
    let rate = rate(set.rate)?;
    let levelled = set.hung.levelled()?;
    let target = Target::of(&set.routing)?;
    let steps = steps(set, &levelled)?;
    for step in &steps {
        check(step, rate, set.routing.highest_gain())?;
    }
    let mut names: Vec<String> = steps.iter().map(|step| step.name.clone()).collect();
    names.extend(["cue-sheet.html".to_owned(), "cue-sheet.txt".to_owned()]);
    check_free(&set.folder, &names, set.force)?;
    let above = set.folder.parent().filter(|above| !above.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let making = tempfile::Builder::new().prefix(".evenbass-").suffix(".part").tempdir_in(above);
    let making = making.with_context(|| format!("cannot write into {}", above.display()))?;
    let sheet = CueSheet {
        title: levelled.set.name.clone(),
        about: levelled.set.about.clone(),
        summary: levelled.summary(),
        cues: steps.iter().map(|step| step.cue.clone()).collect(),
    };
    for step in steps {
        let name = set.folder.join(&step.name);
        write(step, making.path(), set.sample, rate, target).map_err(|failure| named(failure, &name))?;
    }
    for (name, text) in [("cue-sheet.html", sheet.html()), ("cue-sheet.txt", sheet.text())] {
        let path = making.path().join(name);
        fs::write(&path, text).with_context(|| format!("cannot write {name} for {}", set.folder.display()))?;
        fs::File::open(&path).and_then(|file| file.sync_all()).context("cannot write the cue sheet to the disk")?;
    }
    put_in_place(making, &set.folder, &names)?;
    eprintln!("{}: {} sound files, cue-sheet.html and cue-sheet.txt.", set.folder.display(), names.len() - 2);
    Ok(())
}

fn steps(set: &RenderSet, levelled: &Levelled) -> Result<Vec<Step>, Failure> {
    let ending = if set.flac { "flac" } else { "wav" };
    let seconds = set.seconds.unwrap_or(levelled.set.seconds);
    if !(seconds > 0.0 && seconds <= 3600.0) {
        return Err(Failure::Usage(format!(
            "--seconds {seconds}: more than nothing and at most an hour a note can be written."
        )));
    }
    let step = |number: usize, what: String, recipe, level: Dbfs, seconds, short: String, hz: f64| {
        let name = format!("{number:02}-{what}.{ending}");
        let cue =
            Cue { file: name.clone(), frequency_hz: hz, note: note_name(hz), level_dbfs: level.dbfs(), seconds, short };
        Step { name, recipe, level, seconds, cue }
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
    Ok(std::iter::once(first).chain(notes).collect())
}

/// What would be refused in the middle is refused before the beginning.
fn check(step: &Step, rate: SampleRate, gain: GainDb) -> Result<(), Failure> {
    let prepared = step.recipe.prepare(rate).map_err(|wrong| Failure::Usage(wrong.to_string()))?;
    let peak = step.level + gain + GainDb::new(20.0 * libm::log10(prepared.peak.max(1.0)));
    if peak.dbfs() > HIGHEST_CEILING.dbfs() + 1e-9 {
        return Err(Failure::Usage(format!(
            "{} would peak at {peak}, above {HIGHEST_CEILING}. Ask for a lower --comfort-dbfs or a lower gain.",
            step.name
        )));
    }
    Ok(())
}

fn check_free(folder: &Path, names: &[String], force: bool) -> Result<(), Failure> {
    if folder.symlink_metadata().is_ok() && !folder.is_dir() {
        return Err(
            anyhow::anyhow!("{} exists already and is not a folder; choose another name", folder.display()).into()
        );
    }
    let taken = names.iter().find(|name| folder.join(name).symlink_metadata().is_ok());
    match taken.filter(|_| !force) {
        Some(name) => Err(anyhow::anyhow!(
            "{} exists already and was not replaced; choose another folder, or say --force",
            folder.join(name).display()
        )
        .into()),
        None => Ok(()),
    }
}

fn write(
    step: Step,
    folder: &Path,
    sample: Option<SampleName>,
    rate: SampleRate,
    target: Target,
) -> Result<(), Failure> {
    let path = folder.join(&step.name);
    let format = format(&path, sample, rate, &target)?;
    let prepared = step.recipe.prepare(rate).map_err(|wrong| Failure::Usage(wrong.to_string()))?;
    let file = SoundFile::create(&path, format, Existing::Keep)?;
    ramped(Piece { prepared, level: step.level, frames: rate.frames(step.seconds), rate, target }, file)?;
    Ok(())
}

/// A failed write under the name that the person knows.
fn named(failure: Failure, name: &Path) -> Failure {
    match failure {
        Failure::Failed(error) => match error.downcast::<SoundFileError>() {
            Ok(SoundFileError::Write { source, .. }) => {
                Failure::Failed(SoundFileError::Write { path: name.to_owned(), source }.into())
            }
            Ok(other) => Failure::Failed(other.into()),
            Err(error) => Failure::Failed(error),
        },
        other => other,
    }
}

fn put_in_place(making: tempfile::TempDir, folder: &Path, names: &[String]) -> Result<(), Failure> {
    let failed = |error: io::Error| anyhow::anyhow!("cannot write {}: {error}", folder.display());
    if !folder.exists() {
        make_readable(making.path()).map_err(failed)?;
        fs::rename(making.path(), folder).map_err(failed)?;
        return Ok(());
    }
    for name in names {
        fs::rename(making.path().join(name), folder.join(name)).map_err(failed)?;
    }
    Ok(())
}

/// A temporary folder is private; a finished one may be read as any other.
#[cfg(unix)]
fn make_readable(folder: &Path) -> io::Result<()> {
    use std::os::unix::fs::PermissionsExt;
    fs::set_permissions(folder, fs::Permissions::from_mode(0o755))
}

#[cfg(not(unix))]
fn make_readable(_folder: &Path) -> io::Result<()> {
    Ok(())
}
