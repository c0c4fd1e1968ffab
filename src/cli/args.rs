//! What can be typed.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::cli::exposure::Exposure;
use crate::cli::levels::Levels;
use crate::cli::presets::PresetsCommand;
use crate::cli::render::Writing;
use crate::cli::render_rounds::RenderRounds;
use crate::cli::render_routine::RenderRoutine;
use crate::cli::render_set::RenderSet;
use crate::cli::routing::{Routing, Way};
use crate::cli::signals::SignalArgs;
use crate::cli::values::{minutes, phon, phone_level};
use crate::faces::handset::Wanted;

/// Known test tones, a guide and a judge for placing a subwoofer by ear.
#[derive(Debug, Parser)]
#[command(
    name = "evenbass",
    version,
    args_conflicts_with_subcommands = true,
    after_help = "Without a command, the last unfinished visit in this folder goes on, or a new one begins.\n\n\
                  Examples:\n  evenbass rehearse            a whole visit in a virtual room, no sound card needed\n  \
                  evenbass outputs             what sound outputs there are\n  \
                  evenbass begin --room lounge.toml --minutes 20"
)]
pub struct Typed {
    /// What to do.
    #[command(subcommand)]
    pub command: Option<Command>,
    /// Options of a visit, where no command is given.
    #[command(flatten)]
    pub visit: VisitOptions,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Begin a visit: find the spot from which every bass note arrives equally strong.
    Begin(Begin),
    /// Go on with a visit that was interrupted.
    Resume(Resume),
    /// List sound outputs: channels, rates, buffer sizes.
    Outputs(Outputs),
    /// Play one signal now. Starts at -60 dBFS and climbs to the level asked for.
    Play(Play),
    /// Write a signal to a WAV or FLAC file: the same samples that a device gets.
    Render(Render),
    /// Say where notes will boom: standing waves, spots and how even each is expected to be.
    Room(crate::cli::room::RoomArgs),
    /// List, show or check note sets, signals and levels.
    #[command(after_help = "Examples:\n  evenbass presets list\n  evenbass presets show walk-16 > mine.toml\n  \
                            evenbass presets check mine.toml")]
    Presets {
        /// What to do.
        #[command(subcommand)]
        command: PresetsCommand,
    },
    /// Say at which level each note of a set is played, and which fall short of equal loudness.
    Levels(Levels),
    /// Say how long a level may be listened to, from a meter reading.
    Exposure(Exposure),
    /// Say who leads, by how much, and how sure that is.
    Rank(Rank),
    /// Write the set-up sheet of a visit, and its evidence as CSV and JSON.
    Report(Report),
    /// Go through a whole visit against a virtual room, without a sound card.
    Rehearse(Rehearse),
    /// Print a completion script for a shell.
    #[command(
        after_help = "Example:\n  evenbass completions bash > ~/.local/share/bash-completion/completions/evenbass"
    )]
    Completions {
        /// Which shell.
        shell: clap_complete::Shell,
    },
    /// Write the manual pages into a folder.
    #[command(after_help = "Example:\n  evenbass man ~/.local/share/man/man1")]
    Man {
        /// Where to.
        folder: PathBuf,
    },
}

/// How a visit is answered and shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum FaceName {
    /// Full screen in a terminal; plain lines where there is none.
    Terminal,
    /// Plain lines.
    Lines,
    /// One JSON object a line, for scripts.
    Json,
}

/// Options of every visit.
#[derive(Debug, Clone, Args)]
pub struct VisitOptions {
    /// The folder of the visit's files.
    #[arg(long, value_name = "FOLDER", default_value = ".")]
    pub folder: PathBuf,
    /// How it is shown and answered.
    #[arg(long, value_name = "FACE", default_value = "terminal")]
    pub face: FaceName,
    /// Draw with ASCII characters only.
    #[arg(long)]
    pub ascii: bool,
    /// Do without colour (also with the environment variable NO_COLOR).
    #[arg(long)]
    pub no_colour: bool,
    /// The sound output, as `evenbass outputs` names it; the system's default otherwise.
    #[arg(long, value_name = "OUTPUT")]
    pub output: Option<String>,
    /// Frames in a buffer.
    #[arg(long, value_name = "FRAMES", hide_short_help = true)]
    pub buffer_frames: Option<u32>,
    #[command(flatten)]
    pub handset: HandsetOptions,
}

/// Whether phones may answer, and where.
#[derive(Debug, Clone, Args)]
pub struct HandsetOptions {
    /// Serve a page for answering from the floor, on an address of this machine; without one it is chosen on the
    /// screen, or only this machine can reach it.
    #[arg(long, value_name = "ADDRESS:PORT", num_args = 0..=1, default_missing_value = "")]
    pub handset: Option<Wanted>,
    /// The highest level, dBFS, to which a phone may raise the tone that sets the comfort level.
    #[arg(long, value_name = "DBFS", default_value_t = LOUDER_TO_DBFS, allow_negative_numbers = true,
        value_parser = phone_level, hide_short_help = true)]
    pub handset_louder_to: f64,
}

/// Half way to what a visit accepts; further up somebody has to be at the laptop (a careful choice, not measured).
const LOUDER_TO_DBFS: f64 = -30.0;

impl Default for HandsetOptions {
    fn default() -> Self {
        Self { handset: None, handset_louder_to: LOUDER_TO_DBFS }
    }
}

/// What a new visit starts from.
#[derive(Debug, Clone, Args)]
pub struct BriefOptions {
    /// The seat to place for, by its name in the room file; otherwise the first, or all that have a weight there.
    #[arg(long, value_name = "NAME")]
    pub seat: Option<String>,
    /// Minutes of listening to spend at most.
    #[arg(long, value_name = "M", value_parser = minutes)]
    pub minutes: Option<f64>,
    /// A sound level meter is at hand.
    #[arg(long)]
    pub meter: bool,
    /// Match the notes to a reference tone instead of rating them; can be changed at any note.
    #[arg(long = "match")]
    pub by_match: bool,
    /// The kit in a TOML file; what it leaves out is asked for.
    #[arg(long, value_name = "FILE")]
    pub kit: Option<PathBuf>,
    /// The note set, a preset or one of your own.
    #[arg(long, value_name = "SET", default_value = "walk-16")]
    pub notes: String,
    /// The loudness at which the tones are taken to arrive, phon.
    #[arg(long, value_name = "PHON", default_value_t = 50.0, value_parser = phon, hide_short_help = true)]
    pub loudness: f64,
    /// Seed of every random draw; a new one otherwise.
    #[arg(long, value_name = "N")]
    pub seed: Option<u64>,
}

/// Whether and how main speakers and subwoofer are blended.
#[derive(Debug, Clone, Default, Args)]
pub struct BlendOptions {
    /// Blend main speakers and subwoofer once the place is found; the system is asked for.
    #[arg(long)]
    pub blend: bool,
    /// The system to be blended in a TOML file (as --blend, without the questions).
    #[arg(long, value_name = "FILE")]
    pub system: Option<PathBuf>,
    /// The subwoofer stands where it stays: blend, and nothing else.
    #[arg(long)]
    pub placed: bool,
    /// The blend's routine, a preset or one of your own; the usual one for the connection otherwise.
    #[arg(long, value_name = "NAME")]
    pub routine: Option<String>,
}

/// `evenbass begin`
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:\n  evenbass begin\n  evenbass begin --room lounge.toml --minutes 20 --meter\n  \
                        evenbass begin mill-lane --room lounge.toml --kit kit.toml --channels LFE\n  \
                        evenbass begin mill-lane --handset 192.168.1.20           a phone on that network answers\n  \
                        evenbass begin --room lounge.toml --system system.toml    the place, then the blend\n  \
                        evenbass begin --blend --placed                           the blend alone\n  \
                        evenbass begin spring --recheck mill-lane.visit.jsonl     what has drifted since")]
pub struct Begin {
    /// What the visit is called; its file is NAME.visit.jsonl.
    #[arg(default_value = "visit")]
    pub name: String,
    /// The room in a TOML file; asked for otherwise (with --recheck that of the earlier visit).
    #[arg(long, value_name = "FILE")]
    pub room: Option<PathBuf>,
    /// Output channels that reach the subwoofer, by name (LFE, L, R, …) or number from 1; all otherwise.
    #[arg(long, value_name = "CHANNEL,…", value_delimiter = ',')]
    pub channels: Vec<Way>,
    /// Look again at what was set in an earlier visit: its file, or its set-up sheet with that file beside it.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["blend", "system", "placed"])]
    pub recheck: Option<PathBuf>,
    #[command(flatten)]
    pub blend: BlendOptions,
    #[command(flatten)]
    pub brief: BriefOptions,
    #[command(flatten)]
    pub visit: VisitOptions,
}

/// `evenbass resume`
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:\n  evenbass resume\n  evenbass resume mill-lane.visit.jsonl")]
pub struct Resume {
    /// The visit file; the last unfinished one in the folder otherwise.
    pub file: Option<PathBuf>,
    #[command(flatten)]
    pub visit: VisitOptions,
}

/// `evenbass outputs`
#[derive(Debug, Clone, Args)]
#[command(after_help = "Example:\n  evenbass outputs --json")]
pub struct Outputs {
    /// As JSON.
    #[arg(long)]
    pub json: bool,
}

/// `evenbass rank`
#[derive(Debug, Clone, Args)]
#[command(after_help = "Example:\n  evenbass rank mill-lane.visit.jsonl")]
pub struct Rank {
    /// The visit file.
    pub visit: PathBuf,
    /// As JSON.
    #[arg(long, conflicts_with = "ascii")]
    pub json: bool,
    /// Draw the curves with plain ASCII characters.
    #[arg(long)]
    pub ascii: bool,
}

/// `evenbass report`
#[derive(Debug, Clone, Args)]
#[command(after_help = "Example:\n  evenbass report mill-lane.visit.jsonl")]
pub struct Report {
    /// The visit file.
    pub visit: PathBuf,
    /// The folder to write into; the visit's own otherwise.
    #[arg(long, value_name = "FOLDER")]
    pub folder: Option<PathBuf>,
    /// Replace files that this program did not write.
    #[arg(long)]
    pub force: bool,
}

/// `evenbass rehearse`
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:\n  evenbass rehearse\n  evenbass rehearse --listener tired --minutes 12\n  \
                        evenbass rehearse --room lounge.toml --response lounge.csv\n  \
                        evenbass rehearse --face json     another program is the listener")]
pub struct Rehearse {
    /// The virtual room in a TOML file; an invented one otherwise (with --recheck that of the earlier rehearsal).
    #[arg(long, value_name = "FILE")]
    pub room: Option<PathBuf>,
    /// Responses from every spot to the seat in a CSV file, in place of computed ones.
    #[arg(long, value_name = "FILE")]
    pub response: Option<PathBuf>,
    /// The simulated listener.
    #[arg(long, value_name = "NAME", default_value = "typical")]
    pub listener: String,
    /// You answer: on the terminal, in lines, or as a program in JSON.
    #[arg(long, value_name = "FACE")]
    pub face: Option<FaceName>,
    /// Draw with ASCII characters only.
    #[arg(long)]
    pub ascii: bool,
    /// Do without colour.
    #[arg(long)]
    pub no_colour: bool,
    /// The folder for the rehearsal's files; the present one otherwise (with --face json nothing is kept).
    #[arg(long, value_name = "FOLDER")]
    pub folder: Option<PathBuf>,
    #[command(flatten)]
    pub blend: BlendOptions,
    /// Look again at what was set in an earlier rehearsal: its file, or its set-up sheet with that file beside it.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["blend", "system", "placed"])]
    pub recheck: Option<PathBuf>,
    #[command(flatten)]
    pub brief: BriefOptions,
    #[command(flatten)]
    pub handset: HandsetOptions,
}

/// `evenbass play`
#[derive(Debug, Clone, Args)]
#[command(
    after_help = "Examples:\n  evenbass play pure --hz 40\n  evenbass play warble --hz 50 --octaves 0.0833 --rate-hz 4 \
                        --dbfs -30 --channels 1\n  evenbass play steady-noise --hz 63 --band 1/3 --seconds 10\n  \
                        evenbass play pure --hz 80 --channels LFE,L:1.2ms,R:1.2ms:inverted\n  \
                        evenbass play identify --layout 5.1\n  evenbass play wiring"
)]
pub struct Play {
    #[command(subcommand)]
    pub what: PlayWhat,
}

/// What is played.
#[derive(Debug, Clone, Subcommand)]
pub enum PlayWhat {
    /// One signal.
    #[command(flatten)]
    Signal(SignalArgs<How>),
    /// Noise from one channel after the other, each named: which speaker is which channel.
    Identify {
        #[command(flatten)]
        how: How,
    },
    /// The same noise from left and right, opposite, then each alone: whether a main speaker's polarity is reversed.
    Wiring {
        #[command(flatten)]
        how: How,
    },
}

/// `evenbass render`
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:\n  evenbass render pure --hz 40 --dbfs -12 --seconds 10 -o tone.wav\n  \
                        evenbass render sweep --from-hz 20 --to-hz 200 --shape exponential -o sweep.flac\n  \
                        evenbass render burst --hz 50 --cycles 6.5 --count 4 -o burst.wav\n  \
                        evenbass render pure --hz 40 --layout 5.1 --channels LFE:-3dB,L:5ms -o tone.wav\n  \
                        evenbass render set walk-16 --folder stick\n  \
                        evenbass render routine --spots \"door,window,left corner\" --folder stick\n  \
                        evenbass render identify --layout 5.1 --folder rounds")]
pub struct Render {
    #[command(subcommand)]
    pub what: RenderWhat,
}

/// What is written.
#[derive(Debug, Clone, Subcommand)]
pub enum RenderWhat {
    /// One signal.
    #[command(flatten)]
    Signal(SignalArgs<Writing>),
    /// A whole note set, one file a note at equal loudness, with a cue sheet to print: for a disc or a stick.
    Set(RenderSet),
    /// What a whole visit plays, one file a step, with a cue sheet to print: reference, raised notes in steps, the
    /// seven words, and from spot to spot all notes in random order.
    Routine(RenderRoutine),
    /// The rounds that show whether a main speaker's polarity is reversed, one file each.
    Wiring(RenderRounds),
    /// The rounds that show which speaker is which channel, one file each.
    Identify(RenderRounds),
}

/// How loud, how long and where.
#[derive(Debug, Clone, Args)]
pub struct How {
    /// Level, dBFS (a full-scale sine is 0).
    #[arg(long, default_value_t = -40.0, allow_negative_numbers = true)]
    pub dbfs: f64,
    /// How long at that level; until Ctrl-C or the signal's own limit otherwise.
    #[arg(long)]
    pub seconds: Option<f64>,
    #[command(flatten)]
    pub routing: Routing,
    /// The sound output, as `evenbass outputs` names it.
    #[arg(long, value_name = "OUTPUT")]
    pub output: Option<String>,
}
