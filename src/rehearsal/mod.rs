//! A virtual room and a simulated listener: one more face, that answers by itself. Shares nothing with the judge.

mod blend_listener;
mod blend_person;
mod face;
mod listener;
mod virtual_room;
mod virtual_system;

pub use blend_listener::BlendListener;
pub use blend_person::BlendPerson;
pub use face::answer_by_itself;
pub use listener::SimulatedListener;
pub use virtual_room::{VirtualRoom, VirtualRoomError};
pub use virtual_system::{BOTH, Imitated, Switched, VirtualSystem};
