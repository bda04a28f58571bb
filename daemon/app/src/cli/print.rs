//! The only place that writes to the terminal.

use super::Failure;
use indicatif::{ProgressBar, ProgressStyle};
use serde::Serialize;
use sheathline_model::legible;
use std::borrow::Cow;
use std::io::{ErrorKind, Write};
use std::sync::atomic::{AtomicBool, Ordering};

/// One line to standard output: a text of others in it begins no line of its own.
pub(crate) fn line(text: impl std::fmt::Display) {
    self::text(&legible::line(&text.to_string()));
}

/// Several lines of ours.
pub(crate) fn lines(text: impl std::fmt::Display) {
    self::text(&legible::lines(&text.to_string()));
}

/// Whether standard output is for a script, so that text goes to standard error.
static FOR_SCRIPTS: AtomicBool = AtomicBool::new(false);

/// From now on standard output is JSON alone.
pub(super) fn for_scripts() {
    FOR_SCRIPTS.store(true, Ordering::Relaxed);
}

fn text(text: &str) {
    if FOR_SCRIPTS.load(Ordering::Relaxed) {
        error_line(text)
    } else {
        write(text)
    }
}

/// A closed pipe ends the program quietly.
fn write(text: &str) {
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
    let text = serde_json::to_string(value)?;
    write(&escaped(&text));
    Ok(())
}

/// JSON that says the same to a program and misleads nobody who looks at it (RFC 8259, 7).
fn escaped(json: &str) -> Cow<'_, str> {
    if json.bytes().all(|byte| matches!(byte, b' '..=b'~')) {
        return Cow::Borrowed(json);
    }
    let mut shown = String::with_capacity(json.len());
    for c in json.chars() {
        if legible::misleads(c) {
            for unit in c.encode_utf16(&mut [0; 2]) {
                shown.push_str(&format!("\\u{unit:04x}"));
            }
        } else {
            shown.push(c);
        }
    }
    Cow::Owned(shown)
}

/// What went wrong, to standard error.
pub(super) fn error(failure: &Failure) {
    note(format_args!("sheathline: {failure}"));
}

/// The same as one JSON object on a line.
pub(super) fn error_as_json(failure: &Failure) {
    match serde_json::to_string(&failure.line()) {
        Ok(json) => note(escaped(&json)),
        Err(_) => error(failure),
    }
}

/// Something a person should see that is no result, to standard error.
pub(crate) fn note(text: impl std::fmt::Display) {
    error_line(&legible::lines(&text.to_string()));
}

fn error_line(text: &str) {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn json_says_the_same_without_what_misleads() {
        let said = "a\u{1B}]0;x\u{7}\u{202E}\u{9B}\u{E0041}\u{200D}é\n\"";
        let json = serde_json::to_string(said).expect("JSON");
        let text = escaped(&json);
        assert!(
            text.is_ascii() || !text.chars().any(legible::misleads),
            "{text}"
        );
        assert!(
            text.contains("\\u202e") && text.contains("\\udb40\\udc41"),
            "{text}"
        );
        assert_eq!(serde_json::from_str::<String>(&text).expect("JSON"), said);
    }
}
