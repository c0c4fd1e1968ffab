//! The full screen: one question, the keys that answer it, and stop at the bottom left, always.

mod asks;
mod hand;
mod keys;
mod page;
mod phones;
mod screen;
mod styles;
mod verdict;

#[cfg(test)]
mod tests;

use std::io::{self, IsTerminal, Stdout};
use std::sync::Arc;
use std::thread;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, Sender, bounded, select, tick};
use ratatui::backend::CrosstermBackend;
use ratatui::crossterm::event::{self, Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers};
use ratatui::crossterm::execute;
use ratatui::crossterm::terminal::{Clear, ClearType, size};
use ratatui::layout::{Position, Rect, Size};
use ratatui::{Terminal, TerminalOptions, Viewport};

use crate::faces::{ALIVE_EVERY, FaceError, Gone, Wires};
use crate::view::{Action, View};
use hand::{Hand, Press};
pub use phones::PhonePanel;
pub use screen::ScreenHandle;

/// What the terminal can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Look {
    /// Only characters of ASCII.
    pub ascii: bool,
    /// Colour, which only ever repeats what is written.
    pub colour: bool,
}

impl Look {
    /// What the person asked for, and what the environment says: `NO_COLOR` set to anything but nothing turns colour
    /// off, and so does a terminal called `dumb`.
    pub fn from_environment(ascii: bool, no_colour: bool) -> Self {
        let set = |name: &str| std::env::var_os(name).is_some_and(|value| !value.is_empty());
        let dumb = std::env::var_os("TERM").is_some_and(|term| term == "dumb");
        Self { ascii, colour: !no_colour && !set("NO_COLOR") && !dumb }
    }
}

/// Whether there is a screen to fill: both ends are a terminal, and it can move its cursor.
pub fn available() -> bool {
    io::stdin().is_terminal()
        && io::stdout().is_terminal()
        && std::env::var_os("TERM").is_none_or(|term| term != "dumb")
}

/// Something from the keyboard's thread.
struct Typed {
    event: Event,
    at: Instant,
}

/// How long the keyboard's thread waits before it looks whether it is still wanted.
const KEYBOARD_PATIENCE: Duration = Duration::from_millis(100);

/// A 'louder' that waited longer than this was not heard by whoever pressed it, and is dropped.
const LOUDER_AGES: Duration = Duration::from_millis(300);

/// Fills the screen until the visit ends; the terminal is put back however this ends, a panic included.
///
/// `screen` lets the conductor give the terminal back when the process is to be suspended. `phones` is the page about
/// the handset, if there is one.
///
/// # Errors
/// [`FaceError::Terminal`]: the terminal went away or cannot do what is needed; the visit has been asked to close.
pub fn run(wires: Wires, look: Look, screen: &ScreenHandle, phones: Option<PhonePanel>) -> Result<(), FaceError> {
    let result = fill(&wires, look, screen, phones);
    screen.leave();
    if result.is_err() {
        // Whether the conductor still listens makes no difference any more.
        let _ = wires.send(Action::Leave);
    }
    result.map_err(FaceError::Terminal)
}

fn fill(wires: &Wires, look: Look, screen: &ScreenHandle, phones: Option<PhonePanel>) -> io::Result<()> {
    screen.enter()?;
    screen.restore_on_panic();
    let mut terminal = blank_terminal()?;
    let (typed_sender, typed) = bounded(256);
    let keyboard = {
        let screen = screen.clone();
        thread::spawn(move || read_keys(&screen, &typed_sender))
    };
    let ticks = tick(ALIVE_EVERY);
    let woken = screen.woken();
    let mut face = Face { look, hand: Hand::default(), view: None, shown: Instant::now(), phones, is_too_small: false };
    let mut typed_open = true;
    while typed_open {
        let mut redraw = true;
        select! {
            recv(wires.views) -> view => match view {
                Ok(view) => face.see(newest(view, &wires.views)),
                Err(_) => return Ok(()),
            },
            recv(typed) -> typed => match typed {
                Ok(typed) => if face.typed(&typed?, wires).is_err() { return Ok(()) },
                Err(_) => typed_open = false,
            },
            recv(ticks) -> _ => {
                // A window that changed before its signal was listened to told nobody; phones come and go without a
                // view.
                redraw = face.hand.has_waited(Instant::now())
                    || face.phones.is_some()
                    || is_outgrown(&mut terminal)?;
                if !keyboard.is_finished() && wires.send(Action::Alive).is_err() {
                    return Ok(());
                }
            }
            recv(woken) -> _ => terminal = blank_terminal()?,
        }
        if redraw {
            if is_outgrown(&mut terminal)? {
                terminal = blank_terminal()?;
            }
            face.draw(&mut terminal, screen)?;
        }
        if face.view.as_ref().is_some_and(|view| view.closing) {
            return Ok(());
        }
    }
    Err(io::Error::other("its keyboard is gone"))
}

/// A cleared window of a fixed size. Following the window is done here, since the library asks the terminal for its
/// cursor when it does that, and the answer would end among the keys.
fn blank_terminal() -> io::Result<Terminal<CrosstermBackend<Stdout>>> {
    execute!(io::stdout(), Clear(ClearType::All))?;
    let viewport = Viewport::Fixed(Rect::from((Position::ORIGIN, window()?)));
    Terminal::with_options(CrosstermBackend::new(io::stdout()), TerminalOptions { viewport })
}

/// The window's size in cells.
fn window() -> io::Result<Size> {
    size().map(Size::from)
}

/// Whether the window has another size than what is drawn.
fn is_outgrown(terminal: &mut Terminal<CrosstermBackend<Stdout>>) -> io::Result<bool> {
    Ok(terminal.get_frame().area().as_size() != window()?)
}

/// The last of the views that are there.
fn newest(first: Arc<View>, views: &Receiver<Arc<View>>) -> Arc<View> {
    views.try_iter().last().unwrap_or(first)
}

struct Face {
    look: Look,
    hand: Hand,
    view: Option<Arc<View>>,
    /// When the open question came on the screen: keys typed before that were not meant for it.
    shown: Instant,
    phones: Option<PhonePanel>,
    /// Nothing of the page can be seen.
    is_too_small: bool,
}

impl Face {
    fn see(&mut self, view: Arc<View>) {
        let open = |view: &View| view.question.as_ref().map(|question| question.id);
        if self.view.as_deref().and_then(open) != open(&view) {
            self.shown = Instant::now();
        }
        self.hand.see(&view);
        self.view = Some(view);
    }

    fn typed(&mut self, typed: &Typed, wires: &Wires) -> Result<(), Gone> {
        let Some(view) = self.view.clone() else { return Ok(()) };
        let press = match &typed.event {
            // Nobody answers or leaves unseen.
            Event::Key(key) if self.is_too_small && !self.hand.is_way_out(key, &view) => Press::Nothing,
            Event::Paste(_) if self.is_too_small => Press::Nothing,
            Event::Key(key) if self.is_for_phones(key, &view) => Press::Nothing,
            Event::Key(key) => self.hand.press(key, &view, Instant::now()),
            Event::Paste(text) => {
                self.hand.paste(text, &view);
                Press::Nothing
            }
            _ => Press::Nothing,
        };
        match press {
            Press::Nothing => Ok(()),
            Press::Suspend => {
                // The conductor's handler fades, gives the terminal back, and then stops the process.
                let _ = signal_hook::low_level::raise(signal_hook::consts::SIGTSTP);
                Ok(())
            }
            Press::Action(Action::Louder | Action::Nudge { up: true }) if typed.at.elapsed() > LOUDER_AGES => Ok(()),
            Press::Action(Action::Answer { .. }) if typed.at < self.shown => {
                self.hand.forget_answer();
                Ok(())
            }
            Press::Action(action) => wires.send(action),
        }
    }

    /// Whether a key was the phones' page's. Keys that stop, leave or suspend never are.
    fn is_for_phones(&mut self, key: &KeyEvent, view: &View) -> bool {
        let Some(phones) = &mut self.phones else { return false };
        if phones.is_open() && !self.hand.is_way_out(key, view) {
            phones.press(key);
            return true;
        }
        let is_typed = Hand::takes_letters(view) || self.hand.follows_figures('h', view);
        let control = key.modifiers.contains(KeyModifiers::CONTROL);
        let opens = key.code == KeyCode::Char('h') && !control && !is_typed && !self.hand.help;
        if opens && key.kind != KeyEventKind::Release {
            phones.toggle();
        }
        opens
    }

    fn draw(&mut self, terminal: &mut Terminal<CrosstermBackend<Stdout>>, screen: &ScreenHandle) -> io::Result<()> {
        self.is_too_small = page::is_too_small(terminal.get_frame().area());
        let Some(view) = self.view.as_deref() else { return Ok(()) };
        screen.while_up(|| {
            terminal
                .draw(|frame| page::draw(frame.buffer_mut(), view, &self.hand, self.phones.as_ref(), self.look))
                .map(|_| ())
        })
    }
}

/// Reads the keyboard until nobody listens or the terminal is gone.
fn read_keys(screen: &ScreenHandle, sender: &Sender<io::Result<Typed>>) {
    while screen.is_wanted() {
        if screen.is_suspended() {
            thread::sleep(KEYBOARD_PATIENCE);
            continue;
        }
        let event = match event::poll(KEYBOARD_PATIENCE) {
            Ok(false) => continue,
            Ok(true) => event::read(),
            Err(error) => Err(error),
        };
        let failed = event.is_err();
        if sender.send(event.map(|event| Typed { event, at: Instant::now() })).is_err() || failed {
            return;
        }
    }
}
