//! What tables of other systems have in common: their rows in the file, and rules of the way there.

use super::keys::Key;
use super::raw::Raw;
use super::value::{is_loopback, quoted, url_host};
use std::ops::Range;
use std::path::PathBuf;

/// One row of a table as the file writes it.
pub(super) struct Row {
    /// Which layer it stands in.
    pub(super) layer: usize,
    /// Where it begins.
    pub(super) span: Range<usize>,
    /// Its keys, also those with a mistake of their own.
    pub(super) keys: Vec<(&'static Key, Range<usize>)>,
}

impl Row {
    pub(super) fn place(&self, name: &str) -> Option<Range<usize>> {
        let found = self.keys.iter().find(|(key, _)| key.name == name);
        found.map(|(_, span)| span.clone())
    }

    /// The first of some keys that is written.
    pub(super) fn first(&self, names: &[&str]) -> Option<(&'static str, Range<usize>)> {
        let found = self
            .keys
            .iter()
            .find(|(key, _)| names.contains(&key.name))?;
        Some((found.0.name, found.1.clone()))
    }
}

/// A certificate and its key belong together. Whether the files are good is seen when they are read.
pub(super) fn check_pair(
    raw: &mut Raw<'_>,
    table: &str,
    certificate: Option<&PathBuf>,
    key: Option<&PathBuf>,
    row: &Row,
) {
    let pair = [
        ("certificate", certificate, "key", key),
        ("key", key, "certificate", certificate),
    ];
    for (name, there, other, missing) in pair {
        if let (Some(_), None, None, Some(place)) =
            (there, missing, row.place(other), row.place(name))
        {
            raw.mistake(
                place,
                format!("[[{table}]] has a {name} without its {other}"),
                format!(
                    "write {other} = \"client.{}\", or take {name} out",
                    if other == "key" { "key" } else { "pem" }
                ),
            );
        }
    }
}

/// Files for TLS, which must be switched on then.
pub(super) fn check_tls_on(raw: &mut Raw<'_>, table: &str, tls: bool, row: &Row) {
    if let (false, Some((name, place))) = (tls, row.first(&["ca", "certificate", "key"])) {
        raw.mistake(
            place,
            format!("[[{table}]] names a {name} for TLS, which is switched off"),
            format!("write tls = true, or take {name} out"),
        );
    }
}

/// What does not go with an address that is not encrypted.
pub(super) fn check_plain(raw: &mut Raw<'_>, table: &str, url: &str, row: &Row) {
    if !url.starts_with("http://") {
        return;
    }
    if let Some((name, place)) = row.first(&["ca", "certificate", "key"]) {
        raw.mistake(
            place,
            format!("[[{table}]] names a {name} for TLS, and its url is not encrypted"),
            format!("write an https:// url, or take {name} out"),
        );
    }
    let far = !url_host(url).is_some_and(is_loopback);
    if let (true, Some(place)) = (far, row.place("bearer")) {
        raw.mistake(
            place,
            format!("[[{table}]] would send its bearer token unencrypted"),
            "write an https:// url; only this machine itself (127.0.0.1, localhost) is reached without",
        );
    }
}

/// An address that paths are added to. `of`: whose it is, with an example.
pub(super) fn check_base(raw: &mut Raw<'_>, table: &str, url: &str, of: (&str, &str), row: &Row) {
    let (whose, example) = of;
    if let (true, Some(place)) = (url.contains(['?', '#']), row.place("url")) {
        raw.mistake(
            place,
            format!(
                "[[{table}]] url is {}, but must be the base of {whose}, without ?",
                quoted(url)
            ),
            format!("write for example url = \"{example}\""),
        );
    }
}
