//! What a visit or a rehearsal starts from, out of what was typed: room, kit, blend, and the brief that holds them.

use std::sync::Arc;

use crate::blend::{Connection, System};
use crate::cli::args::{BlendOptions, BriefOptions};
use crate::cli::presets::own_presets;
use crate::cli::{Failure, spots};
use crate::presets::{self, NOTES, ROUTINES};
use crate::room::Room;
use crate::routine::{AnswerBy, BlendBrief, Brief, Kit, State};
use crate::toml_file::{load_toml, read_text};

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

/// The room as a visit begins with it: with suggested spots where a place is sought and the file names none. A re-check
/// and a blend alone take the subwoofer where it stands.
pub(super) fn room(room: Room, recheck: bool, blend: &BlendOptions, options: &BriefOptions) -> Result<Room, Failure> {
    if recheck || blend.placed {
        return Ok(room);
    }
    Ok(spots::suggested(room, options.seat.as_deref())?)
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
    let own = own_presets(ROUTINES.folder);
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
            "The routine {name} is not for a subwoofer on the {}. Choose another one, or add the connection to its \
             `fits`.",
            system.connection.word()
        )));
    }
    Ok(Some(BlendBrief { system, routines, placed: options.placed, recheck: None, output_channels: None }))
}

/// What a visit starts from, out of what was typed.
/// * `main_seat` - of the room, if that is not the one that counts most; what was typed counts more
pub(super) fn brief(
    name: &str,
    room: Option<Room>,
    main_seat: Option<usize>,
    kit: Kit,
    options: &BriefOptions,
    rehearsal: bool,
) -> Result<Brief, Failure> {
    let mut room = room;
    let seat = match (&options.seat, &mut room) {
        (None, room) => main_seat.unwrap_or_else(|| room.as_ref().map_or(0, heaviest_seat)),
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
        note_set: presets::note_set(&options.notes, own_presets(NOTES.folder).as_deref())?,
        loudness_phon: options.loudness,
        rehearsal,
        asks_more: !rehearsal,
        blend: None,
    })
}

/// Refuses a visit by matching whose time does not let two spots be compared.
pub(super) fn time_enough(brief: &Brief) -> Result<(), Failure> {
    let Some(minutes) = brief.minutes.filter(|_| brief.kit.answer_by == AnswerBy::Match && !brief.is_placed()) else {
        return Ok(());
    };
    let least = State::new(Arc::new(brief.clone())).least_minutes_to_match();
    if minutes >= least {
        return Ok(());
    }
    Err(Failure::Usage(format!(
        "--minutes {minutes} is too little for matching: comparing two spots takes about {least} minutes here. Give \
         more time, or rate the notes in words, which takes a fifth of it (without --match)."
    )))
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

fn fresh_seed() -> u64 {
    use std::hash::{BuildHasher, Hasher};
    // The standard library's hasher is seeded by the system; half of it keeps the seed exact in every JSON reader.
    std::collections::hash_map::RandomState::new().build_hasher().finish() >> 32
}
