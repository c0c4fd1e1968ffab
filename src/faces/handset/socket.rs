//! One page of a phone: cards go out, actions come in. Nothing here waits for a phone for long, and no phone is
//! believed.

use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::extract::ws::{CloseFrame, Message as Frame, Utf8Bytes, WebSocket, WebSocketUpgrade, close_code};
use axum::extract::{Extension, State};
use axum::http::StatusCode;
use axum::response::Response;
use crossbeam_channel::TrySendError;
use serde::Deserialize;
use tokio::sync::watch;
use tokio::time::{Instant as TokioInstant, sleep, sleep_until, timeout};

use crate::faces::form::{Form, Input};
use crate::faces::handset::card::{self, Message};
use crate::faces::handset::guard::{Allowance, Gate, Paired, Place, plain};
use crate::faces::handset::{Shared, desk, floor, lock};
use crate::view::{Action, Answer, Ask, FaceId, QuestionId, View};

/// Bytes in a message from a page; the longest answer is a text of 60 characters.
const MESSAGE_BYTES: usize = 2048;
/// Bytes that may wait for a phone that does not read.
const WAITING_BYTES: usize = 256 * 1024;
/// A phone that does not take a message within this is hung up on; it will be back.
const TAKES_WITHIN: Duration = Duration::from_secs(4);
/// So much may be said at once, and a second: more than any thumb.
const BURST: f64 = 30.0;
const PER_SECOND: f64 = 12.0;
/// Messages that were too many or meant nothing, before a page is hung up on.
const NONSENSE: u32 = 200;
/// Without a word a socket is asked for a sign, and after as long again hung up on.
const ASKED_AFTER: Duration = Duration::from_secs(15);
/// Pages of one phone.
const MOST_PAGES: usize = 6;
/// How long an action waits before it looks for room again.
const NO_ROOM: Duration = Duration::from_millis(2);
/// A press of louder that the conductor has not answered for this long is forgotten.
const PRESS_AGES: Duration = Duration::from_secs(1);

/// What a page can say.
#[derive(Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
enum Said {
    /// The page is visible; each second. The number comes back.
    Alive(u64),
    /// A wide screen: send what it shows beside.
    Desk(bool),
    /// A command.
    Do(Command),
    /// An answer to a question.
    Answer {
        question: QuestionId,
        answer: Answer,
        #[serde(default)]
        rattles: bool,
    },
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Command {
    Again,
    Back,
    Skip,
    Undo,
    Pause,
    Stop,
    Continue,
    Louder,
    Quieter,
    Decide,
    NudgeUp,
    NudgeDown,
    /// Answer notes in the other way.
    AnswerBy,
}

impl Command {
    /// The action; nothing, where there is no other way.
    fn action(self, view: Option<&View>) -> Option<Action> {
        Some(match self {
            Self::Again => Action::Again,
            Self::Back => Action::Back,
            Self::Skip => Action::Skip,
            Self::Undo => Action::Undo,
            Self::Pause => Action::Pause,
            Self::Stop => Action::Stop,
            Self::Continue => Action::Continue,
            Self::Louder => Action::Louder,
            Self::Quieter => Action::Quieter,
            Self::Decide => Action::Decide,
            Self::NudgeUp => Action::Nudge { up: true },
            Self::NudgeDown => Action::Nudge { up: false },
            Self::AnswerBy => Action::AnswerBy(view?.offers.answer_by?),
        })
    }
}

/// Opens a socket for a page of a paired phone.
pub(super) async fn open(
    State(gate): State<Gate>,
    Extension(paired): Extension<Paired>,
    Extension(place): Extension<Arc<Place>>,
    upgrade: WebSocketUpgrade,
) -> Response {
    if lock(&gate.shared.pairing).pages(paired.key) >= MOST_PAGES {
        return plain(StatusCode::TOO_MANY_REQUESTS, "This phone has too many pages open; close some.\n");
    }
    let upgrade = upgrade.max_message_size(MESSAGE_BYTES).max_frame_size(MESSAGE_BYTES);
    upgrade.write_buffer_size(0).max_write_buffer_size(WAITING_BYTES).on_upgrade(move |socket| async move {
        let page = Page::new(gate.shared.clone(), paired);
        page.serve(socket).await;
        drop(place);
    })
}

/// Hands an action to the conductor. Whether it took it: not once the visit has ended.
pub(super) async fn hand_in(shared: &Shared, face: FaceId, action: Action) -> bool {
    let mut action = (face, action);
    loop {
        match shared.actions.try_send(action) {
            Ok(()) => return true,
            Err(TrySendError::Disconnected(_)) => return false,
            // A louder that has to wait was not heard by whoever pressed it.
            Err(TrySendError::Full((_, Action::Louder | Action::Nudge { up: true }))) => return true,
            Err(TrySendError::Full(back)) => action = back,
        }
        sleep(NO_ROOM).await;
    }
}

/// Why a page ends.
enum Over {
    /// The other side has gone.
    Gone,
    /// It is told why.
    Told(&'static str, u16),
}

struct Page {
    shared: Arc<Shared>,
    paired: Paired,
    me: FaceId,
    allowance: Allowance,
    nonsense: u32,
    wide: bool,
    /// What the plan on the page shows.
    plan: Option<(usize, Option<usize>)>,
    heard: TokioInstant,
    asked: bool,
}

impl Page {
    fn new(shared: Arc<Shared>, paired: Paired) -> Self {
        lock(&shared.pairing).page(paired.key, 1);
        let me = shared.face.hand(paired.number);
        Self {
            shared,
            paired,
            me,
            allowance: Allowance::new(BURST, PER_SECOND, Instant::now()),
            nonsense: 0,
            wide: false,
            plan: None,
            heard: TokioInstant::now(),
            asked: false,
        }
    }

    async fn serve(mut self, mut socket: WebSocket) {
        let over = self.talk(&mut socket).await;
        if let Over::Told(why, code) = over {
            let farewell = CloseFrame { code, reason: Utf8Bytes::from_static(why) };
            let told = async {
                send(&mut socket, &Message::Over(why)).await?;
                socket.send(Frame::Close(Some(farewell))).await
            };
            // Who does not listen any more need not be told.
            let _ = timeout(TAKES_WITHIN, told).await;
        }
    }

    async fn talk(&mut self, socket: &mut WebSocket) -> Over {
        let mut views = self.shared.views.subscribe();
        let mut phones = self.shared.phones.subscribe();
        let mut ended = self.shared.ended.subscribe();
        if let Err(over) = self.show(socket, &mut views).await {
            return over;
        }
        loop {
            let done = tokio::select! {
                frame = socket.recv() => match frame {
                    Some(Ok(frame)) => self.hear(socket, frame).await,
                    Some(Err(_)) | None => Err(Over::Gone),
                },
                changed = views.changed() => match changed {
                    Ok(()) => self.show(socket, &mut views).await,
                    Err(_) => Err(Over::Gone),
                },
                _ = phones.changed() => match lock(&self.shared.pairing).knows(self.paired.key) {
                    true => Ok(()),
                    false => Err(Over::Told("This phone was removed at the laptop.", close_code::POLICY)),
                },
                _ = wait_for_end(&mut ended) => {
                    // The last card says how it ended.
                    let shown = self.show(socket, &mut views).await;
                    shown.and(Err(Over::Told("The visit was closed at the laptop.", close_code::AWAY)))
                },
                () = sleep_until(self.heard + ASKED_AFTER) => self.ask_for_a_sign(socket).await,
            };
            if let Err(over) = done {
                return over;
            }
        }
    }

    async fn ask_for_a_sign(&mut self, socket: &mut WebSocket) -> Result<(), Over> {
        if self.asked {
            return Err(Over::Gone);
        }
        self.asked = true;
        self.heard = TokioInstant::now();
        within(socket.send(Frame::Ping(Default::default()))).await
    }

    /// Sends the newest view.
    async fn show(
        &mut self,
        socket: &mut WebSocket,
        views: &mut watch::Receiver<Option<Arc<View>>>,
    ) -> Result<(), Over> {
        let Some(view) = views.borrow_and_update().clone() else { return Ok(()) };
        let key = floor::plan_key(&view);
        if self.plan != Some(key) {
            self.plan = Some(key);
            within(send(socket, &Message::Plan(floor::plan(&view, [310.0, 270.0])))).await?;
        }
        let card = card::card(&view, self.paired.number, self.me, self.shared.louder_to);
        within(send(socket, &Message::Card(Box::new(card)))).await?;
        if self.wide {
            self.show_desk(socket, &view).await?;
        }
        Ok(())
    }

    async fn show_desk(&self, socket: &mut WebSocket, view: &View) -> Result<(), Over> {
        let log = lock(&self.shared.log).iter().cloned().collect();
        within(send(socket, &Message::Desk(desk::desk(view, log)))).await
    }

    async fn hear(&mut self, socket: &mut WebSocket, frame: Frame) -> Result<(), Over> {
        self.heard = TokioInstant::now();
        self.asked = false;
        let text = match frame {
            Frame::Text(text) => text,
            Frame::Ping(_) | Frame::Pong(_) => return Ok(()),
            Frame::Close(_) => return Err(Over::Gone),
            Frame::Binary(_) => return self.passed_over(),
        };
        let Ok(said) = serde_json::from_str::<Said>(text.as_str()) else { return self.passed_over() };
        // Stop and quieter are always heard.
        let urgent = matches!(said, Said::Do(Command::Stop | Command::Quieter));
        if !self.allowance.take(Instant::now()) && !urgent {
            return self.passed_over();
        }
        if matches!(said, Said::Do(Command::Stop)) {
            *lock(&self.shared.stopped) = Some((self.me, Instant::now()));
        }
        match said {
            Said::Alive(number) => {
                self.act(Action::Alive).await?;
                within(send(socket, &Message::Alive(number))).await
            }
            Said::Desk(wide) => {
                self.wide = wide;
                let view = self.shared.views.borrow().clone();
                match view.filter(|_| wide) {
                    Some(view) => self.show_desk(socket, &view).await,
                    None => Ok(()),
                }
            }
            // In a match the same two buttons move the note alone, by 1 dB or less and never past its own level.
            Said::Do(Command::Quieter) if self.is_matching() => self.act(Action::Nudge { up: false }).await,
            Said::Do(Command::Louder) if self.is_matching() => self.act(Action::Nudge { up: true }).await,
            Said::Do(Command::Louder) => match self.louder() {
                Ok(true) => self.act(Action::Louder).await,
                Ok(false) => Ok(()),
                Err(why) => within(send(socket, &Message::Refused(why))).await,
            },
            Said::Do(command) => {
                let view = self.shared.views.borrow().clone();
                match command.action(view.as_deref()) {
                    Some(action) => self.act(action).await,
                    None => Ok(()),
                }
            }
            Said::Answer { question, answer, rattles } => match self.answer(question, answer, rattles) {
                Ok(action) => self.act(action).await,
                Err(why) => within(send(socket, &Message::Refused(why))).await,
            },
        }
    }

    /// Something that was too much or meant nothing.
    fn passed_over(&mut self) -> Result<(), Over> {
        self.nonsense += 1;
        match self.nonsense > NONSENSE {
            true => Err(Over::Told("This page says more than can be heard.", close_code::POLICY)),
            false => Ok(()),
        }
    }

    async fn act(&self, action: Action) -> Result<(), Over> {
        match hand_in(&self.shared, self.me, action).await {
            true => Ok(()),
            false => Err(Over::Told("The visit was closed at the laptop.", close_code::AWAY)),
        }
    }

    /// Whether the open question is a match.
    fn is_matching(&self) -> bool {
        let view = self.shared.views.borrow().clone();
        let question = view.as_ref().and_then(|view| view.question.as_deref());
        question.is_some_and(|question| matches!(question.ask, Ask::Match(_)))
    }

    /// Whether louder goes on to the conductor; one press of it at a time where it sets the comfort level.
    fn louder(&self) -> Result<bool, String> {
        let wait = || "That came too early; wait for the tone, then press again.".to_owned();
        let view = self.shared.views.borrow().clone().ok_or_else(wait)?;
        let form = view.question.as_deref().map(|question| Form::of(&question.ask));
        let Some(Input::Nudge(nudge)) = form.map(|form| form.input) else {
            // Outside a question about a level the routine has its own bounds, and none of them is the ceiling.
            return if view.offers.louder { Ok(true) } else { Err("There is nothing to raise now.".into()) };
        };
        card::may_raise(&nudge, &view, self.me, self.shared.louder_to)?;
        if nudge.sets_comfort {
            let mut last = lock(&self.shared.louder);
            if last.is_some_and(|(at, from)| at.elapsed() < PRESS_AGES && from == nudge.now) {
                return Ok(false);
            }
            *last = Some((Instant::now(), nudge.now));
        }
        Ok(true)
    }

    /// The action for an answer, if it fits the question that is open.
    fn answer(&self, question: QuestionId, answer: Answer, rattles: bool) -> Result<Action, String> {
        let gone = || "That question is no longer open; nothing was taken. Answer the one on the screen.".to_owned();
        let view = self.shared.views.borrow().clone().ok_or_else(gone)?;
        let open = view.question.as_deref().filter(|open| open.id == question).ok_or_else(gone)?;
        let form = Form::of(&open.ask);
        let answer = form.fit(answer)?;
        Ok(Action::Answer { question, answer, rattles: rattles && form.may_rattle, seconds: None })
    }
}

impl Drop for Page {
    fn drop(&mut self) {
        lock(&self.shared.pairing).page(self.paired.key, -1);
    }
}

async fn wait_for_end(ended: &mut watch::Receiver<bool>) {
    // An error means that nobody can end it any more: the same.
    let _ = ended.wait_for(|ended| *ended).await;
}

async fn send(socket: &mut WebSocket, message: &Message<'_>) -> Result<(), axum::Error> {
    let text = serde_json::to_string(message).map_err(axum::Error::new)?;
    socket.send(Frame::Text(text.into())).await
}

/// A phone that does not take what it is sent is gone.
async fn within(sending: impl Future<Output = Result<(), axum::Error>>) -> Result<(), Over> {
    match timeout(TAKES_WITHIN, sending).await {
        Ok(Ok(())) => Ok(()),
        Ok(Err(_)) | Err(_) => Err(Over::Gone),
    }
}
