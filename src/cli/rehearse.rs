//! `evenbass rehearse`

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};

use crate::blend::Connection;
use crate::cli::args::{FaceName, Rehearse};
use crate::cli::begin::free_name;
use crate::cli::session::{self, Answering, OpenVisit, PROGRAM};
use crate::cli::{Failure, brief, recheck, sound};
use crate::presets;
use crate::rehearsal::{BlendPerson, SimulatedListener, VirtualRoom, VirtualSystem};
use crate::room::table::ResponseTable;
use crate::room::{self, Room};
use crate::routine::{BlendBrief, Brief, State};
use crate::view::{Chapter, View};
use crate::visit::{Header, SUFFIX};

/// The room that a rehearsal has if none is named.
const SCENARIO: (&str, &str) = ("presets/rooms/boathouse.toml", include_str!("../../presets/rooms/boathouse.toml"));
/// Minutes of listening if nobody says.
const MINUTES: f64 = 18.0;

/// Goes through a whole visit on the fast clock.
pub fn run(rehearse: &Rehearse) -> Result<(), Failure> {
    let earlier = rehearse.recheck.as_deref().map(|file| recheck::of(file, true)).transpose()?;
    // Without measures nothing can be computed in it.
    let was = earlier.as_ref().filter(|earlier| earlier.room.floor.is_some() || rehearse.response.is_some());
    let (room, main_seat) = match (&rehearse.room, was) {
        (Some(file), _) => (room::load(file)?, None),
        (None, Some(earlier)) => (earlier.room.clone(), Some(earlier.seat)),
        (None, None) => (Room::from_toml(SCENARIO.0, SCENARIO.1)?, None),
    };
    let room = brief::room(room, earlier.is_some(), &rehearse.blend, &rehearse.brief)?;
    if room.spots.is_empty() && room.floor.is_none() {
        return Err(Failure::Usage(
            "The room has neither spots nor an outline: add [[spot]] with a name, or size_m and the seat's at_m."
                .into(),
        ));
    }
    let mut options = rehearse.brief.clone();
    options.minutes.get_or_insert(MINUTES);
    // In a room of the mind nothing is too heavy, and what was not said is as it should be.
    let mut kit = brief::kit(&options)?;
    kit.rated_low_hz.get_or_insert(20.0);
    kit.too_heavy.get_or_insert(false);
    kit.meter.get_or_insert(false);

    // A script that only wants the answer leaves no files behind, unless it says where to.
    let passing = match (&rehearse.folder, rehearse.face) {
        (None, Some(FaceName::Json)) => Some(tempfile::tempdir()?),
        _ => None,
    };
    let folder = passing.as_ref().map(|dir| dir.path()).or(rehearse.folder.as_deref()).unwrap_or(Path::new("."));
    let name = free_name(folder, "rehearsal");
    let blend = match earlier {
        Some(earlier) => Some(earlier.blend),
        None => brief::blend(&rehearse.blend)?,
    };
    let mut brief = Brief { blend, ..brief::brief(&name, Some(room), main_seat, kit, &options, true)? };
    let seed = brief.seed;
    if let Some(blend) = &mut brief.blend {
        // A system of the mind, where no file says which.
        blend.system.get_or_insert_with(|| VirtualSystem::random(Connection::Line, seed).system);
    }
    brief::time_enough(&brief)?;
    let answering = answering(rehearse, &brief)?;
    let sound = sound::offline(&brief, brief.blend.as_ref().map(BlendBrief::channels));
    let file = folder.join(format!("{name}{SUFFIX}"));
    let handset = match face(rehearse) {
        Some(face) => session::handset(&rehearse.handset, &file, face)?,
        None => session::HandsetPlan::none(),
    };
    let mut visit = OpenVisit::create(&file, &Header::new(PROGRAM, session::now(), None, brief))?;
    visit.kept = passing.is_none();
    let ending = session::conduct(visit, sound, answering, handset)?;
    if rehearse.face != Some(FaceName::Json) {
        match ending.sheet {
            Some(sheet) => say!("The set-up sheet is {}.", sheet.display()),
            None => {
                say!("The rehearsal is kept in {}; it is not finished. {}.", file.display(), session::way_on(&file))
            }
        }
    }
    Ok(())
}

/// Through which face a person answers: none, where the simulated listener does. A phone is a person's.
fn face(rehearse: &Rehearse) -> Option<FaceName> {
    rehearse.face.or(rehearse.handset.handset.map(|_| FaceName::Terminal))
}

fn answering(rehearse: &Rehearse, brief: &Brief) -> Result<Answering, Failure> {
    if let Some(name) = face(rehearse) {
        return Ok(Answering::Face { name, ascii: rehearse.ascii, no_colour: rehearse.no_colour });
    }
    let Some(room) = &brief.room else { return Err(Failure::Usage("A rehearsal needs a room.".into())) };
    let traits = presets::listener(&rehearse.listener)?;
    let seats: Vec<usize> = State::new(Arc::new(brief.clone())).seats().into_iter().map(|(seat, _)| seat).collect();
    let virtual_room = match &rehearse.response {
        Some(table) => VirtualRoom::from_table(ResponseTable::load(table)?, room, &seats)?,
        None => VirtualRoom::from_waves(room, &seats)?,
    };
    let system = brief.blend.as_ref().and_then(|blend| blend.system.clone());
    let person = system.map(|system| {
        let system = VirtualSystem::around(system, brief.seed);
        Box::new(BlendPerson::new(system, traits.clone(), brief.seed))
    });
    let listener = Box::new(SimulatedListener::new(virtual_room, traits, brief.seed));
    Ok(Answering::Itself { listener, person, progress: progress(brief) })
}

/// A bar over the minutes of listening, and the verdict in words at the end.
fn progress(brief: &Brief) -> Box<dyn FnMut(&View)> {
    let limit_s = brief.minutes.unwrap_or(MINUTES) * 60.0;
    let bar = ProgressBar::new(limit_s as u64);
    bar.set_style(
        ProgressStyle::with_template("{msg:34} {bar:28} {percent:>3} % of the listening time")
            .unwrap_or_else(|_| ProgressStyle::default_bar()),
    );
    bar.enable_steady_tick(Duration::from_millis(200));
    let mut told = false;
    Box::new(move |view| {
        bar.set_position(view.progress.seconds_spent as u64);
        bar.set_message(format!(
            "spot {} of {}, stay {}",
            view.progress.spots_heard, view.progress.spots, view.progress.stay
        ));
        if view.chapter == Chapter::Verdict
            && !told
            && let Some(question) = &view.question
        {
            told = true;
            bar.suspend(|| say!("{}\n{}", question.text, question.why));
        }
        if view.chapter == Chapter::Done {
            bar.finish_and_clear();
        }
    })
}
