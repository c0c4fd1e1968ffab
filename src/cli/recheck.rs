//! `evenbass begin --recheck`: what an earlier visit left, out of its file.

use std::path::{Path, PathBuf};

use crate::cli::{Failure, session};
use crate::routine::BlendBrief;
use crate::routine::blend::Previous;
use crate::visit::{self, SUFFIX};

/// What a set-up sheet's name ends in, where the visit file lies beside it.
const SHEET: &str = ".sheet.html";

/// The blend of an earlier visit, to be looked at again.
pub(super) fn of(earlier: &Path) -> Result<BlendBrief, Failure> {
    let file = visit_of(earlier);
    let opened = visit::read(&file)?;
    let state = session::replay(&file, &opened)?;
    let Some(blend) = state.blend().filter(|blend| blend.has_settings()) else {
        return Err(Failure::Usage(format!(
            "{} holds no blend: nothing was written down there that could have drifted. Begin one with `evenbass begin \
             --blend`.",
            file.display()
        )));
    };
    let previous = Previous {
        name: state.brief().name.clone(),
        date: opened.header.created.local().strftime("%-d %B %Y").to_string(),
        system: blend.as_left(),
        notes: blend.notes().to_vec(),
    };
    Ok(BlendBrief {
        system: Some(previous.system.clone()),
        routines: Vec::new(),
        placed: true,
        recheck: Some(previous),
        output_channels: None,
    })
}

/// A sheet lies beside its visit file.
fn visit_of(given: &Path) -> PathBuf {
    let name = given.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    match name.strip_suffix(SHEET) {
        Some(stem) => given.with_file_name(format!("{stem}{SUFFIX}")),
        None => given.to_path_buf(),
    }
}
