//! Texts of others as TOML: a string of one line, and a comment that ends no line.

use crate::legible;
use std::fmt::Write;

/// A TOML basic string (TOML 1.0). What misleads the eye is written as an escape.
pub(super) fn string(text: &str) -> String {
    let mut quoted = String::from("\"");
    for letter in text.chars() {
        match letter {
            '"' => quoted.push_str("\\\""),
            '\\' => quoted.push_str("\\\\"),
            letter if legible::misleads(letter) => {
                // Writing to a String cannot fail.
                let _ = write!(quoted, "\\U{:08X}", u32::from(letter));
            }
            letter => quoted.push(letter),
        }
    }
    quoted.push('"');
    quoted
}

/// A list of strings.
pub(super) fn strings(texts: impl IntoIterator<Item = impl AsRef<str>>) -> String {
    let texts: Vec<String> = texts
        .into_iter()
        .map(|text| string(text.as_ref()))
        .collect();
    format!("[{}]", texts.join(", "))
}

/// A text within a comment, in quotes.
pub(super) fn told(text: &str) -> String {
    format!("\"{}\"", legible::short(text, 120).replace('"', "'"))
}

/// Claims and eye as an inline table.
pub(super) fn table<'a>(says: impl IntoIterator<Item = (&'a str, &'a str)>) -> String {
    let says: Vec<String> = says
        .into_iter()
        .map(|(key, word)| format!("{key} = {}", string(word)))
        .collect();
    if says.is_empty() {
        "{}".to_owned()
    } else {
        format!("{{ {} }}", says.join(", "))
    }
}
