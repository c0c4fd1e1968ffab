//! The blend as facts and procedures, without a visit around it: what is connected and which controls there are; how a
//! setting is found by going too far and coming back; how two are compared blind; what mains and subwoofer add up to.

pub mod bracket;
pub mod compare;
pub mod control;
mod places;
pub mod predict;
pub mod slope;
pub mod sum;
pub mod system;
pub mod trace;
pub mod tune;
pub mod wiring;

pub use control::{Control, Device, Role, Scale, Unit};
pub use slope::{Slope, Slopes};
pub use system::{Channels, Connection, Mains, System, SystemError};
