//! `evenbass begin --recheck`: what an earlier visit left, out of its file.

use std::path::{Path, PathBuf};

use crate::cli::{Failure, session};
use crate::room::Room;
use crate::routine::BlendBrief;
use crate::routine::blend::Previous;
use crate::visit::{self, SUFFIX};

/// What a set-up sheet's name ends in, where the visit file lies beside it.
const SHEET: &str = ".sheet.html";

/// What an earlier visit left.
pub(super) struct Earlier {
    /// Its blend, to be looked at again.
    pub blend: BlendBrief,
    /// Its room; of the spots only the one that was chosen, if one was.
    pub room: Room,
    /// Its main seat, position in the room's list.
    pub seat: usize,
}

/// Reads what an earlier visit left, for a visit or for a rehearsal.
pub(super) fn of(earlier: &Path, rehearsal: bool) -> Result<Earlier, Failure> {
    let file = visit_of(earlier);
    if file != earlier && earlier.exists() && !file.exists() {
        return Err(Failure::Usage(format!(
            "The sheet {} alone is not enough for a re-check: what was set is read from the visit's file, and there is \
             no {} beside it. Put that file into the same folder, or name it where it is.",
            earlier.display(),
            file.display()
        )));
    }
    let opened = visit::read(&file)?;
    let state = session::replay(&file, &opened)?;
    let Some(blend) = state.blend().filter(|blend| blend.has_settings()) else {
        return Err(Failure::Usage(format!(
            "{} holds no blend: nothing was written down there that could have drifted. Begin one with `evenbass begin \
             --blend`.",
            file.display()
        )));
    };
    if state.brief().rehearsal && !rehearsal {
        return Err(Failure::Usage(format!(
            "{} is a rehearsal: nothing there was set on a real system. `evenbass rehearse --recheck {}` looks at it \
             again.",
            file.display(),
            file.display()
        )));
    }
    let mut room = (**state.room()).clone();
    if let Some(spot) = state.chosen().and_then(|chosen| room.spots.get(chosen)).cloned() {
        // The subwoofer stands there: for a re-check there is no other one.
        room.spots = vec![spot];
    }
    let previous = Previous {
        name: state.brief().name.clone(),
        date: opened.header.created.local().strftime("%-d %B %Y").to_string(),
        system: blend.as_left(),
        notes: blend.notes().to_vec(),
    };
    let blend = BlendBrief {
        system: Some(previous.system.clone()),
        routines: Vec::new(),
        placed: true,
        recheck: Some(previous),
        output_channels: None,
    };
    Ok(Earlier { blend, room, seat: state.brief().seat })
}

/// A sheet lies beside its visit file.
fn visit_of(given: &Path) -> PathBuf {
    let name = given.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    match name.strip_suffix(SHEET) {
        Some(stem) => given.with_file_name(format!("{stem}{SUFFIX}")),
        None => given.to_path_buf(),
    }
}
