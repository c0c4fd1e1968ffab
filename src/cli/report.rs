//! `evenbass report`

use std::path::Path;

use crate::cli::args::Report;
use crate::cli::{Failure, session};
use crate::{report, visit};

/// Writes the set-up sheet and the evidence.
pub fn run(args: &Report) -> Result<(), Failure> {
    let opened = visit::read(&args.visit)?;
    if let Some(torn) = &opened.notice {
        eprintln!("{}", torn.words_for_readers());
    }
    let state = session::replay(&args.visit, &opened)?;
    let ranking = state.consultation().ranked();
    let facts = report::facts_of(session::PROGRAM, &args.visit, &opened, &state, &ranking);
    let folder = args.folder.as_deref().or(args.visit.parent()).unwrap_or(Path::new("."));
    let written = report::write(folder, &visit::name_of(&args.visit), &facts, args.force)?;
    for aside in &written.set_aside {
        eprintln!("What had this name is kept as {}.", aside.display());
    }
    say!("{}", written.sheet.display());
    Ok(())
}
