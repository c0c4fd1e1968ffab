//! The handset: a page for the phone in the hand, served to paired phones on one chosen address, and nowhere unless
//! asked for. `docs/handset.md` is its description for people.

mod address;
mod card;
mod desk;
mod floor;
mod guard;
mod pairing;
mod reach;
mod serve;
mod socket;

use std::collections::VecDeque;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Instant;

use crossbeam_channel::Sender;
use tokio::sync::watch;

pub use address::{Interface, Listening, Wanted, interfaces, listen, on_no_network};
pub use pairing::{MOST_PHONES, PhoneLine, Store};

use crate::faces::Wires;
use crate::faces::form::Form;
use crate::faces::handset::desk::Logged;
use crate::faces::handset::pairing::Pairing;
use crate::units::Dbfs;
use crate::view::{Action, FaceId, QuestionId, View};

/// Answers that the desk view's log goes back.
const LOGGED: usize = 40;

/// Why there is no handset.
#[derive(Debug, thiserror::Error)]
pub enum HandsetError {
    /// The port is another program's.
    #[error("the handset's port is taken: another program serves {address}; name another port, or none for a free one")]
    Taken {
        /// What was asked for.
        address: SocketAddr,
    },
    /// The address is not this machine's.
    #[error("{}", address::elsewhere(*ip, *of_last_time, known))]
    Elsewhere {
        /// What was asked for.
        ip: IpAddr,
        /// It was not named now, but served last time.
        of_last_time: bool,
        /// What there is.
        known: Vec<Interface>,
    },
    /// The system does not let it be opened.
    #[error("the handset cannot be served on {ip}: {error}; try another address or a port above 1023")]
    Closed {
        /// Where.
        ip: IpAddr,
        /// Why.
        #[source]
        error: io::Error,
    },
    /// No thread, no random numbers, no room for the list of phones.
    #[error("the handset cannot be started: {0}")]
    Start(#[source] io::Error),
    /// It is served already.
    #[error("the handset is served at {0} already")]
    Served(SocketAddr),
}

/// Told the page's address with a fresh secret, each time there is one: a script's line.
pub type Announce = Box<dyn Fn(&str) + Send + Sync>;

/// The handset of a visit, served or not yet. Clones are the same handset.
#[derive(Clone)]
pub struct Handset {
    shared: Arc<Shared>,
}

/// What the server's parts share.
struct Shared {
    pairing: Mutex<Pairing>,
    actions: Sender<(FaceId, Action)>,
    face: FaceId,
    /// The newest view; `None` before the first.
    views: watch::Sender<Option<Arc<View>>>,
    /// The visit has ended, or the conductor has gone.
    ended: watch::Sender<bool>,
    /// When a phone last said louder where that sets the comfort level, and from which level: one press at a time.
    louder: Mutex<Option<(Instant, f64)>>,
    /// Counts changes of who is paired.
    phones: watch::Sender<u64>,
    /// Which phone pressed stop last over its socket, and when: a second message about the same press is not a second
    /// press.
    stopped: Mutex<Option<(FaceId, Instant)>>,
    /// Which phone's press of stop came last as a request, and what the page calls that press.
    posted: Mutex<Option<(FaceId, String)>>,
    /// No phone may say louder beyond this, in the comfort step.
    louder_to: Dbfs,
    announce: Announce,
    served: Mutex<Option<Served>>,
    log: Mutex<VecDeque<Logged>>,
    /// The question that was open last, for the log.
    asked: Mutex<Option<(QuestionId, String)>>,
}

struct Served {
    address: SocketAddr,
    server: Option<JoinHandle<()>>,
}

impl Handset {
    /// A handset that is not served yet. It follows the visit from now on.
    ///
    /// # Errors
    /// [`HandsetError::Start`].
    pub fn new(wires: Wires, store: Store, louder_to: Dbfs, announce: Announce) -> Result<Self, HandsetError> {
        let Wires { views, actions, face } = wires;
        let shared = Arc::new(Shared {
            pairing: Mutex::new(Pairing::new(store).map_err(HandsetError::Start)?),
            actions,
            face,
            views: watch::Sender::new(None),
            ended: watch::Sender::new(false),
            louder: Mutex::new(None),
            stopped: Mutex::new(None),
            posted: Mutex::new(None),
            phones: watch::Sender::new(0),
            louder_to,
            announce,
            served: Mutex::new(None),
            log: Mutex::new(VecDeque::new()),
            asked: Mutex::new(None),
        });
        let following = Arc::downgrade(&shared);
        let relay = std::thread::Builder::new().name("handset views".into());
        relay
            .spawn(move || {
                for view in views {
                    let Some(shared) = following.upgrade() else { return };
                    shared.see(view);
                }
                if let Some(shared) = following.upgrade() {
                    shared.ended.send_replace(true);
                }
            })
            .map_err(HandsetError::Start)?;
        Ok(Self { shared })
    }

    /// Serves the page from now on, until the visit ends.
    ///
    /// # Errors
    /// [`HandsetError::Served`] the second time, otherwise [`HandsetError::Start`].
    pub fn serve(&self, listening: Listening) -> Result<SocketAddr, HandsetError> {
        let mut served = lock(&self.shared.served);
        if let Some(served) = &*served {
            return Err(HandsetError::Served(served.address));
        }
        let address = listening.address;
        lock(&self.shared.pairing).served_at(address).map_err(HandsetError::Start)?;
        let shared = self.shared.clone();
        let server = serve::start(shared, listening).map_err(HandsetError::Start)?;
        *served = Some(Served { address, server: Some(server) });
        drop(served);
        // Where no further phone may be paired, those that are still have to find the page.
        let page = self.shared.invitation().unwrap_or_else(|| format!("http://{address}/"));
        (self.shared.announce)(&page);
        Ok(address)
    }

    /// The page's address with the secret for the next phone; `None` if nobody is served or as many phones are paired
    /// as may be.
    pub fn invitation(&self) -> Option<String> {
        self.shared.invitation()
    }

    /// Where the page is served.
    pub fn address(&self) -> Option<SocketAddr> {
        lock(&self.shared.served).as_ref().map(|served| served.address)
    }

    /// Where the page was served last time.
    pub fn address_before(&self) -> Option<SocketAddr> {
        lock(&self.shared.pairing).address_before()
    }

    /// Whether an address is this machine's; one of which the system says nothing counts as there.
    pub fn is_own(ip: IpAddr) -> bool {
        reach::has(ip).unwrap_or(true)
    }

    /// Whether phones can reach the address; one that is not served, or of which the system says nothing, counts as
    /// there.
    pub fn is_reachable(&self) -> bool {
        self.address().is_none_or(|address| Self::is_own(address.ip()))
    }

    /// The paired phones.
    pub fn phones(&self) -> Vec<PhoneLine> {
        lock(&self.shared.pairing).list()
    }

    /// How often a phone of another visit, or a removed one, asked for the page.
    pub fn strangers(&self) -> u32 {
        lock(&self.shared.pairing).strangers()
    }

    /// Takes a phone's pairing away; its pages close at once.
    ///
    /// # Errors
    /// It is gone for now, but would be back after a new start, because its file cannot be written.
    pub fn remove(&self, number: u16) -> io::Result<bool> {
        let removed = lock(&self.shared.pairing).remove(number);
        self.shared.phones.send_modify(|count| *count += 1);
        removed
    }

    /// Waits for the server after the visit has ended: its pages are told.
    pub fn close(&self) {
        self.shared.ended.send_replace(true);
        let server = lock(&self.shared.served).as_mut().and_then(|served| served.server.take());
        if let Some(server) = server {
            // A server that has failed has nothing left to close.
            let _ = server.join();
        }
    }
}

impl Shared {
    fn see(&self, view: Arc<View>) {
        let before = self.views.borrow().clone();
        let is_new = before.is_none_or(|before| before.taken_question != view.taken_question);
        let mut asked = lock(&self.asked);
        if let Some(taken) = view.taken.as_ref().filter(|_| is_new && view.taken_question.is_some()) {
            let asked = asked.take().filter(|(question, _)| Some(*question) == view.taken_question);
            let mut log = lock(&self.log);
            log.push_front(Logged { asked: asked.map(|(_, text)| text), taken: taken.clone() });
            log.truncate(LOGGED);
        }
        // A view without a question leaves it: its answer may still be being written. What is said of a note names it.
        if let Some(open) = view.question.as_deref() {
            *asked = Form::of(&open.ask).heading.is_none().then(|| (open.id, open.text.clone()));
        }
        drop(asked);
        let closing = view.closing;
        self.views.send_replace(Some(view));
        if closing {
            self.ended.send_replace(true);
        }
    }

    fn invitation(&self) -> Option<String> {
        let address = lock(&self.served).as_ref()?.address;
        lock(&self.pairing).secret().map(|secret| format!("http://{address}/#{secret}"))
    }

    fn announce(&self) {
        if let Some(invitation) = self.invitation() {
            (self.announce)(&invitation);
        }
    }
}

/// What a lock holds stays usable when a thread has failed: every change under it is made whole or not at all.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
