//! The only place that writes to the terminal.

use super::Failure;
use indicatif::{ProgressBar, ProgressStyle};
use serde::Serialize;
use std::io::{ErrorKind, Write};

/// One line to standard output. A closed pipe ends the program quietly.
pub(crate) fn line(text: impl std::fmt::Display) {
    let mut out = std::io::stdout().lock();
    if let Err(error) = writeln!(out, "{text}") {
        if error.kind() == ErrorKind::BrokenPipe {
            std::process::exit(0);
        }
        note(format_args!("standard output: {error}"));
    }
}

/// One JSON object as a line.
pub(crate) fn json(value: &impl Serialize) -> Result<(), Failure> {
    line(serde_json::to_string(value).map_err(Failure::no)?);
    Ok(())
}

/// What went wrong, to standard error.
pub(super) fn error(failure: &Failure) {
    note(format_args!("sheathline: {failure}"));
}

/// Something a person should see that is no result, to standard error.
pub(crate) fn note(text: impl std::fmt::Display) {
    // Standard error may be a file on a full disk: then nobody can be told, and that is no panic.
    let _ = writeln!(std::io::stderr(), "{text}");
}

/// A progress bar on a terminal, nothing in a pipe.
pub(crate) fn progress(what: &'static str, length: u64) -> ProgressBar {
    let bar = ProgressBar::new(length);
    if let Ok(style) = ProgressStyle::with_template("{msg:<22} {wide_bar} {pos}/{len} {eta}") {
        bar.set_style(style);
    }
    bar.set_message(what);
    bar
}
