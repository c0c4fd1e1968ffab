//! What was typed, what it means, the call into the library, and what is printed.

#[macro_use]
mod say;

pub mod args;
mod begin;
mod brief;
mod cue_sheet;
pub mod exposure;
mod failure;
pub mod folder;
pub mod levels;
mod outputs;
mod play;
pub mod presets;
mod quiet;
mod rank;
mod recheck;
mod rehearse;
pub mod render;
pub mod render_rounds;
pub mod render_routine;
pub mod render_set;
mod report;
pub mod room;
mod room_page;
mod room_pictures;
mod rounds;
pub mod routing;
mod session;
mod signal_picture;
pub mod signals;
mod sound;
mod spots;
mod texts;
mod values;

use std::process::ExitCode;

use clap::Parser;

use args::{Command, Typed};
pub use failure::Failure;

/// Runs the program: 0 done, 1 failed, 2 wrong usage, 3 no sound device.
pub fn run() -> ExitCode {
    let typed = Typed::parse();
    let done = match typed.command {
        None => begin::resume_or_begin(&typed.visit),
        Some(Command::Begin(begin)) => begin::begin(&begin),
        Some(Command::Resume(resume)) => begin::resume(&resume),
        Some(Command::Outputs(outputs)) => outputs::run(&outputs),
        Some(Command::Play(play)) => play::run(&play),
        Some(Command::Render(render)) => render::run(&render),
        Some(Command::Room(room)) => room::run(&room).map_err(Failure::Failed),
        Some(Command::Presets { command }) => presets::run(&command),
        Some(Command::Levels(levels)) => levels::run(&levels),
        Some(Command::Exposure(exposure)) => exposure::run(&exposure),
        Some(Command::Rank(rank)) => rank::run(&rank),
        Some(Command::Report(report)) => report::run(&report),
        Some(Command::Rehearse(rehearse)) => rehearse::run(&rehearse),
        Some(Command::Completions { shell }) => texts::completions(shell),
        Some(Command::Man { folder }) => texts::man_pages(&folder),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("evenbass: {failure}");
            failure.exit_code()
        }
    }
}
