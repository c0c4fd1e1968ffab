//! The `evenbass` program: everything is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    evenbass::cli::run()
}
