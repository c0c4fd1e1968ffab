//! A face that talks in lines: questions and news go out, answers and commands come in. JSON and plain words differ
//! only in their [`Tongue`].
//!
//! Answers that come in before their question is open wait for it, so that a file of answers can be piped in; commands
//! keep their place among them, but stop, pause and quieter never wait.

mod lines;
mod tongue;

use std::collections::VecDeque;
use std::io::{Read, Write};
use std::sync::Arc;

use crossbeam_channel::{Receiver, never, select, tick};
use lines::{LINE_BYTES, Line, read_lines};
pub(super) use tongue::{Meaning, News, Reply, Tongue, Unfit};

use crate::faces::{ALIVE_EVERY, FaceError, Gone, Wires};
use crate::view::{Action, Chapter, Question, QuestionId, View};

/// Lines that may wait for their question. A person never gets near; a runaway script is told.
const LINES_WAITING: usize = 10_000;

/// What was sent and has not shown its effect yet.
#[derive(PartialEq)]
enum Awaited {
    Nothing,
    /// An answer to this asking.
    Answer(QuestionId),
    /// A louder or a nudge: the next level, or a refusal.
    Louder,
    /// A quieter, which is never refused but may have nothing left to lower.
    Quieter,
}

struct Dialogue<T, W> {
    wires: Wires,
    tongue: T,
    output: W,
    view: Option<Arc<View>>,
    /// The question as it was last printed, and how often.
    asked: Option<(Arc<Question>, u32)>,
    awaited: Awaited,
    waiting: VecDeque<String>,
    input_open: bool,
    leave_sent: bool,
    /// The last answer can still be taken back: it is left when somebody says so, or when the input ends.
    stays: bool,
    /// That nothing more is asked has been told.
    complete_told: bool,
}

/// Whether to go on.
#[derive(PartialEq)]
enum Course {
    On,
    Over,
}

/// Talks until the visit ends. Returns when a closing view was told or the conductor is gone.
///
/// # Errors
/// [`FaceError::Output`] when nothing can be written any more; the conductor has then been asked to leave.
pub(super) fn run<T: Tongue>(
    wires: Wires,
    tongue: T,
    input: impl Read + Send + 'static,
    output: impl Write,
) -> Result<(), FaceError> {
    let mut lines = read_lines(input);
    let ticks = tick(ALIVE_EVERY);
    let views = wires.views.clone();
    let mut dialogue = Dialogue {
        wires,
        tongue,
        output,
        view: None,
        asked: None,
        awaited: Awaited::Nothing,
        waiting: VecDeque::new(),
        input_open: true,
        leave_sent: false,
        stays: false,
        complete_told: false,
    };
    loop {
        let course = select! {
            recv(views) -> view => match view {
                Ok(view) => dialogue.see_all(view, &views),
                Err(_) => Ok(Course::Over),
            },
            recv(lines) -> line => match line {
                Ok(line) => dialogue.hear(line),
                Err(_) => {
                    lines = never();
                    dialogue.input_open = false;
                    Ok(Course::On)
                }
            },
            recv(ticks) -> _ => dialogue.tick(),
        };
        let course = course.and_then(|course| if course == Course::On { dialogue.work_off() } else { Ok(course) });
        match course {
            Ok(Course::On) => {}
            Ok(Course::Over) => return Ok(()),
            Err(error) => {
                // Nobody can read the questions any more; whether the conductor still listens makes no difference.
                let _ = dialogue.wires.send(Action::Leave);
                return Err(FaceError::Output(error));
            }
        }
    }
}

impl<T: Tongue, W: Write> Dialogue<T, W> {
    /// Tells what is new in every view that is there, then asks the question of the newest.
    fn see_all(&mut self, first: Arc<View>, more: &Receiver<Arc<View>>) -> std::io::Result<Course> {
        let mut again = false;
        let mut newest = first;
        loop {
            again |= self.tell_changes(&newest)?;
            let closing = newest.closing;
            self.view = Some(Arc::clone(&newest));
            if closing {
                self.tell(if newest.chapter == Chapter::Done { News::Done(&newest) } else { News::Left(&newest) })?;
                return Ok(Course::Over);
            }
            match more.try_recv() {
                Ok(view) => newest = view,
                Err(_) => break,
            }
        }
        self.ask(again)?;
        self.complete()
    }

    /// When nothing more is asked, the visit is left, or kept open for an undo.
    fn complete(&mut self) -> std::io::Result<Course> {
        let complete = self.view.as_ref().is_some_and(|view| view.chapter == Chapter::Done && view.question.is_none());
        if !complete || self.leave_sent {
            self.complete_told = false;
        } else if !self.stays {
            return Ok(self.send_leave());
        } else if !self.complete_told {
            self.complete_told = true;
            self.tell(News::Complete)?;
        }
        Ok(Course::On)
    }

    /// Tells what is new in `view`. Whether the question has to be asked again although it has not changed.
    fn tell_changes(&mut self, view: &Arc<View>) -> std::io::Result<bool> {
        let before = self.view.replace(Arc::clone(view));
        let before = before.as_deref();
        let mut again = false;
        let taken = view.taken.as_deref().filter(|words| {
            before.is_none_or(|b| b.taken.as_deref() != Some(*words) || b.taken_question != view.taken_question)
        });
        if let Some(words) = taken {
            self.tell(News::Taken { words, question: view.taken_question })?;
        }
        let refusal = view
            .refusal
            .as_deref()
            .filter(|why| before.is_none_or(|b| b.refusal.as_deref() != Some(*why) || b.refusals != view.refusals));
        if let Some(why) = refusal {
            self.tell(News::Refused { why, question: view.question.as_ref().map(|q| q.id) })?;
            again = self.awaited != Awaited::Nothing;
            self.awaited = Awaited::Nothing;
        }
        for notice in new_notices(before.map_or(&[][..], |b| &b.notices), &view.notices) {
            self.tell(News::Notice(notice))?;
        }
        match (before.and_then(|b| b.paused.as_deref()), view.paused.as_deref()) {
            (was, Some(why)) if was != Some(why) => self.tell(News::Paused(why))?,
            (Some(_), None) => self.tell(News::Continued)?,
            _ => {}
        }
        let label = view.sound.label.as_str();
        let on_device = view.sound.device.is_some() && !label.is_empty();
        if on_device && before.is_none_or(|b| b.sound.label != label) {
            self.tell(News::Sounds(label))?;
        }
        if view.ranking.is_some() && before.is_none_or(|b| b.ranking.is_none()) {
            self.tell(News::Verdict(view))?;
        }
        match (&self.awaited, &view.question) {
            (Awaited::Answer(id), Some(question)) if question.id == *id && view.taken_question != Some(*id) => {}
            (Awaited::Answer(_), _) => self.awaited = Awaited::Nothing,
            (Awaited::Quieter, _) => {
                self.awaited = Awaited::Nothing;
                again = true;
            }
            _ => {}
        }
        Ok(again)
    }

    /// Prints the newest view's question if it is new, has changed, or was refused an answer.
    fn ask(&mut self, again: bool) -> std::io::Result<()> {
        let Some(view) = self.view.clone() else { return Ok(()) };
        let Some(question) = view.question.clone() else {
            self.asked = None;
            return Ok(());
        };
        let asked = match &self.asked {
            Some((old, count)) if old.id == question.id => {
                if !again && **old == *question {
                    return Ok(());
                }
                count + 1
            }
            _ => 1,
        };
        if self.awaited == Awaited::Louder {
            self.awaited = Awaited::Nothing;
        }
        let line = self.tongue.question(&view, &question, asked);
        self.asked = Some((question, asked));
        self.write(&line)
    }

    fn hear(&mut self, line: Line) -> std::io::Result<Course> {
        let text = match line {
            Line::Text(text) => text,
            Line::TooLong => {
                self.refuse(&format!(
                    "a line is longer than {LINE_BYTES} bytes and was passed over; answer in a shorter one"
                ))?;
                return Ok(Course::On);
            }
        };
        let urgent = match self.tongue.meaning(&text, self.open_question().as_deref()) {
            Meaning::Nothing => return Ok(Course::On),
            Meaning::Command(action) => {
                matches!(action, Action::Stop | Action::Pause | Action::Quieter).then_some(action)
            }
            _ => None,
        };
        if let Some(action) = urgent {
            return Ok(self.send(action));
        }
        if self.waiting.len() >= LINES_WAITING {
            self.refuse(&format!(
                "{LINES_WAITING} lines are waiting for their questions already; wait for a question before answering"
            ))?;
        } else {
            self.waiting.push_back(text);
        }
        Ok(Course::On)
    }

    /// Reads waiting lines as far as their questions are open.
    fn work_off(&mut self) -> std::io::Result<Course> {
        while let Some(line) = self.waiting.pop_front() {
            let open = self.open_question();
            let course = match self.tongue.meaning(&line, open.as_deref()) {
                Meaning::Nothing => Course::On,
                Meaning::Command(Action::Leave) => self.send_leave(),
                Meaning::Command(action) => self.send(action),
                Meaning::Wrong(why) => {
                    self.refuse(&why)?;
                    Course::On
                }
                Meaning::Help(text) => {
                    self.write(&text)?;
                    Course::On
                }
                Meaning::Notices => {
                    self.tell_all_notices()?;
                    Course::On
                }
                Meaning::Stay => {
                    self.stays = true;
                    Course::On
                }
                Meaning::Answer => match open {
                    Some(question) if self.awaited == Awaited::Nothing => self.answer(&line, &question)?,
                    _ => {
                        self.waiting.push_front(line);
                        return Ok(Course::On);
                    }
                },
            };
            if course == Course::Over {
                return Ok(course);
            }
        }
        if !self.input_open && !self.leave_sent && !matches!(self.awaited, Awaited::Answer(_)) {
            return Ok(self.send_leave());
        }
        Ok(Course::On)
    }

    fn answer(&mut self, line: &str, question: &Question) -> std::io::Result<Course> {
        match self.tongue.reply(line, question) {
            Ok(Reply::Answer { answer, rattles, seconds }) => {
                self.awaited = Awaited::Answer(question.id);
                Ok(self.send(Action::Answer { question: question.id, answer, rattles, seconds }))
            }
            Ok(Reply::Nudge(action)) => {
                self.awaited = if action == Action::Quieter { Awaited::Quieter } else { Awaited::Louder };
                Ok(self.send(action))
            }
            Ok(Reply::Noted(words)) => {
                self.write(&words)?;
                Ok(Course::On)
            }
            Err(unfit) => {
                self.tell(News::Refused { why: &unfit.why, question: unfit.question })?;
                if unfit.ask_again {
                    self.ask(true)?;
                }
                Ok(Course::On)
            }
        }
    }

    fn tell_all_notices(&mut self) -> std::io::Result<()> {
        let Some(view) = self.view.clone() else { return Ok(()) };
        let all: Vec<&str> = view.older_notices.iter().chain(&view.notices).map(String::as_str).collect();
        self.tell(News::Notices(&all))
    }

    fn open_question(&self) -> Option<Arc<Question>> {
        self.view.as_ref().and_then(|view| view.question.clone())
    }

    fn tick(&mut self) -> std::io::Result<Course> {
        Ok(if self.input_open { self.send(Action::Alive) } else { Course::On })
    }

    fn send(&mut self, action: Action) -> Course {
        match self.wires.send(action) {
            Ok(()) => Course::On,
            Err(Gone) => Course::Over,
        }
    }

    fn send_leave(&mut self) -> Course {
        self.leave_sent = true;
        self.send(Action::Leave)
    }

    fn refuse(&mut self, why: &str) -> std::io::Result<()> {
        let question = self.open_question().map(|q| q.id);
        self.tell(News::Refused { why, question })
    }

    fn tell(&mut self, news: News<'_>) -> std::io::Result<()> {
        match self.tongue.news(news) {
            Some(line) => self.write(&line),
            None => Ok(()),
        }
    }

    fn write(&mut self, line: &str) -> std::io::Result<()> {
        writeln!(self.output, "{line}")?;
        self.output.flush()
    }
}

/// The notices of `new` that were not in `old` yet; `old` may have lost some at its front.
fn new_notices<'a>(old: &[String], new: &'a [String]) -> &'a [String] {
    let longest = old.len().min(new.len());
    let known = (0..=longest).rev().find(|&n| old[old.len() - n..] == new[..n]).unwrap_or(0);
    &new[known..]
}
