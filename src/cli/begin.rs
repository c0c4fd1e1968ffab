//! `evenbass begin`, `evenbass resume`, and `evenbass` alone.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::Context;

use crate::cli::args::{Begin, BlendOptions, BriefOptions, Resume, VisitOptions};
use crate::cli::routing::Routing;
use crate::cli::session::{self, Answering, OpenVisit, PROGRAM};
use crate::cli::{Failure, brief, recheck, sound};
use crate::room;
use crate::routine::{BlendBrief, Brief, Stage};
use crate::visit::{self, Header, SUFFIX};

/// The last unfinished visit of the folder, or a new one.
pub fn resume_or_begin(options: &VisitOptions) -> Result<(), Failure> {
    match last_unfinished(&options.folder)? {
        Some(file) => {
            eprintln!("Going on with {}.", file.display());
            resume_file(&file, options)
        }
        None => begin(&Begin {
            name: free_name(&options.folder, "visit"),
            room: None,
            channels: Vec::new(),
            recheck: None,
            blend: BlendOptions::default(),
            brief: BriefOptions::default(),
            visit: options.clone(),
        }),
    }
}

/// `evenbass begin`
pub fn begin(begin: &Begin) -> Result<(), Failure> {
    let earlier = begin.recheck.as_deref().map(|file| recheck::of(file, false)).transpose()?;
    let room = begin.room.as_deref().map(room::load).transpose()?;
    let room = room.map(|room| brief::room(room, earlier.is_some(), &begin.blend, &begin.brief)).transpose()?;
    let mut kit = brief::kit(&begin.brief)?;
    let (blend, room, main_seat) = match (earlier, room) {
        (Some(earlier), None) => (Some(earlier.blend), Some(earlier.room), Some(earlier.seat)),
        (Some(earlier), room) => (Some(earlier.blend), room, None),
        (None, room) => (brief::blend(&begin.blend)?, room, None),
    };
    // A subwoofer with a channel of its own is heard on that alone while its place is sought.
    let own = blend.as_ref().and_then(|blend| blend.system.as_ref()).and_then(|system| system.channels.subwoofer);
    if kit.channels.is_empty() {
        kit.channels.extend(own);
    }
    let routing = match begin.channels.as_slice() {
        [] => Routing::numbered(&kit.channels),
        named => Routing::plain(named)?,
    };
    let mut brief = Brief { blend, ..brief::brief(&begin.name, room, main_seat, kit, &begin.brief, false)? };
    brief::time_enough(&brief)?;
    let file = visit_file(&begin.visit.folder, &begin.name)?;
    if file.exists() {
        return Err(Failure::Usage(format!(
            "{} is there already and is not replaced. Go on with it by `evenbass resume {}`, or begin under another \
             name.",
            file.display(),
            file.display()
        )));
    }
    let handset = session::handset(&begin.visit.handset, &file, begin.visit.face)?;
    // The device is opened first: without sound no file is left behind.
    let sound = sound::open(&begin.visit, &routing, &brief, brief.blend.as_ref().map(BlendBrief::channels))?;
    if !routing.channels.is_empty() {
        // A visit keeps numbers: what a name means hangs on the device, which stays the same one.
        brief.kit.channels = sound.outputs.channels().map(|channel| channel + 1).collect();
    }
    let visit = OpenVisit::create(&file, &Header::new(PROGRAM, session::now(), None, brief))?;
    run(visit, sound, handset, &begin.visit)
}

/// `evenbass resume`
pub fn resume(resume: &Resume) -> Result<(), Failure> {
    match &resume.file {
        Some(file) => resume_file(file, &resume.visit),
        None => {
            let folder = &resume.visit.folder;
            let file = last_unfinished(folder)?.ok_or_else(|| {
                // '.' says little; what it stands for says which folder was meant.
                let folder = folder.canonicalize().unwrap_or_else(|_| folder.clone());
                Failure::Usage(format!(
                    "No visit in the folder {} is unfinished. Name the visit's file (`evenbass resume FILE`) or its \
                     folder (--folder), or begin a new one: `evenbass begin`.",
                    folder.display()
                ))
            })?;
            resume_file(&file, &resume.visit)
        }
    }
}

fn resume_file(file: &Path, options: &VisitOptions) -> Result<(), Failure> {
    let visit = OpenVisit::open(file)?;
    let handset = session::handset(&options.handset, file, options.face)?;
    let state = visit.state();
    // What was asked for on the way counts as well as what was known at the beginning.
    let blended = state.blend().map(|blend| blend.system().channels);
    let sound = if state.brief().rehearsal {
        sound::offline(state.brief(), blended)
    } else {
        sound::open(options, &Routing::numbered(&state.kit().channels), state.brief(), blended)?
    };
    run(visit, sound, handset, options)
}

fn run(
    visit: OpenVisit,
    sound: session::SoundPath,
    handset: session::HandsetPlan,
    options: &VisitOptions,
) -> Result<(), Failure> {
    let file = visit.file.clone();
    let answering = Answering::Face { name: options.face, ascii: options.ascii, no_colour: options.no_colour };
    let ending = session::conduct(visit, sound, answering, handset)?;
    match (ending.done, ending.sheet) {
        (true, Some(sheet)) => eprintln!("Done. The set-up sheet is {}.", sheet.display()),
        (true, None) => eprintln!("Done. `evenbass report {}` writes the set-up sheet.", file.display()),
        (false, _) => eprintln!("Kept in {}; {}.", file.display(), session::way_on(&file)),
    }
    Ok(())
}

fn visit_file(folder: &Path, name: &str) -> Result<PathBuf, Failure> {
    if name.is_empty() || name.contains(['/', '\\']) || name.starts_with('.') {
        return Err(Failure::Usage(format!(
            "\"{name}\" cannot be the name of a visit: use a plain word, and --folder."
        )));
    }
    Ok(folder.join(format!("{name}{SUFFIX}")))
}

/// A name that no visit of the folder has yet.
pub(super) fn free_name(folder: &Path, stem: &str) -> String {
    let taken = |name: &str| folder.join(format!("{name}{SUFFIX}")).exists();
    let numbered = (2..).map(|number| format!("{stem}-{number}"));
    std::iter::once(stem.to_owned()).chain(numbered).find(|name| !taken(name)).unwrap_or_default()
}

fn last_unfinished(folder: &Path) -> Result<Option<PathBuf>, Failure> {
    let entries = fs::read_dir(folder).with_context(|| format!("cannot look into {}", folder.display()))?;
    let mut files: Vec<(std::time::SystemTime, PathBuf)> = entries
        .flatten()
        .filter(|entry| entry.file_name().to_string_lossy().ends_with(SUFFIX))
        .filter_map(|entry| Some((entry.metadata().ok()?.modified().ok()?, entry.path())))
        .collect();
    files.sort();
    for (_, file) in files.into_iter().rev() {
        let opened = visit::read(&file)?;
        let state = session::replay(&file, &opened)?;
        if *state.stage() != Stage::Done && !state.brief().rehearsal {
            return Ok(Some(file));
        }
    }
    Ok(None)
}
