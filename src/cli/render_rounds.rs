//! `evenbass render wiring` and `render identify`: the rounds of both checks, one file each.

use clap::Args;

use crate::cli::Failure;
use crate::cli::cue_sheet::{CueSheet, Row};
use crate::cli::folder::{Folder, Limits, Step, Tone, seconds};
use crate::cli::render::Target;
use crate::cli::rounds::{ROUND_SECONDS, file_word, identify_recipe, sides, wiring_recipe, words};
use crate::cli::routing::{Layout, channel_words};
use crate::engine::Outputs;
use crate::signal::Recipe;
use crate::signal::channel_check::ROUNDS;
use crate::signal::channels::Order;
use crate::units::Dbfs;

/// A check as files.
#[derive(Debug, Clone, Args)]
pub struct RenderRounds {
    /// Level, dBFS (a full-scale sine is 0).
    #[arg(long, default_value_t = -30.0, allow_negative_numbers = true)]
    pub dbfs: f64,
    /// How long each round sounds.
    #[arg(long, default_value_t = ROUND_SECONDS)]
    pub seconds: f64,
    #[command(flatten)]
    pub files: Folder,
}

/// One file.
struct RoundFile {
    what: String,
    sounds: String,
    to_be_heard: String,
    outputs: Outputs,
}

/// The same from both main speakers, opposite, then each alone.
pub fn wiring(rounds: &RenderRounds) -> Result<(), Failure> {
    if !rounds.files.routing.channels.is_empty() {
        return Err(Failure::Usage(
            "render wiring: the check is made with L and R; leave --channels out, and say --layout if there are more."
                .into(),
        ));
    }
    // Without a layout there are left and right.
    let mut files = rounds.files.clone();
    files.routing.layout.get_or_insert(Layout::Stereo);
    let target = files.target()?;
    let all = ROUNDS.into_iter().map(|round| {
        let (sounds, to_be_heard) = words(round.name);
        Ok(RoundFile {
            what: file_word(round.name).into(),
            sounds: sounds.into(),
            to_be_heard: to_be_heard.into(),
            outputs: sides(round, Order::Wav, target.channels)?,
        })
    });
    let how = vec![
        "Start with the amplifier turned down, and turn up until file 01 is comfortable. Then leave the volume alone."
            .into(),
        "Sit in the middle between both main speakers, with the subwoofer switched off.".into(),
        "If file 02 has more bass and stands more firmly in the middle than file 01, one speaker is connected the \
         wrong way round."
            .into(),
    ];
    let about = "Whether a main speaker is connected the wrong way round.";
    let all = all.collect::<Result<Vec<_>, Failure>>()?;
    write(rounds, &files, target, (&wiring_recipe(), all), ("wiring", about, how))
}

/// One channel after the other.
pub fn identify(rounds: &RenderRounds) -> Result<(), Failure> {
    let target = rounds.files.target()?;
    let all = target.outputs.channels().map(|channel| {
        let words = channel_words(Order::Wav, target.channels, channel);
        let name: String = words.to_lowercase().chars().filter(|letter| letter.is_ascii_alphabetic()).collect();
        RoundFile {
            what: format!("channel-{}{}{name}", channel + 1, if name.is_empty() { "" } else { "-" }),
            sounds: format!("channel {words} alone"),
            to_be_heard: "one speaker, the one that is meant".into(),
            outputs: target.outputs.only(channel),
        }
    });
    let how = vec![
        "Start with the amplifier turned down: nobody knows yet how loud each speaker is.".into(),
        "Play one file after the other and write down which speaker sounds.".into(),
    ];
    let about = "Which speaker is which channel.";
    write(rounds, &rounds.files, target, (&identify_recipe(), all.collect()), ("channels", about, how))
}

fn write(
    rounds: &RenderRounds,
    files: &Folder,
    target: Target,
    (recipe, all): (&Recipe, Vec<RoundFile>),
    (title, about, how): (&str, &str, Vec<String>),
) -> Result<(), Failure> {
    if !(rounds.seconds > 0.0 && rounds.seconds <= 3600.0) {
        return Err(Failure::Usage(format!(
            "--seconds {}: more than nothing and at most an hour a round can be written.",
            rounds.seconds
        )));
    }
    let level = Dbfs::new(rounds.dbfs);
    if !level.dbfs().is_finite() {
        return Err(Failure::Usage(format!("--dbfs {}: a number of decibels was expected.", rounds.dbfs)));
    }
    let count = all.len();
    let made = all.into_iter().zip(1..).map(|(round, number)| {
        let name = files.file_name(number, count, &round.what);
        let outputs = Some(round.outputs);
        let tones = vec![Tone { recipe: recipe.clone(), level, seconds: rounds.seconds, gap_s: 0.0, outputs }];
        let cells = [
            name.clone(),
            round.sounds,
            round.to_be_heard,
            format!("{:.1}", level.dbfs()),
            format!("{:.1}", seconds(&tones)),
        ];
        (Step { name, tones }, Row::File(cells.into()))
    });
    let (steps, rows): (Vec<Step>, Vec<Row>) = made.unzip();
    let sheet = CueSheet {
        title: title.into(),
        about: about.into(),
        how,
        summary: format!("{count} rounds at {level}, {} channels.", target.channels),
        columns: vec![("File", false), ("Sounds", false), ("To be heard", false), ("dBFS", true), ("Seconds", true)],
        blanks: vec!["Heard"],
        rows,
    };
    files.write(&steps, &sheet, target, Limits::WIDEST)
}
