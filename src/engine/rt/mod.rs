//! All code that runs on the audio thread.
//!
//! In the callback and all it calls: no allocation or release, no lock, no system call, no panic, no logging, no
//! formatting, and work per block is bounded. The lints below hold this folder to it; `clippy.toml` lists what is
//! forbidden and why. Constructors run on a control thread and say so where they need an exception.
//! `tests/rt_no_alloc.rs` runs the real callback under a counting allocator.
//! Tests beside the code run on a test's thread and are free of it.
#![cfg_attr(
    not(test),
    deny(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::panic_in_result_fn,
        clippy::unreachable,
        clippy::todo,
        clippy::unimplemented,
        clippy::indexing_slicing,
        clippy::string_slice,
        clippy::integer_division,
        clippy::disallowed_methods,
        clippy::disallowed_types,
        clippy::disallowed_macros,
        clippy::print_stdout,
        clippy::print_stderr
    )
)]

mod callback;
mod command;
mod envelope;
mod glide;
mod guard;
mod renderer;
mod routes;
mod voice;

pub use callback::Callback;
pub use command::{Command, Controls, Report};
pub use envelope::{FAST_RAMP_S, ramp_frames, stop_ramp_frames};
pub use guard::HIGHEST_CEILING;
pub use renderer::{HEARTBEAT_LIMIT_S, MAX_VOICES, Renderer, Rings};
pub use voice::{Ends, Voice};
