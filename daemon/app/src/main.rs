//! The `sheathline` program.

use std::process::ExitCode;

fn main() -> ExitCode {
    sheathline::cli::run()
}
