//! A journal on a thread of its own: the conductor hands events in and hears, in order, which are on disk.

use std::thread::{self, JoinHandle};

use crossbeam_channel::{Receiver, Sender, TrySendError, bounded};

use crate::routine::Stamped;
use crate::visit::error::VisitError;
use crate::visit::journal::Journal;

/// Events that may wait. A visit makes a few a second; this many waiting means that the disk has stood still for
/// minutes.
pub const QUEUE: usize = 1024;

/// The sender's own mark for an event, given back with the outcome.
pub type Ticket = u64;

/// What became of an event.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum JournalMoment {
    /// It would survive a power cut.
    Written {
        /// Its sequence number in the file.
        seq: u64,
        /// Which event it was.
        ticket: Ticket,
    },
    /// It is not in the file.
    Failed {
        /// Which event it was.
        ticket: Ticket,
        /// Why, and what to do, in words.
        why: String,
    },
}

/// Why an event was not taken.
#[derive(Debug, Clone, PartialEq)]
pub enum Refused {
    /// [`QUEUE`] events wait already; the event comes back, to be handed in again later.
    Full(Box<Stamped>),
    /// The thread has ended.
    Ended(Box<Stamped>),
}

enum Order {
    Write(Box<Stamped>, Ticket),
    CarryOn,
}

/// The conductor's end. Dropping it lets the thread write what waits and end by itself; [`JournalHandle::close`] waits
/// for that.
pub struct JournalHandle {
    orders: Sender<Order>,
    thread: JoinHandle<Journal>,
}

/// Starts the journal's thread.
///
/// Each event is answered by one moment on `moments`, in the order of the events. After a failure all further events
/// fail too, until [`JournalHandle::carry_on`]: what was handed in before its sender knew of the failure may rest on
/// what was not written.
/// # Errors
/// [`VisitError::Io`] if the system gives no thread.
pub fn spawn<M>(journal: Journal, moments: Sender<M>) -> Result<JournalHandle, VisitError>
where
    M: From<JournalMoment> + Send + 'static,
{
    let (orders, inbox) = bounded(QUEUE);
    let path = journal.path().to_path_buf();
    let thread = thread::Builder::new()
        .name("journal".to_owned())
        .spawn(move || work(journal, &inbox, &moments))
        .map_err(|error| VisitError::io(&path, "start a thread for", error))?;
    Ok(JournalHandle { orders, thread })
}

fn work<M: From<JournalMoment>>(mut journal: Journal, inbox: &Receiver<Order>, moments: &Sender<M>) -> Journal {
    let mut failure: Option<String> = None;
    for order in inbox {
        let moment = match (order, &failure) {
            (Order::CarryOn, _) => {
                failure = None;
                continue;
            }
            (Order::Write(_, ticket), Some(why)) => JournalMoment::Failed { ticket, why: why.clone() },
            (Order::Write(stamped, ticket), None) => match journal.append(&stamped) {
                Ok(seq) => JournalMoment::Written { seq, ticket },
                Err(error) => {
                    let why = error.to_string();
                    failure = Some(format!("an event before it was not written: {why}"));
                    JournalMoment::Failed { ticket, why }
                }
            },
        };
        // Nobody listens any more when the program is ending; what waits is still written.
        let _ = moments.send(M::from(moment));
    }
    journal
}

impl JournalHandle {
    /// Hands an event in. Never waits.
    /// # Errors
    /// The event comes back, see [`Refused`].
    pub fn write(&self, stamped: Stamped, ticket: Ticket) -> Result<(), Refused> {
        let (order, full) = match self.orders.try_send(Order::Write(Box::new(stamped), ticket)) {
            Ok(()) => return Ok(()),
            Err(TrySendError::Full(order)) => (order, true),
            Err(TrySendError::Disconnected(order)) => (order, false),
        };
        match order {
            Order::Write(stamped, _) if full => Err(Refused::Full(stamped)),
            Order::Write(stamped, _) => Err(Refused::Ended(stamped)),
            // Never so: what was sent comes back.
            Order::CarryOn => Ok(()),
        }
    }

    /// After a failure: what is handed in from now on rests only on what was written, and may be written. Waits only if
    /// the queue is full, for as long as the thread takes to refuse what is in it.
    pub fn carry_on(&self) {
        let _ = self.orders.send(Order::CarryOn);
    }

    /// Waits until everything handed in has been answered, and gives the journal back.
    /// # Errors
    /// In words, if the thread has panicked.
    pub fn close(self) -> Result<Journal, String> {
        drop(self.orders);
        self.thread.join().map_err(|_| {
            "the journal's thread has failed; the visit file is whole up to the last answer \
            shown as taken"
                .to_owned()
        })
    }
}
