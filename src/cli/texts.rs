//! Completion scripts and manual pages, made from the arguments themselves.

use std::fs;
use std::path::Path;

use anyhow::Context;
use clap::CommandFactory;

use crate::cli::args::Typed;
use crate::cli::{Failure, say};

/// Prints a completion script.
pub fn completions(shell: clap_complete::Shell) -> Result<(), Failure> {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut Typed::command(), "evenbass", &mut script);
    say::text(&String::from_utf8_lossy(&script));
    Ok(())
}

/// Writes one manual page a command.
pub fn man_pages(folder: &Path) -> Result<(), Failure> {
    fs::create_dir_all(folder).with_context(|| format!("cannot make the folder {}", folder.display()))?;
    clap_mangen::generate_to(Typed::command(), folder)
        .with_context(|| format!("cannot write manual pages into {}", folder.display()))?;
    say!("{}", folder.display());
    Ok(())
}
