//! A folder of sound files with a cue sheet to print: there whole, or not at all.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::Args;

use crate::cli::Failure;
use crate::cli::cue_sheet::CueSheet;
use crate::cli::render::{Piece, SampleName, Stream, Target, format, ramped, rate};
use crate::cli::routing::Routing;
use crate::engine::{HIGHEST_CEILING, Outputs};
use crate::signal::{Prepared, Recipe};
use crate::sound_file::{Existing, SoundFile, SoundFileError};
use crate::units::{Dbfs, GainDb, SampleRate};

/// A disc holds no more tracks.
pub(super) const MOST_TRACKS: usize = 99;

/// How the files are written.
#[derive(Debug, Clone, Args)]
pub struct Folder {
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
    #[command(flatten)]
    pub routing: Routing,
    /// Replace files of the same names. Others in the folder stay.
    #[arg(long)]
    pub force: bool,
}

/// One file to be.
pub(super) struct Step {
    pub name: String,
    pub tones: Vec<Tone>,
}

/// One tone in it.
pub(super) struct Tone {
    pub recipe: Recipe,
    pub level: Dbfs,
    pub seconds: f64,
    /// Silence after it, seconds.
    pub gap_s: f64,
    /// Where it sounds, if not where all do.
    pub outputs: Option<Outputs>,
}

/// What holds for all files of a folder.
#[derive(Debug, Clone, Copy)]
pub(super) struct Limits {
    pub ceiling: Dbfs,
    /// No fall below 25 Hz on the way; false where the levels do not hold it already.
    pub deep_bass: bool,
}

impl Limits {
    /// The program's own ceiling and nothing else.
    pub const WIDEST: Self = Self { ceiling: HIGHEST_CEILING, deep_bass: true };
}

impl Folder {
    /// A file's name without its number.
    pub(super) fn file_name(&self, number: usize, of: usize, what: &str) -> String {
        let digits = if of > 100 { 3 } else { 2 };
        format!("{number:0digits$}-{what}.{}", if self.flac { "flac" } else { "wav" })
    }

    /// The channels of the files.
    pub(super) fn target(&self) -> Result<Target, Failure> {
        Target::of(&self.routing)
    }

    /// Writes everything into a folder beside first. `target` is where all tones sound that do not say otherwise.
    pub(super) fn write(
        &self,
        steps: &[Step],
        sheet: &CueSheet,
        target: Target,
        limits: Limits,
    ) -> Result<(), Failure> {
        let rate = rate(self.rate)?;
        for step in steps {
            self.check(step, rate, limits)?;
        }
        let mut names: Vec<&str> = steps.iter().map(|step| step.name.as_str()).collect();
        names.extend(["cue-sheet.html", "cue-sheet.txt"]);
        self.check_free(&names)?;
        let above = self.folder.parent().filter(|above| !above.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let making = making(above).with_context(|| format!("cannot write into {}", above.display()))?;
        for step in steps {
            let name = self.folder.join(&step.name);
            self.write_step(step, making.path(), rate, target, limits).map_err(|failure| named(failure, &name))?;
        }
        for (name, text) in [("cue-sheet.html", sheet.html()), ("cue-sheet.txt", sheet.text())] {
            let path = making.path().join(name);
            fs::write(&path, text).with_context(|| format!("cannot write {name} for {}", self.folder.display()))?;
            fs::File::open(&path).and_then(|file| file.sync_all()).context("cannot write the cue sheet to the disk")?;
        }
        put_in_place(making, &self.folder, &names)?;
        eprintln!("{}: {} sound files, cue-sheet.html and cue-sheet.txt.", self.folder.display(), steps.len());
        if steps.len() > MOST_TRACKS {
            eprintln!("A disc holds {MOST_TRACKS} tracks at most: put them on a stick, or ask for fewer spots.");
        }
        Ok(())
    }

    /// What would be refused in the middle is refused before the beginning.
    fn check(&self, step: &Step, rate: SampleRate, limits: Limits) -> Result<(), Failure> {
        for tone in &step.tones {
            let peak = tone.level
                + self.routing.highest_gain()
                + GainDb::new(20.0 * libm::log10(prepare(&tone.recipe, rate)?.peak.max(1.0)));
            if peak.dbfs() > limits.ceiling.dbfs() + 1e-9 {
                return Err(Failure::Usage(format!(
                    "{} would peak at {peak}, above {}. Ask for a lower level or a lower gain.",
                    step.name, limits.ceiling
                )));
            }
        }
        Ok(())
    }

    fn check_free(&self, names: &[&str]) -> Result<(), Failure> {
        let folder = &self.folder;
        if folder.symlink_metadata().is_ok() && !folder.is_dir() {
            return Err(anyhow::anyhow!(
                "{} exists already and is not a folder; choose another name",
                folder.display()
            )
            .into());
        }
        let taken = names.iter().find(|name| folder.join(name).symlink_metadata().is_ok());
        match taken.filter(|_| !self.force) {
            Some(name) => Err(anyhow::anyhow!(
                "{} exists already and was not replaced; choose another folder, or say --force",
                folder.join(name).display()
            )
            .into()),
            None => Ok(()),
        }
    }

    fn write_step(
        &self,
        step: &Step,
        folder: &Path,
        rate: SampleRate,
        target: Target,
        limits: Limits,
    ) -> Result<(), Failure> {
        let path = folder.join(&step.name);
        let format = format(&path, self.sample, rate, &target)?;
        let pieces = step.tones.iter().map(|tone| {
            Ok(Piece {
                prepared: prepare(&tone.recipe, rate)?,
                level: tone.level,
                frames: rate.frames(tone.seconds),
                gap: rate.frames(tone.gap_s),
                outputs: tone.outputs.unwrap_or(target.outputs),
            })
        });
        let pieces = pieces.collect::<Result<Vec<Piece>, Failure>>()?;
        let stream = Stream { rate, channels: target.channels, ceiling: limits.ceiling, deep_bass: limits.deep_bass };
        let file = SoundFile::create(&path, format, Existing::Keep)?;
        ramped(pieces, stream, file)?;
        Ok(())
    }
}

fn prepare(recipe: &Recipe, rate: SampleRate) -> Result<Prepared, Failure> {
    recipe.prepare(rate).map_err(|wrong| Failure::Usage(wrong.to_string()))
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

/// A temporary folder that may be read as any other when it has its name.
fn making(above: &Path) -> io::Result<tempfile::TempDir> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".evenbass-").suffix(".part");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        builder.permissions(fs::Permissions::from_mode(0o777));
    }
    builder.tempdir_in(above)
}

fn put_in_place(making: tempfile::TempDir, folder: &Path, names: &[&str]) -> Result<(), Failure> {
    let failed = |error: io::Error| anyhow::anyhow!("cannot write {}: {error}", folder.display());
    if !folder.exists() {
        fs::rename(making.path(), folder).map_err(failed)?;
        return Ok(());
    }
    for name in names {
        fs::rename(making.path().join(name), folder.join(name)).map_err(failed)?;
    }
    Ok(())
}

/// How long a file with these tones lasts, seconds.
pub(super) fn seconds(tones: &[Tone]) -> f64 {
    tones.iter().map(|tone| tone.seconds + tone.gap_s).sum()
}
