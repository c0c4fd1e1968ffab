//! A session of a visit: from a file and a sound output to the threads that run it.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context, anyhow};
use crossbeam_channel::{Receiver, unbounded};

use crate::cli::Failure;
use crate::cli::args::{FaceName, HandsetOptions};
use crate::conductor::{Baton, Clock, Conductor, Ending, Player};
use crate::engine::{Engine, Moment, Outputs};
use crate::faces::handset::{self, Handset, Listening, Store, Wanted};
use crate::faces::{json, plain, terminal};
use crate::rehearsal::{BlendPerson, SimulatedListener, answer_by_itself};
use crate::report;
use crate::routine::{Event, State};
use crate::units::Dbfs;
use crate::view::{View, Wires};
use crate::visit::{self, Header, Journal, Opened, WallTime, spawn};

/// This program's version, as it is written into visit files.
pub const PROGRAM: &str = concat!("evenbass ", env!("CARGO_PKG_VERSION"));

/// Who answers.
pub enum Answering {
    /// A person or a script.
    Face {
        /// Through which face.
        name: FaceName,
        /// Draw with ASCII characters only.
        ascii: bool,
        /// Do without colour.
        no_colour: bool,
    },
    /// The simulated listener; each new view is shown to `progress`.
    Itself {
        /// The listener.
        listener: Box<SimulatedListener>,
        /// Who goes through the blend, if there is one.
        person: Option<Box<BlendPerson>>,
        /// Shown each new view.
        progress: Box<dyn FnMut(&View)>,
    },
}

/// A visit's file, opened for writing, with the state that it stands for.
pub struct OpenVisit {
    /// Where it is.
    pub file: PathBuf,
    /// The file stays when the program has ended.
    pub kept: bool,
    journal: Journal,
    state: State,
    notices: Vec<String>,
}

impl OpenVisit {
    /// Begins a file; one that is there is never replaced.
    pub fn create(file: &Path, header: &Header) -> Result<Self, Failure> {
        let journal = Journal::create(file, header)?;
        let state = State::new(Arc::new(header.brief.clone()));
        Ok(Self { file: file.into(), kept: true, journal, state, notices: Vec::new() })
    }

    /// Opens a file and goes through all that happened.
    pub fn open(file: &Path) -> Result<Self, Failure> {
        let (journal, opened) = Journal::open(file)?;
        let notices = opened.notice.iter().map(|torn| torn.words()).collect();
        let state = replay(file, &opened)?;
        Ok(Self { file: file.into(), kept: true, journal, state, notices })
    }

    /// The visit as it stands.
    pub fn state(&self) -> &State {
        &self.state
    }
}

/// How a visit that was left is gone on with, to be typed as it is: without a name, the newest visit of the folder is
/// looked for, and rehearsals are passed over.
pub fn way_on(file: &Path) -> String {
    let name = file.display().to_string();
    let plain = |letter: char| letter.is_alphanumeric() || "/\\._-:+,@".contains(letter);
    match name.chars().all(plain) {
        true => format!("`evenbass resume {name}` goes on with it"),
        false => format!("`evenbass resume \"{name}\"` goes on with it"),
    }
}

/// The state that a visit file stands for.
pub fn replay(file: &Path, opened: &Opened) -> Result<State, Failure> {
    let events = opened.events.iter().map(|recorded| recorded.stamped.clone());
    State::replay(Arc::new(opened.header.brief.clone()), events).map_err(|(at, refusal)| {
        let seq = opened.events[at].seq;
        anyhow!("{}: event {seq} does not follow from those before it: {refusal}", file.display()).into()
    })
}

/// What sounds, and in which time.
pub struct SoundPath {
    /// The engine.
    pub engine: Engine,
    /// Where the subwoofer is.
    pub outputs: Outputs,
    /// What happens on the device; `None` without one.
    pub moments: Option<Receiver<Moment>>,
    /// The device's name; `None` without one: time jumps then.
    pub device: Option<String>,
}

/// The handset as it was asked for.
pub struct HandsetPlan {
    store: Store,
    louder_to: Dbfs,
    /// Its port, if the address is known already.
    listening: Option<Listening>,
    /// It was asked for, or can be from the screen.
    wanted: bool,
    /// It was asked for to begin with, so that the screen shows the code, or asks where it shall be served.
    asked: bool,
    /// What everybody has to know about it.
    notice: Option<String>,
}

impl HandsetPlan {
    /// No handset.
    pub fn none() -> Self {
        Self {
            store: Store::none(),
            louder_to: Dbfs::SILENCE,
            listening: None,
            wanted: false,
            asked: false,
            notice: None,
        }
    }
}

/// Opens the handset's port, before anything is written: an address that cannot be served is wrong usage.
pub fn handset(options: &HandsetOptions, visit: &Path, face: FaceName) -> Result<HandsetPlan, Failure> {
    let store = match data_folder() {
        Some(folder) => Store::of_visit(&folder, visit),
        None => Store::none(),
    };
    let on_screen = face == FaceName::Terminal && terminal::available();
    let before = store.address();
    let gone = before.filter(|before| !Handset::is_own(before.ip()));
    let choose = on_screen && options.handset == Some(Wanted::ANY) && (before.is_none() || gone.is_some());
    let mut listening = match options.handset {
        Some(wanted) if !choose => Some(handset::listen(wanted, before)?),
        _ => None,
    };
    let notice = match (choose, gone) {
        (true, Some(gone)) => Some(format!(
            "This machine does not have the handset's address of last time, {}, any more: choose one anew. Phones have to \
             scan the code again.",
            gone.ip()
        )),
        _ => listening.as_mut().and_then(|listening| listening.notice.take()),
    };
    Ok(HandsetPlan {
        store,
        louder_to: Dbfs::new(options.handset_louder_to),
        wanted: listening.is_some() || on_screen,
        listening,
        asked: options.handset.is_some(),
        notice,
    })
}

/// Where the program keeps what is no part of a visit.
fn data_folder() -> Option<PathBuf> {
    use etcetera::BaseStrategy;
    Some(etcetera::choose_base_strategy().ok()?.data_dir().join("evenbass"))
}

/// Runs the visit until it is left or done.
pub fn conduct(visit: OpenVisit, sound: SoundPath, answering: Answering, plan: HandsetPlan) -> Result<Ending, Failure> {
    let (acknowledge, written) = unbounded();
    let left = match visit.kept {
        true => format!("what was shown as taken is kept, {}", way_on(&visit.file)),
        false => "nothing of it is kept; --folder keeps a rehearsal's files".to_owned(),
    };
    let fast = sound.device.is_none();
    let base_s = visit.state.now_s();
    let opened = Event::Opened {
        program: PROGRAM.into(),
        device: sound.device.clone().unwrap_or_else(|| "none, rendered".into()),
        rate_hz: sound.engine.rate().hz(),
        channels: Some(sound.engine.channels()),
    };
    let file = visit.file.clone();
    let mut notices = visit.notices;
    notices.extend(plan.notice);
    let screen = terminal::ScreenHandle::new();
    let suspending = screen.clone();
    let mut conductor = Conductor::new(Baton {
        state: visit.state,
        journal: spawn(visit.journal, acknowledge)?,
        written,
        player: Player::new(sound.engine, sound.outputs, sound.moments),
        clock: if fast { Clock::fast(base_s) } else { Clock::live(base_s) },
        device: sound.device,
        opened,
        notices,
        suspended: Box::new(move |suspended| {
            if suspended {
                suspending.suspend();
            } else if let Err(error) = suspending.resume() {
                eprintln!("evenbass: the terminal cannot be used any more: {error}");
            }
        }),
        sheet: Box::new(move |state, ranking| write_sheet(&file, state, ranking)),
        file: visit.file,
    });
    let by_program = matches!(answering, Answering::Itself { .. } | Answering::Face { name: FaceName::Json, .. });
    let wires = if by_program { conductor.face() } else { conductor.face_of_person() };
    let wires = wires.context("the conductor takes no face any more")?;
    let on_screen = matches!(answering, Answering::Face { name: FaceName::Terminal, .. }) && terminal::available();
    let handset = match plan.wanted {
        true => {
            let wires = conductor.face_of_person().context("the conductor takes no face any more")?;
            let announce = move |invitation: &str| {
                // A full screen shows it itself.
                if !on_screen {
                    eprintln!("handset {invitation}");
                }
            };
            Some(Handset::new(wires, plan.store, plan.louder_to, Box::new(announce))?)
        }
        false => None,
    };
    if let (Some(handset), Some(mut listening)) = (&handset, plan.listening) {
        let only_here = listening.only_here.take().filter(|_| !on_screen);
        handset.serve(listening)?;
        if let Some(only_here) = only_here {
            eprintln!("{only_here}");
        }
    }
    let conducting = std::thread::Builder::new().name("conductor".into()).spawn(move || conductor.run())?;
    let panel = handset.clone().filter(|_| on_screen).map(|handset| terminal::PhonePanel::new(handset, plan.asked));
    let shown = show(answering, wires, &screen, panel);
    let ending = conducting.join().map_err(|_| {
        anyhow!("the visit's own thread failed; the visit file is whole up to the last answer shown as taken")
    })?;
    if let Some(handset) = handset {
        handset.close();
    }
    shown.map_err(|failure| match failure {
        Failure::Failed(_) => anyhow!("{failure}; {left}").into(),
        other => other,
    })?;
    match ending.signal {
        Some(signal) => Err(Failure::Signalled { signal, left }),
        None => Ok(ending),
    }
}

/// Lets a person or a program answer through the face that was asked for, or a rehearsal by itself, until the visit
/// ends.
fn show(
    answering: Answering,
    wires: Wires,
    screen: &terminal::ScreenHandle,
    panel: Option<terminal::PhonePanel>,
) -> Result<(), Failure> {
    match answering {
        Answering::Itself { listener, person, progress } => {
            answer_by_itself(&wires, *listener, person.map(|person| *person), progress)
                .map_err(|why| anyhow!("the rehearsal cannot go on: {why}"))?;
        }
        Answering::Face { name: FaceName::Json, .. } => json::run(wires, io::stdin(), io::stdout())?,
        Answering::Face { name: FaceName::Terminal, ascii, no_colour } if terminal::available() => {
            terminal::run(wires, terminal::Look::from_environment(ascii, no_colour), screen, panel)?;
        }
        Answering::Face { .. } => plain::run(wires, io::stdin(), io::stdout())?,
    }
    Ok(())
}

/// Writes the sheet beside the visit file.
fn write_sheet(file: &Path, state: &State, ranking: &crate::judge::Ranking) -> Result<PathBuf, String> {
    let opened = visit::read(file).map_err(|error| error.to_string())?;
    let facts = report::facts_of(PROGRAM, file, &opened, state, ranking);
    let folder = file.parent().unwrap_or(Path::new("."));
    report::write(folder, &visit::name_of(file), &facts, false)
        .map(|written| written.sheet)
        .map_err(|error| error.to_string())
}

/// Now, as it is written into files.
pub fn now() -> WallTime {
    WallTime::now()
}
