//! The only wiring: one thread owns the visit. Whatever a person or a device does comes to it; it asks the routine what
//! follows, has it written down, carries the effects out, and publishes one [`View`] that every face draws.

mod acting;
mod clock;
mod consulting;
mod ending;
mod notices;
mod player;
mod showing;
mod taking;
mod watch;

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use crossbeam_channel::{Receiver, Sender, bounded, select, unbounded};

pub use clock::Clock;
use consulting::{Judged, Seated};
use notices::Notices;
pub use player::Player;
use player::Told;
use watch::Watch;

use crate::blend::tune::Next;
use crate::judge::Ranking;
use crate::routine::question::QuestionId;
use crate::routine::{Effect, Event, Stage, State};
use crate::view::{Action, FaceId, View, Wires};
use crate::visit::{JournalHandle, JournalMoment, Ticket};

/// How often the engine is looked after, and the longest a moment of it waits.
const TURN: Duration = Duration::from_millis(10);
/// Actions that may wait for the conductor; a face that sends more waits itself.
const ACTIONS: usize = 64;
/// A press of louder or quieter takes this long where time jumps.
const PRESS_S: f64 = 1.0 / 6.0;

/// Writes the set-up sheet of a finished visit and says where it is, or in words why not.
pub type SheetWriter = Box<dyn FnMut(&State, &Ranking) -> Result<PathBuf, String> + Send>;

/// What a visit is conducted with.
pub struct Baton {
    /// The visit as replayed from its file, without the event that opens this session.
    pub state: State,
    /// The visit's file.
    pub file: PathBuf,
    /// Writes events down.
    pub journal: JournalHandle,
    /// Where the journal's acknowledgements arrive.
    pub written: Receiver<JournalMoment>,
    /// Sounds the cues.
    pub player: Player,
    /// The visit's time.
    pub clock: Clock,
    /// What the device is called; `None` without one.
    pub device: Option<String>,
    /// Program version and device, the first event of the session.
    pub opened: Event,
    /// What was found on opening the file that a person should know.
    pub notices: Vec<String>,
    /// Writes the sheet at the end.
    pub sheet: SheetWriter,
    /// Gives the terminal back before the program is suspended (true), and takes it again afterwards (false).
    pub suspended: Box<dyn FnMut(bool) + Send>,
}

/// How a session of a visit ended.
#[derive(Debug, Clone, PartialEq)]
pub struct Ending {
    /// The visit is complete.
    pub done: bool,
    /// The set-up sheet, if it was written.
    pub sheet: Option<PathBuf>,
    /// The operating system asked the program to end, with this signal.
    pub signal: Option<i32>,
}

/// Something waits for the disk before it counts.
struct Pending {
    ticket: Ticket,
    next: State,
    effects: Vec<Effect>,
    taken: Option<(QuestionId, String)>,
    /// It takes an answer back, or leaves a question without one: the last answer's word goes.
    leaves: bool,
    /// The question stays on the screen while this is written.
    quiet: bool,
    face: Option<FaceId>,
}

struct FaceLine {
    /// Somebody answers on it who may press a key without having read; a program means what it says.
    is_persons: bool,
    views: Sender<Arc<View>>,
    /// The other end, to take an old view back when a newer one must go in.
    stale: Receiver<Arc<View>>,
}

/// What was thought out for the blend, after how many settings heard.
type ThoughtOut = (usize, Next);

/// Owns the visit.
pub struct Conductor {
    baton: Baton,
    actions: Receiver<(FaceId, Action)>,
    entrance: Option<Sender<(FaceId, Action)>>,
    judged: (Sender<Judged>, Receiver<Judged>),
    tuned: (Sender<ThoughtOut>, Receiver<ThoughtOut>),
    seated: Option<Seated>,
    faces: Vec<FaceLine>,
    watch: Watch,
    pending: Option<Pending>,
    waiting: VecDeque<(FaceId, Action)>,
    /// An answer that came before all it is about has sounded.
    early: Option<(FaceId, Action)>,
    facts: VecDeque<Event>,
    tickets: Ticket,
    unwritten: usize,
    rendered_mark_s: f64,
    ranking: Option<Arc<Ranking>>,
    taken: Option<String>,
    taken_question: Option<QuestionId>,
    refusal: Option<String>,
    /// The asking for the comfort level that may be answered at the lowest level: louder was pressed, or it was said.
    low_comfort: Option<QuestionId>,
    /// Why the last event could not be written, until one can.
    not_written: Option<String>,
    refusals: u64,
    notices: Notices,
    heard: (usize, bool),
    /// What happened to the output while nothing was left to hear; it counts if somebody takes the end back.
    after_the_end: Vec<Event>,
    stops: acting::Stops,
    sheet: Option<PathBuf>,
    closing: bool,
    changed: bool,
    signal: Option<i32>,
}

impl Conductor {
    /// A conductor without faces yet.
    pub fn new(mut baton: Baton) -> Self {
        let (entrance, actions) = bounded(ACTIONS);
        let notices = Notices::beginning_with(std::mem::take(&mut baton.notices));
        Self {
            watch: Watch::new(baton.clock.is_fast()),
            baton,
            actions,
            entrance: Some(entrance),
            judged: unbounded(),
            tuned: unbounded(),
            seated: None,
            faces: Vec::new(),
            pending: None,
            waiting: VecDeque::new(),
            early: None,
            facts: VecDeque::new(),
            tickets: 0,
            unwritten: 0,
            rendered_mark_s: 0.0,
            ranking: None,
            taken: None,
            taken_question: None,
            refusal: None,
            low_comfort: None,
            not_written: None,
            refusals: 0,
            notices,
            heard: (0, false),
            after_the_end: Vec::new(),
            stops: acting::Stops::default(),
            sheet: None,
            closing: false,
            changed: true,
            signal: None,
        }
    }

    /// The wires for one more face, on which a program answers. Call before [`Conductor::run`].
    pub fn face(&mut self) -> Option<Wires> {
        let (views, stale) = bounded(1);
        let face = FaceId(self.faces.len() as u32);
        let wires = Wires { views: stale.clone(), actions: self.entrance.clone()?, face };
        self.faces.push(FaceLine { is_persons: false, views, stale });
        Some(wires)
    }

    /// The wires for one more face, on which a person answers. Call before [`Conductor::run`].
    pub fn face_of_person(&mut self) -> Option<Wires> {
        let wires = self.face()?;
        if let Some(line) = self.faces.last_mut() {
            line.is_persons = true;
        }
        Some(wires)
    }

    /// Conducts until the visit is left or every face has gone.
    pub fn run(mut self) -> Ending {
        // Faces hold the only senders from here on: when the last one goes, the queue says so.
        self.entrance = None;
        let opened = self.baton.opened.clone();
        self.happen(opened, None);
        if self.baton.state.chosen().is_some() {
            self.consult(self.baton.state.consultation());
        }
        while !self.closing {
            self.look_after_sound();
            self.settle();
            self.publish();
            self.wait();
        }
        self.end()
    }

    fn wait(&mut self) {
        let fast = self.baton.clock.is_fast();
        select! {
            recv(self.actions) -> action => match action {
                Ok((face, action)) => self.act(face, action),
                Err(_) => self.closing = true,
            },
            recv(self.baton.written) -> moment => {
                if let Ok(moment) = moment {
                    self.acknowledged(moment);
                }
            },
            recv(self.judged.1) -> judged => {
                if let Ok(judged) = judged {
                    self.judged(judged);
                }
            },
            recv(self.tuned.1) -> tuned => {
                if let Ok((passes, next)) = tuned {
                    self.changed = true;
                    // One that nobody waits for any more is refused by the routine, without a word to anybody.
                    self.facts.push_front(Event::Tuned { passes, next });
                }
            },
            recv(self.watch.signals) -> signal => {
                if let Ok(signal) = signal {
                    self.system_signal(signal);
                }
            },
            default(if fast { Duration::from_millis(200) } else { TURN }) => {}
        }
    }

    /// Everything that needs no waiting: facts, early answers whose time has come, actions that waited for the disk.
    fn settle(&mut self) {
        while self.pending.is_none() {
            if let Some(fact) = self.facts.pop_front() {
                self.happen(fact, None);
            } else if let Some((face, action)) = self.waiting.pop_front() {
                self.act(face, action);
            } else {
                return;
            }
        }
    }

    fn look_after_sound(&mut self) {
        let mut told = Vec::new();
        let begun = self.baton.player.begun();
        self.baton.player.turn(&mut told);
        // A tone that begins opens its question, and the screen says that it sounds.
        self.changed |= self.baton.player.begun() != begun;
        if self.baton.clock.is_fast()
            && self.pending.is_none()
            && let Some(cue) = self.baton.state.cue()
        {
            self.baton.player.render_until(&mut told, |player| player.begun() > cue.question_at);
        }
        self.hear(told);
        let heard = (self.baton.player.begun(), self.baton.player.sounding().is_some());
        self.changed |= heard != self.heard;
        self.heard = heard;
        if let Some(why) = self.watch.look() {
            self.baton.player.hush();
            self.pause(why);
        }
        self.take_early();
    }

    /// A complete visit has nothing left to hear: an output that comes and goes beside it is not part of it, however long
    /// its last screen is left open.
    fn facts_or_later(&mut self, event: Event) {
        let is_output = matches!(event, Event::DeviceLost { .. } | Event::DeviceBack);
        if !is_output || self.baton.state.stage() != &Stage::Done {
            self.facts.push_back(event);
            return;
        }
        // Lost and back again is as if nothing had been but the level, which is found anew.
        if matches!(event, Event::DeviceLost { .. }) {
            self.after_the_end.clear();
        }
        self.after_the_end.push(event);
    }

    fn hear(&mut self, told: Vec<Told>) {
        for told in told {
            self.changed = true;
            match told {
                Told::Fact(event) => {
                    match &event {
                        Event::DeviceLost { why } => self.notice(format!(
                            "The sound output is gone ({why}). The visit is safe. Plug it in again or restart its \
                             server; it goes on from the lowest level by itself."
                        )),
                        Event::DeviceBack => self.notice("The sound output is back.".into()),
                        _ => {}
                    }
                    self.facts_or_later(event);
                }
                Told::Refused(error) => self.notice(format!("The tone was not played: {error}")),
                Told::Gaps(count) => self.notices.say_gaps(count),
            }
        }
    }
}
