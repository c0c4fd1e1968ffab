//! How a command fails: in words, with the exit code that a script can act on.

use std::fmt;
use std::process::ExitCode;

use crate::engine::EngineError;
use crate::presets::PresetError;

/// Why a command did not do what was asked.
#[derive(Debug)]
pub enum Failure {
    /// It was tried and failed: exit code 1.
    Failed(anyhow::Error),
    /// What was typed cannot be meant: exit code 2.
    Usage(String),
    /// There is no sound device to do it with: exit code 3.
    NoSound(EngineError),
    /// The operating system asked the program to end.
    Signalled {
        /// With this signal.
        signal: i32,
        /// What is left, and how to go on.
        left: String,
    },
}

impl Failure {
    /// 1 failed, 2 wrong usage, 3 no sound device, 128 + n ended by signal n.
    pub fn exit_code(&self) -> ExitCode {
        match self {
            Self::Failed(_) => ExitCode::from(1),
            Self::Usage(_) => ExitCode::from(2),
            Self::NoSound(_) => ExitCode::from(3),
            Self::Signalled { signal, .. } => ExitCode::from(128_u8.saturating_add(u8::try_from(*signal).unwrap_or(0))),
        }
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Failed(error) => f.write_str(&in_words(error)),
            Self::Usage(why) => write!(f, "{why}"),
            Self::NoSound(error) => write!(f, "{error}"),
            Self::Signalled { left, .. } => write!(f, "ended; {left}."),
        }
    }
}

/// The error and its causes, each said once: many messages hold their cause's already.
fn in_words(error: &anyhow::Error) -> String {
    error.chain().fold(String::new(), |said, cause| {
        let words = cause.to_string();
        match said.is_empty() {
            true => words,
            false if said.contains(&words) => said,
            false => format!("{said}: {words}"),
        }
    })
}

impl<E: Into<anyhow::Error>> From<E> for Failure {
    fn from(error: E) -> Self {
        let error = error.into();
        match error.downcast_ref() {
            // A name that nothing has was typed wrongly; nothing has been tried yet.
            Some(PresetError::Unknown { .. }) => Self::Usage(in_words(&error)),
            _ => Self::Failed(error),
        }
    }
}
