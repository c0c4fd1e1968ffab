//! The only wiring: one thread owns the visit. Whatever a person or a device does comes to it; it asks the routine what
//! follows, has it written down, carries the effects out, and publishes one [`View`] that every face draws.

mod clock;
mod consulting;
mod player;
mod showing;
mod watch;

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use crossbeam_channel::{Receiver, Sender, bounded, select, unbounded};

pub use clock::Clock;
use consulting::{Judged, Seated};
pub use player::Player;
use player::Told;
use showing::{asking, in_words};
use watch::Watch;

use crate::judge::Ranking;
use crate::routine::question::{Answer, QuestionId};
use crate::routine::{Consultation, Effect, Event, Refusal, Stage, Stamped, State};
use crate::view::{Action, View};
use crate::view::{FaceId, Wires};
use crate::visit::{JournalHandle, JournalMoment, Ticket};

/// How often the engine is looked after, and the longest a moment of it waits.
const TURN: Duration = Duration::from_millis(10);
/// Actions that may wait for the conductor; a face that sends more waits itself.
const ACTIONS: usize = 64;
/// A press of louder or quieter takes this long where time jumps.
const PRESS_S: f64 = 1.0 / 6.0;
/// Notices kept for the faces, and for how many answers each is kept.
const NOTICES: usize = 5;
const NOTICE_ANSWERS: u64 = 4;

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
    /// The question stays on the screen while this is written.
    quiet: bool,
    face: Option<FaceId>,
}

struct FaceLine {
    views: Sender<Arc<View>>,
    /// The other end, to take an old view back when a newer one must go in.
    stale: Receiver<Arc<View>>,
}

/// Owns the visit.
pub struct Conductor {
    baton: Baton,
    actions: Receiver<(FaceId, Action)>,
    entrance: Option<Sender<(FaceId, Action)>>,
    judged: (Sender<Judged>, Receiver<Judged>),
    seated: Option<Seated>,
    faces: Vec<FaceLine>,
    watch: Watch,
    pending: Option<Pending>,
    waiting: VecDeque<(FaceId, Action)>,
    early: Option<(FaceId, Action)>,
    facts: VecDeque<Event>,
    tickets: Ticket,
    unwritten: usize,
    rendered_mark_s: f64,
    ranking: Option<Arc<Ranking>>,
    taken: Option<String>,
    taken_question: Option<QuestionId>,
    refusal: Option<String>,
    refusals: u64,
    /// What needs saying, and at which answer it was said.
    notices: Vec<(u64, String)>,
    answers: u64,
    heard: (usize, bool),
    sheet: Option<PathBuf>,
    closing: bool,
    changed: bool,
    signal: Option<i32>,
}

impl Conductor {
    /// A conductor without faces yet.
    pub fn new(mut baton: Baton) -> Self {
        let (entrance, actions) = bounded(ACTIONS);
        let notices = std::mem::take(&mut baton.notices).into_iter().map(|notice| (0, notice)).collect();
        Self {
            watch: Watch::new(baton.clock.is_fast()),
            baton,
            actions,
            entrance: Some(entrance),
            judged: unbounded(),
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
            refusals: 0,
            notices,
            answers: 0,
            heard: (0, false),
            sheet: None,
            closing: false,
            changed: true,
            signal: None,
        }
    }

    /// The wires for one more face. Call before [`Conductor::run`].
    pub fn face(&mut self) -> Option<Wires> {
        let (views, stale) = bounded(1);
        let face = FaceId(self.faces.len() as u32);
        let wires = Wires { views: stale.clone(), actions: self.entrance.clone()?, face };
        self.faces.push(FaceLine { views, stale });
        Some(wires)
    }

    /// Conducts until the visit is left or every face has gone.
    pub fn run(mut self) -> Ending {
        // Faces hold the only senders from here on: when the last one goes, the queue says so.
        self.entrance = None;
        let opened = self.baton.opened.clone();
        self.happen(opened, None, None);
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
                self.happen(fact, None, None);
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
        if let Some((face, action)) = self.early.take() {
            self.act(face, action);
        }
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
                    self.facts.push_back(event);
                }
                Told::Refused(error) => self.notice(format!("The tone was not played: {error}")),
                Told::Gaps(count) => self.notice(format!(
                    "The sound was interrupted {count} times: the machine is busy. Close other programs, or play the note \
                     again."
                )),
            }
        }
    }

    fn act(&mut self, face: FaceId, action: Action) {
        self.watch.alive(face);
        // What makes things quieter never waits.
        match action {
            Action::Alive => return,
            Action::Stop => {
                self.baton.player.hush();
                return self.pause("Stop was pressed.".into());
            }
            Action::Quieter => return self.quieter(),
            Action::Leave => {
                self.baton.player.hush();
                self.complete();
                self.closing = true;
                return;
            }
            _ => {}
        }
        if self.pending.is_some() {
            self.waiting.push_back((face, action));
            return;
        }
        self.changed = true;
        let Some(event) = self.event(&action) else { return };
        let retry = matches!(action, Action::Answer { .. }).then_some((face, action));
        self.happen(event, Some(face), retry);
    }

    /// The event that an action asks for; time moves on by what it took.
    fn event(&mut self, action: &Action) -> Option<Event> {
        Some(match action {
            Action::Answer { question, answer, rattles, seconds } => {
                if self.baton.clock.is_fast() {
                    self.hear_out(answer);
                    self.time_passes(*seconds);
                }
                Event::Answered {
                    question: *question,
                    answer: answer.clone(),
                    rattles: *rattles,
                    parts_begun: self.baton.player.begun(),
                }
            }
            Action::Again => Event::Again,
            Action::Back => Event::Back,
            Action::Skip => Event::Skip,
            Action::Undo => Event::Undo,
            Action::Pause => Event::Paused { why: "Pause was pressed.".into() },
            Action::Continue => Event::Continued,
            Action::Louder => {
                self.let_time_jump(PRESS_S);
                Event::Louder
            }
            Action::Decide => Event::Decide,
            Action::Stop | Action::Quieter | Action::Leave | Action::Alive => return None,
        })
    }

    /// Where time jumps, a tone is heard to its end before it is answered.
    fn hear_out(&mut self, answer: &Answer) {
        let mut told = Vec::new();
        let needed = self.baton.state.parts_needed(answer);
        let endless = self.baton.player.sounding().is_some_and(|part| part.seconds.is_none());
        if endless {
            self.baton.player.render_for(PRESS_S, &mut told);
        } else {
            self.baton.player.render_until(&mut told, |player| needed == 0 && player.begun() > 0);
        }
        self.hear(told);
    }

    fn time_passes(&mut self, seconds: Option<f64>) {
        let rendered_s = self.baton.player.rendered_s();
        let took_s = seconds.unwrap_or(rendered_s - self.rendered_mark_s);
        self.rendered_mark_s = rendered_s;
        self.baton.clock.advance(if took_s.is_finite() { took_s } else { 0.0 });
    }

    fn let_time_jump(&mut self, seconds: f64) {
        if self.baton.clock.is_fast() {
            let mut told = Vec::new();
            self.baton.player.render_for(seconds, &mut told);
            self.hear(told);
            self.time_passes(None);
        }
    }

    fn pause(&mut self, why: String) {
        self.changed = true;
        if self.baton.state.paused().is_none() {
            self.facts.push_back(Event::Paused { why });
        }
    }

    fn quieter(&mut self) {
        self.changed = true;
        let mut told = Vec::new();
        if let Some(part) = self.baton.player.sounding() {
            let lower = part.level - crate::units::GainDb::new(1.0);
            self.baton.player.glide(lower, &mut told);
        }
        self.hear(told);
        self.facts.push_back(Event::Quieter);
    }

    /// One event: taken by the routine, handed to the journal, in force once it is on disk.
    fn happen(&mut self, event: Event, face: Option<FaceId>, retry: Option<(FaceId, Action)>) {
        let stamped = Stamped { at_s: self.baton.clock.now_s().max(self.baton.state.now_s()), event };
        let (next, effects) = match self.baton.state.clone().step(&stamped) {
            Ok(step) => step,
            Err(Refusal::NotHeardYet) if self.baton.player.is_playing() => {
                // The answer is held until what it answers has sounded.
                self.early = retry;
                return;
            }
            Err(refusal) => {
                if face.is_some() {
                    self.refusal = Some(refusal.to_string());
                    self.refusals += 1;
                }
                return;
            }
        };
        self.tickets += 1;
        let pending = Pending {
            ticket: self.tickets,
            taken: in_words(&self.baton.state, &stamped.event),
            quiet: asking(&self.baton.state) == asking(&next),
            next,
            effects,
            face,
        };
        if self.baton.journal.write(stamped, self.tickets).is_err() {
            self.notice(
                "The disk does not keep up; the last answer was not taken. Wait a moment, then answer again.".into(),
            );
            return;
        }
        self.unwritten += 1;
        self.pending = Some(pending);
    }

    fn acknowledged(&mut self, moment: JournalMoment) {
        self.unwritten = self.unwritten.saturating_sub(1);
        self.changed = true;
        let (ticket, failed) = match moment {
            JournalMoment::Written { ticket, .. } => (ticket, None),
            JournalMoment::Failed { ticket, why } => (ticket, Some(why)),
        };
        let Some(pending) = self.pending.take_if(|pending| pending.ticket == ticket) else { return };
        match failed {
            None => self.in_force(pending),
            Some(why) => {
                self.baton.player.hush();
                self.baton.journal.carry_on();
                let words = format!("This was not taken, because it could not be written: {why}");
                if pending.face.is_some() {
                    // A face that missed the moment without a question still learns that its answer has to be given again.
                    self.refusal = Some(words.clone());
                    self.refusals += 1;
                }
                self.notice(words);
                if self.baton.state.stage() == &Stage::Consult {
                    // The judge's answer was lost with it; somebody has to ask again.
                    self.pause("The visit file cannot be written.".into());
                }
            }
        }
    }

    fn in_force(&mut self, pending: Pending) {
        self.baton.state = pending.next;
        self.refusal = None;
        if let Some((question, taken)) = pending.taken {
            self.taken = Some(taken);
            self.answers += 1;
            // Old news makes room, unless the sound is still away.
            let answers = self.answers;
            if self.baton.player.connected() {
                self.notices.retain(|(at, _)| at + NOTICE_ANSWERS > answers);
            }
            self.taken_question = Some(question);
        }
        if let Some(face) = pending.face {
            self.watch.in_charge(face);
        }
        for effect in pending.effects {
            self.carry_out(effect);
        }
        if self.baton.state.stage() == &Stage::Done && self.sheet.is_none() {
            self.write_sheet();
        }
    }

    fn carry_out(&mut self, effect: Effect) {
        match effect {
            Effect::Play(cue) => self.baton.player.play(cue),
            Effect::Hush => self.baton.player.hush(),
            Effect::Ceiling(ceiling) => self.baton.player.set_ceiling(ceiling),
            Effect::Glide(level) => {
                let mut told = Vec::new();
                self.baton.player.glide(level, &mut told);
                self.hear(told);
            }
            Effect::Consult => self.consult(self.baton.state.consultation()),
        }
    }

    /// The judge thinks on a thread of its own, so that stop is never kept waiting.
    fn consult(&mut self, consultation: Consultation) {
        let answer = self.judged.0.clone();
        let seated = self.seated.take();
        let thinking = std::thread::Builder::new().name("judge".into()).spawn(move || {
            // Nobody waits for it any more if the program is ending.
            let _ = answer.send(Judged::of(&consultation, seated));
        });
        if let Err(error) = thinking {
            self.notice(format!("The judge could not be asked: {error}. Close other programs and undo once."));
        }
    }

    fn judged(&mut self, judged: Judged) {
        self.changed = true;
        let Judged { ranking, seated } = judged;
        self.seated = Some(seated);
        let leader = ranking.spots.first().filter(|spot| spot.answers > 0);
        let event = Event::Advised {
            advice: ranking.advice.clone(),
            leader: leader.map(|spot| spot.spot),
            expected_regret_db: ranking.expected_regret_db,
            probability_best: leader.map_or(0.0, |spot| spot.probability_best),
        };
        self.ranking = Some(Arc::new(ranking));
        if self.baton.state.stage() == &Stage::Consult {
            self.facts.push_front(event);
        } else if self.baton.state.stage() == &Stage::Done && self.sheet.is_none() {
            self.write_sheet();
        }
    }

    /// A finished visit is never left without its sheet, even if the judge has not spoken again since it was opened.
    fn complete(&mut self) {
        if self.baton.state.stage() == &Stage::Done && self.sheet.is_none() {
            if self.ranking.is_none() {
                let judged = Judged::of(&self.baton.state.consultation(), self.seated.take());
                self.ranking = Some(Arc::new(judged.ranking));
            }
            self.write_sheet();
        }
    }

    fn write_sheet(&mut self) {
        let Some(ranking) = self.ranking.clone() else { return };
        match (self.baton.sheet)(&self.baton.state, &ranking) {
            Ok(path) => self.sheet = Some(path),
            Err(why) => self.notice(format!("The set-up sheet was not written: {why}")),
        }
        self.changed = true;
    }

    fn system_signal(&mut self, signal: i32) {
        self.baton.player.hush();
        if signal == watch::SUSPEND {
            self.fade_out();
            (self.baton.suspended)(true);
            watch::suspend();
            (self.baton.suspended)(false);
            self.pause("The program was suspended.".into());
        } else {
            self.signal = Some(signal);
            self.closing = true;
        }
    }

    /// Waits for silence, at most for as long as a fade takes.
    fn fade_out(&mut self) {
        let mut told = Vec::new();
        let until = std::time::Instant::now() + Duration::from_millis(400);
        while self.baton.player.sounding().is_some() && std::time::Instant::now() < until {
            self.baton.player.turn(&mut told);
            std::thread::sleep(TURN);
        }
        self.hear(told);
    }

    fn notice(&mut self, notice: String) {
        self.changed = true;
        if self.notices.last().is_none_or(|(_, last)| *last != notice) {
            self.notices.push((self.answers, notice));
        }
        if self.notices.len() > NOTICES {
            self.notices.remove(0);
        }
    }

    fn end(mut self) -> Ending {
        self.changed = true;
        let mut told = Vec::new();
        self.publish();
        self.faces.clear();
        self.baton.player.close(&mut told);
        let ending =
            Ending { done: self.baton.state.stage() == &Stage::Done, sheet: self.sheet.take(), signal: self.signal };
        // Everything handed in is written before the program ends; what fails now was never shown as taken.
        let _ = self.baton.journal.close();
        ending
    }
}
