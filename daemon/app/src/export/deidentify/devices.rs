//! Machines whose maker and model are told: those that a list of the site names. Any other text in these
//! attributes may name a hospital or a ward.

use std::collections::BTreeSet;
use thiserror::Error;

/// The list. Empty: none is told.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Known {
    makers: BTreeSet<String>,
    models: BTreeSet<(String, String)>,
}

/// A line that names no machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("line {line}: write maker|model as the reports have them, or the maker alone")]
pub(crate) struct NoMachine {
    /// From 1.
    pub line: usize,
}

impl Known {
    /// Reads a list: `maker|model` or `maker`, one a line. Blanks around them, empty lines and lines
    /// that begin with `#` do not count.
    ///
    /// # Errors
    /// The first line that is neither.
    pub(crate) fn parse(text: &str) -> Result<Known, NoMachine> {
        let mut known = Known::default();
        for (number, line) in text.lines().enumerate() {
            let line = line.trim();
            if line.is_empty() || line.starts_with('#') {
                continue;
            }
            let mut parts = line.split('|').map(str::trim);
            let named = (parts.next(), parts.next(), parts.next());
            let (maker, model) = match named {
                (Some(maker), model, None) if !maker.is_empty() => (maker, model),
                _ => return Err(NoMachine { line: number + 1 }),
            };
            known.makers.insert(maker.to_owned());
            match model {
                Some("") => return Err(NoMachine { line: number + 1 }),
                Some(model) => known.models.insert((maker.to_owned(), model.to_owned())),
                None => false,
            };
        }
        Ok(known)
    }

    /// Whether a line names the maker.
    #[must_use]
    pub(crate) fn has_maker(&self, maker: &str) -> bool {
        self.makers.contains(maker.trim())
    }

    /// Whether a line names the model of the maker.
    #[must_use]
    pub(crate) fn has(&self, maker: &str, model: &str) -> bool {
        let pair = (maker.trim().to_owned(), model.trim().to_owned());
        self.models.contains(&pair)
    }
}

#[cfg(test)]
mod tests {
    use super::{Known, NoMachine};

    #[test]
    fn only_what_a_line_names_is_known() {
        let text = "# ours\n\nTarnholt Imaging | Wren 3\r\nOstmar\n";
        let known = Known::parse(text).unwrap();
        assert!(known.has("Tarnholt Imaging", "Wren 3"));
        assert!(known.has_maker("Tarnholt Imaging ") && known.has_maker("Ostmar"));
        for (maker, model) in [
            ("Ostmar", "Wren 3"),
            ("Tarnholt Imaging", "Wren"),
            ("Tarnholt Imaging", ""),
            ("", "Wren 3"),
        ] {
            assert!(!known.has(maker, model), "{maker}|{model}");
        }
        assert!(!known.has_maker("Tarnholt Hospital") && !known.has_maker(""));
        assert!(!known.has_maker("# ours"));
    }

    #[test]
    fn a_line_that_names_nothing_is_told() {
        for text in ["a|b\n|c", "x\na|", "\na|b|c"] {
            assert_eq!(Known::parse(text), Err(NoMachine { line: 2 }), "{text}");
        }
    }
}
