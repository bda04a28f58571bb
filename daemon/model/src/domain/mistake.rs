//! A mistake in a file that a person wrote: configuration, template or dictionary.

use serde::Serialize;
use std::fmt;
use std::ops::Range;

/// One mistake, with where it stands and what to write instead.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Mistake {
    /// Name of the file as the user knows it.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is wrong, one sentence without a final stop.
    pub what: String,
    /// What to write instead, if there is a good answer.
    pub instead: Option<String>,
}

impl Mistake {
    /// A mistake at a byte range of `text`.
    #[must_use]
    pub fn at(file: &str, text: &str, span: Range<usize>, what: impl Into<String>) -> Self {
        let before = text.get(..span.start.min(text.len())).unwrap_or(text);
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        Mistake {
            file: file.to_owned(),
            line: before.matches('\n').count() + 1,
            column: before
                .get(line_start..)
                .map_or(0, |tail| tail.chars().count())
                + 1,
            what: what.into(),
            instead: None,
        }
    }

    /// A mistake of the TOML syntax or of its types, as the parser tells it.
    #[must_use]
    pub fn from_toml(file: &str, text: &str, error: &toml::de::Error) -> Self {
        let span = error.span().unwrap_or(0..0);
        Self::at(file, text, span, error.message().replace('\n', ", "))
    }

    /// Adds what to write instead.
    #[must_use]
    pub fn instead(mut self, instead: impl Into<String>) -> Self {
        self.instead = Some(instead.into());
        self
    }
}

impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{}:{}:{}: {}",
            self.file, self.line, self.column, self.what
        )?;
        match &self.instead {
            Some(instead) => write!(f, "; {instead}"),
            None => Ok(()),
        }
    }
}
