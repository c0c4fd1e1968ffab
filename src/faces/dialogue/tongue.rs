//! What one language of lines has to say and to understand.

use crate::view::{Action, Answer, Question, QuestionId, View};

/// Something to tell.
pub(in crate::faces) enum News<'a> {
    /// An answer is safe on disk.
    Taken { words: &'a str, question: Option<QuestionId> },
    /// Something was refused; the question stays as it is.
    Refused { why: &'a str, question: Option<QuestionId> },
    /// What went wrong or needs saying.
    Notice(&'a str),
    /// All of that in this session, oldest first, because somebody asked.
    Notices(&'a [&'a str]),
    /// The sound fades or is silent, and why.
    Paused(&'a str),
    /// It goes on.
    Continued,
    /// What begins to sound on a device.
    Sounds(&'a str),
    /// The judge has spoken.
    Verdict(&'a View),
    /// Nothing more is asked, and the visit stays open because somebody asked for that.
    Complete,
    /// The visit is complete.
    Done(&'a View),
    /// The visit was left before its end.
    Left(&'a View),
}

/// What a line means before its question is known.
pub(in crate::faces) enum Meaning {
    /// Nothing at all (an empty line of JSON).
    Nothing,
    /// A command.
    Command(Action),
    /// A command that cannot be understood: why.
    Wrong(String),
    /// Help, which is printed at once.
    Help(String),
    /// All notices of the session once more, printed at once.
    Notices,
    /// When nothing more is asked, the visit stays open for an undo, until it is left.
    Stay,
    /// An answer, to be read when its question is open.
    Answer,
}

/// What a line says to the open question.
pub(in crate::faces) enum Reply {
    /// An answer to it.
    Answer { answer: Answer, rattles: bool, seconds: Option<f64> },
    /// One decibel up or down, where the question is about that.
    Nudge(Action),
    /// Something that needs no conductor, with the words to say so.
    Noted(String),
}

/// Why a line does not answer the open question.
pub(in crate::faces) struct Unfit {
    /// What, why, what to do.
    pub why: String,
    /// The id that the line named, or that of the open question.
    pub question: Option<QuestionId>,
    /// Whether the question is asked once more: not if the line was meant for another one.
    pub ask_again: bool,
}

/// How lines are written and read.
pub(in crate::faces) trait Tongue {
    /// A question, whole; `asked` counts from 1.
    fn question(&mut self, view: &View, question: &Question, asked: u32) -> String;
    /// A piece of news, or nothing if it has no form here.
    fn news(&mut self, news: News<'_>) -> Option<String>;
    /// What sort of line it is.
    fn meaning(&self, line: &str, open: Option<&Question>) -> Meaning;
    /// What the line says to the open question.
    fn reply(&mut self, line: &str, question: &Question) -> Result<Reply, Unfit>;
}
