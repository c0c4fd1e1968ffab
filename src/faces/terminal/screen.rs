//! Taking the terminal over and giving it back: at the end, in a panic, and around a suspension.

use std::io::{self, Write};
use std::panic;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use crossbeam_channel::{Receiver, Sender, bounded};
use ratatui::crossterm::cursor::{Hide, Show};
use ratatui::crossterm::event::{DisableBracketedPaste, EnableBracketedPaste};
use ratatui::crossterm::execute;
use ratatui::crossterm::terminal::{EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode, enable_raw_mode};

#[derive(Clone, Copy, PartialEq, Eq)]
enum Stage {
    /// Not taken over yet, or given back for good.
    Theirs,
    /// Taken over.
    Ours,
    /// Given back until `resume`.
    Lent,
}

/// The terminal as something that can be given back from another thread. Clones are the same terminal.
///
/// For the signal handling thread: `suspend()` before the process stops itself, `resume()` when it runs again. Both do
/// nothing when the full screen is not up.
#[derive(Clone)]
pub struct ScreenHandle {
    stage: Arc<Mutex<Stage>>,
    wake: Sender<()>,
    woken: Receiver<()>,
}

impl Default for ScreenHandle {
    fn default() -> Self {
        Self::new()
    }
}

impl ScreenHandle {
    /// A handle on a terminal that is not taken over yet.
    pub fn new() -> Self {
        let (wake, woken) = bounded(1);
        Self { stage: Arc::new(Mutex::new(Stage::Theirs)), wake, woken }
    }

    /// Gives the terminal back, to take it again with [`Self::resume`]. Waits for a drawing that is under way.
    pub fn suspend(&self) {
        let mut stage = self.lock();
        if *stage == Stage::Ours {
            give_back();
            *stage = Stage::Lent;
        }
    }

    /// Takes the terminal again and has everything drawn anew.
    ///
    /// # Errors
    /// The terminal is gone or not in the foreground.
    pub fn resume(&self) -> io::Result<()> {
        let mut stage = self.lock();
        if *stage == Stage::Lent {
            take_over()?;
            *stage = Stage::Ours;
            // A wake-up that is already waiting serves as well.
            let _ = self.wake.try_send(());
        }
        Ok(())
    }

    /// Gives the terminal back for good; harmless when that has been done.
    pub fn leave(&self) {
        let mut stage = self.lock();
        if *stage == Stage::Ours {
            give_back();
        }
        *stage = Stage::Theirs;
    }

    pub(super) fn enter(&self) -> io::Result<()> {
        let mut stage = self.lock();
        if *stage == Stage::Theirs {
            if let Err(error) = take_over() {
                give_back();
                return Err(error);
            }
            *stage = Stage::Ours;
        }
        Ok(())
    }

    /// Has the terminal given back before a panic prints its message, whichever thread panics.
    pub(super) fn restore_on_panic(&self) {
        let screen = self.clone();
        let before = panic::take_hook();
        panic::set_hook(Box::new(move |information| {
            // A panic while drawing holds the lock; the screen is given back all the same.
            match screen.stage.try_lock() {
                Ok(mut stage) if *stage == Stage::Ours => {
                    give_back();
                    *stage = Stage::Theirs;
                }
                Ok(_) => {}
                Err(_) => give_back(),
            }
            before(information);
        }));
    }

    /// Draws, unless the terminal is lent or given back.
    pub(super) fn while_up(&self, draw: impl FnOnce() -> io::Result<()>) -> io::Result<()> {
        let stage = self.lock();
        if *stage == Stage::Ours { draw() } else { Ok(()) }
    }

    pub(super) fn is_wanted(&self) -> bool {
        *self.lock() != Stage::Theirs
    }

    pub(super) fn is_suspended(&self) -> bool {
        *self.lock() == Stage::Lent
    }

    /// Told when everything must be drawn anew.
    pub(super) fn woken(&self) -> Receiver<()> {
        self.woken.clone()
    }

    fn lock(&self) -> MutexGuard<'_, Stage> {
        self.stage.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn take_over() -> io::Result<()> {
    enable_raw_mode()?;
    execute!(io::stdout(), EnterAlternateScreen, EnableBracketedPaste, Hide)
}

/// Undoes [`take_over`] as far as it can be undone: a terminal that is gone needs nothing.
fn give_back() {
    let mut output = io::stdout();
    let _ = execute!(output, DisableBracketedPaste, LeaveAlternateScreen, Show);
    let _ = output.flush();
    let _ = disable_raw_mode();
}
