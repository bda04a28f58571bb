//! The `sheathline` program.

use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    sheathline::cli::run(sheathline::cli::Cli::parse())
}
