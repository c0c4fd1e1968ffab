//! A virtual room and a simulated listener: one more face, that answers by itself. Shares nothing with the judge.

mod face;
mod listener;
mod virtual_room;

pub use face::answer_by_itself;
pub use listener::SimulatedListener;
pub use virtual_room::{VirtualRoom, VirtualRoomError};
