//! `evenbass begin`, `evenbass resume`, and `evenbass` alone.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::Context;

use crate::blend::{Connection, System};
use crate::cli::args::{Begin, BlendOptions, BriefOptions, Resume, VisitOptions};
use crate::cli::routing::Routing;
use crate::cli::session::{self, Answering, OpenVisit, PROGRAM};
use crate::cli::{Failure, recheck, sound, spots};
use crate::presets;
use crate::room::{self, Room};
use crate::routine::{AnswerBy, BlendBrief, Brief, Kit, Stage};
use crate::toml_file::{load_toml, read_text};
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
    let mut room = begin.room.as_deref().map(room::load).transpose()?;
    if begin.recheck.is_none() && !begin.blend.placed {
        room = room.map(|room| spots::suggested(room, begin.brief.seat.as_deref())).transpose()?;
    }
    let mut kit = kit(&begin.brief)?;
    let blend = match &begin.recheck {
        Some(earlier) => Some(recheck::of(earlier)?),
        None => blend(&begin.blend)?,
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
    let mut brief = Brief { blend, ..brief(&begin.name, room, kit, &begin.brief, false)? };
    let file = visit_file(&begin.visit.folder, &begin.name)?;
    if file.exists() {
        return Err(Failure::Usage(format!(
            "{} is there already and is not replaced. Go on with it by `evenbass resume {}`, or begin under another name.",
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
                    "No visit in the folder {} is unfinished. Name the visit's file (`evenbass resume FILE`) or its folder \
                     (--folder), or begin a new one: `evenbass begin`.",
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
        (false, _) => eprintln!("Kept in {}. `evenbass resume` goes on with it.", file.display()),
    }
    Ok(())
}

/// What a visit starts from, out of what was typed.
pub(super) fn brief(
    name: &str,
    room: Option<Room>,
    kit: Kit,
    options: &BriefOptions,
    rehearsal: bool,
) -> Result<Brief, Failure> {
    let mut room = room;
    let seat = match (&options.seat, &mut room) {
        (None, room) => room.as_ref().map_or(0, heaviest_seat),
        (Some(seat), Some(room)) => {
            // One seat by name is that one alone.
            room.seat_weights.clear();
            seat_of(room, seat)?
        }
        (Some(_), None) => {
            return Err(Failure::Usage("--seat names a seat of a room file; give --room as well.".into()));
        }
    };
    Ok(Brief {
        name: name.into(),
        seed: options.seed.unwrap_or_else(fresh_seed),
        minutes: options.minutes,
        room,
        seat,
        kit,
        note_set: presets::note_set(&options.notes, own_presets("notes").as_deref())?,
        loudness_phon: options.loudness,
        rehearsal,
        asks_more: !rehearsal,
        blend: None,
    })
}

/// The blend that was asked for, if one was.
pub(super) fn blend(options: &BlendOptions) -> Result<Option<BlendBrief>, Failure> {
    if !(options.blend || options.placed || options.system.is_some()) {
        return match &options.routine {
            None => Ok(None),
            Some(_) => Err(Failure::Usage("--routine says how to blend; give --blend or --system as well.".into())),
        };
    }
    let system = match &options.system {
        Some(file) => Some(System::parse(&file.display().to_string(), &read_text(file)?)?),
        None => None,
    };
    let own = own_presets("routines");
    let routines = match (&options.routine, &system) {
        (Some(name), _) => vec![presets::routine(name, own.as_deref())?],
        (None, Some(system)) => vec![presets::routine(presets::usual_routine(system.connection), own.as_deref())?],
        // Which one fits shows once the connection has been asked for.
        (None, None) => [Connection::Line, Connection::Lfe, Connection::Both]
            .map(|connection| presets::routine(presets::usual_routine(connection), own.as_deref()))
            .into_iter()
            .collect::<Result<_, _>>()?,
    };
    if let (Some(name), Some(system), [routine]) = (&options.routine, &system, routines.as_slice())
        && !routine.fits.contains(&system.connection)
    {
        return Err(Failure::Usage(format!(
            "The routine {name} is not for a subwoofer on the {}. Choose another one, or add the connection to its `fits`.",
            system.connection.word()
        )));
    }
    Ok(Some(BlendBrief { system, routines, placed: options.placed, recheck: None, output_channels: None }))
}

/// The main one of several seats: the one that counts most, the first of equals.
fn heaviest_seat(room: &Room) -> usize {
    let weights = &room.seat_weights;
    (0..weights.len()).rev().max_by(|&a, &b| weights[a].total_cmp(&weights[b])).unwrap_or(0)
}

fn seat_of(room: &Room, name: &str) -> Result<usize, Failure> {
    room.seats.iter().position(|seat| seat.name == name).ok_or_else(|| {
        let known: Vec<&str> = room.seats.iter().map(|seat| seat.name.as_str()).collect();
        Failure::Usage(format!("The room has no seat called {name}. Its seats: {}.", known.join(", ")))
    })
}

/// The kit out of its file and the options.
pub(super) fn kit(options: &BriefOptions) -> Result<Kit, Failure> {
    let mut kit: Kit = options.kit.as_deref().map(load_toml).transpose()?.unwrap_or_default();
    if options.meter {
        kit.meter = Some(true);
    }
    if options.by_match {
        kit.answer_by = AnswerBy::Match;
    }
    Ok(kit)
}

/// The person's own presets, beside the program's configuration.
pub(super) fn own_presets(kind: &str) -> Option<PathBuf> {
    use etcetera::BaseStrategy;
    let base = etcetera::choose_base_strategy().ok()?;
    Some(base.config_dir().join("evenbass").join(kind))
}

fn fresh_seed() -> u64 {
    use std::hash::{BuildHasher, Hasher};
    // The standard library's hasher is seeded by the system; half of it keeps the seed exact in every JSON reader.
    std::collections::hash_map::RandomState::new().build_hasher().finish() >> 32
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

impl Default for BriefOptions {
    fn default() -> Self {
        Self {
            seat: None,
            minutes: None,
            meter: false,
            by_match: false,
            kit: None,
            notes: "walk-16".into(),
            loudness: 50.0,
            seed: None,
        }
    }
}
