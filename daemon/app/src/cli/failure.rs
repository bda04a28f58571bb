//! Why a command did not do what was asked: a code, the words for the user, the error beneath.

mod cause;

pub(crate) use cause::Cause;

use serde::Serialize;
use sheathline_store::spool::Spool;
use sheathline_store::{Store, StoreError};
use std::error::Error;
use std::path::Path;

/// What kind of failure it is, as [`Code::meaning`] says; the exit code follows from it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum Code {
    Usage,
    Configuration,
    NotFound,
    Ambiguous,
    Refused,
    NotConfirmed,
    CheckFailed,
    Incomplete,
    NotMade,
    File,
    Store,
    StoreInDoubt,
    Outbox,
    AuditTrail,
    Listen,
    Peer,
    NotReady,
    System,
}

impl Code {
    /// All of them, as the manual lists them.
    pub(crate) const ALL: [Code; 18] = [
        Code::Usage,
        Code::Configuration,
        Code::NotFound,
        Code::Ambiguous,
        Code::Refused,
        Code::NotConfirmed,
        Code::CheckFailed,
        Code::Incomplete,
        Code::NotMade,
        Code::File,
        Code::Store,
        Code::StoreInDoubt,
        Code::Outbox,
        Code::AuditTrail,
        Code::Listen,
        Code::Peer,
        Code::NotReady,
        Code::System,
    ];

    /// The word that scripts and logs see. It never changes.
    #[must_use]
    pub(crate) fn word(self) -> &'static str {
        match self {
            Code::Usage => "usage",
            Code::Configuration => "configuration",
            Code::NotFound => "not-found",
            Code::Ambiguous => "ambiguous",
            Code::Refused => "refused",
            Code::NotConfirmed => "not-confirmed",
            Code::CheckFailed => "check-failed",
            Code::Incomplete => "incomplete",
            Code::NotMade => "not-made",
            Code::File => "file",
            Code::Store => "store",
            Code::StoreInDoubt => "store-in-doubt",
            Code::Outbox => "outbox",
            Code::AuditTrail => "audit-trail",
            Code::Listen => "listen",
            Code::Peer => "peer",
            Code::NotReady => "not-ready",
            Code::System => "system",
        }
    }

    /// What it means, for the manual.
    pub(crate) fn meaning(self) -> &'static str {
        match self {
            Code::Usage => "The command line is wrong, or a file named there cannot be used.",
            Code::Configuration => "The configuration, or a file that it names, has a mistake.",
            Code::NotFound => {
                "Nothing has the name that was given, or nothing is as it was asked for."
            }
            Code::Ambiguous => "The name that was given means several; the message lists them.",
            Code::Refused => "What is recorded already speaks against it.",
            Code::NotConfirmed => "A person has to confirm it, and nobody did; nothing was done.",
            Code::CheckFailed => "What was checked did not pass.",
            Code::Incomplete => "A part was not done; the message says which, and what to do.",
            Code::NotMade => "A result, a form or an estimate cannot be calculated or written.",
            Code::File => "A file or a folder cannot be read or written.",
            Code::Store => "The store did not do what was asked.",
            Code::StoreInDoubt => {
                "The disk failed, or the store is not the one that was here: look at the disk, then start again."
            }
            Code::Outbox => "The outbox cannot be written, or belongs to another store.",
            Code::AuditTrail => {
                "The audit trail cannot be written or sent, so nothing is done that it would have to record."
            }
            Code::Listen => "An address cannot be listened on.",
            Code::Peer => "Another system does not answer, or refuses.",
            Code::NotReady => "The daemon does not answer, or is not ready.",
            Code::System => {
                "The system gives no thread, signal or stream, or the program failed; please report the latter."
            }
        }
    }

    /// The exit code: 2 for usage and configuration, 74 (EX_IOERR of sysexits.h) for a store in
    /// doubt, 1 for anything else. The unit of the service starts again after 1 alone.
    #[must_use]
    pub(crate) fn exit(self) -> u8 {
        match self {
            Code::Usage | Code::Configuration => 2,
            Code::StoreInDoubt => 74,
            _ => 1,
        }
    }
}

/// Why a command did not do what was asked. It displays as the words for the user; where an error
/// lies beneath, that is its source.
#[derive(Debug, thiserror::Error)]
#[error("{words}")]
pub(crate) struct Failure {
    code: Code,
    words: String,
    #[source]
    source: Option<Box<dyn Error + Send + Sync>>,
}

/// A failure as `--json` prints it, to standard error.
#[derive(Serialize)]
pub(super) struct Line<'a> {
    /// [`Code::word`].
    code: &'static str,
    /// The words for the user.
    error: &'a str,
}

impl Failure {
    /// What kind of failure it is.
    #[must_use]
    pub(crate) fn code(&self) -> Code {
        self.code
    }

    /// A failure in words of ours; nothing failed beneath.
    pub(crate) fn new(code: Code, words: impl Into<String>) -> Self {
        Failure {
            code,
            words: words.into(),
            source: None,
        }
    }

    /// Wrong usage.
    pub(crate) fn usage(words: impl Into<String>) -> Self {
        Failure::new(Code::Usage, words)
    }

    /// A mistake of the configuration.
    pub(crate) fn configuration(words: impl Into<String>) -> Self {
        Failure::new(Code::Configuration, words)
    }

    /// Something beneath failed, in its own words.
    pub(crate) fn of(code: Code, error: impl Into<Box<dyn Error + Send + Sync>>) -> Self {
        let source = error.into();
        Failure {
            code,
            words: source.to_string(),
            source: Some(source),
        }
    }

    /// What failed at a file or a folder: "PATH: WHY".
    pub(crate) fn at(path: &Path, error: impl Into<Box<dyn Error + Send + Sync>>) -> Self {
        Failure::of(Code::File, error).told_of(path.display())
    }

    /// A store that takes nothing more, if it does not.
    pub(crate) fn of_doubt(store: &Store) -> Option<Self> {
        let why = store.doubt()?.to_owned();
        Some(Failure::from(StoreError::InDoubt { why }))
    }

    /// The same for a spool.
    pub(crate) fn of_doubt_of_spool(spool: &Spool) -> Option<Self> {
        let why = spool.doubt()?.to_owned();
        Some(Failure::from(StoreError::InDoubt { why }).told_of("the spool"))
    }

    /// The same failure with what it is about before its words.
    pub(crate) fn told_of(mut self, what: impl std::fmt::Display) -> Self {
        self.words = format!("{what}: {}", self.words);
        self
    }

    /// The same failure with advice behind its words: the source and the code stay.
    pub(crate) fn advised(mut self, advice: &str) -> Self {
        self.words.push_str(advice);
        self
    }

    pub(super) fn line(&self) -> Line<'_> {
        Line {
            code: self.code.word(),
            error: &self.words,
        }
    }
}

impl<E: Cause> From<E> for Failure {
    fn from(error: E) -> Self {
        Failure::of(error.code(), error)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;
    use std::io;

    #[test]
    fn every_code_has_a_word_of_its_own_in_kebab_case() {
        let words: Vec<&str> = Code::ALL.into_iter().map(Code::word).collect();
        let is_kebab = |word: &&str| {
            let mut parts = word.split('-');
            parts.all(|part| !part.is_empty() && part.bytes().all(|b| b.is_ascii_lowercase()))
        };
        assert!(words.iter().all(is_kebab), "{words:?}");
        assert_eq!(words.iter().collect::<HashSet<_>>().len(), words.len());
    }

    #[test]
    fn the_exit_code_follows_from_the_error() {
        let exit = |failure: Failure| failure.code().exit();
        let why = || "torn".to_owned();
        assert_eq!(exit(StoreError::InDoubt { why: why() }.into()), 74);
        assert_eq!(exit(StoreError::Busy.into()), 1);
        assert_eq!(exit(Failure::usage("wrong")), 2);
        assert_eq!(exit(Failure::configuration("wrong")), 2);
        let error = io::Error::from(io::ErrorKind::NotFound);
        assert_eq!(exit(error.into()), 1);
    }

    /// A store in doubt is one however deep the error lies.
    #[test]
    fn an_error_of_a_step_has_the_code_of_what_failed_beneath_it() {
        use crate::outbox::PublishError;
        use crate::pipeline::PipelineError;
        let doubt = || StoreError::InDoubt {
            why: "torn".to_owned(),
        };
        let of_step = PipelineError::Publish(PublishError::Store(doubt()));
        assert_eq!(Failure::from(of_step).code(), Code::StoreInDoubt);
        let of_step = PipelineError::Publish(PublishError::NotTold);
        assert_eq!(Failure::from(of_step).code(), Code::AuditTrail);
        let of_step = PipelineError::Store(StoreError::Busy);
        assert_eq!(Failure::from(of_step).code(), Code::Store);
    }

    #[test]
    fn the_error_beneath_stays_the_source_and_the_words_stay_as_they_are() {
        let error = io::Error::from(io::ErrorKind::PermissionDenied);
        let expected = format!("/srv/a: {error}; ask");
        let failure = Failure::at(Path::new("/srv/a"), error).advised("; ask");
        assert_eq!(failure.to_string(), expected);
        let source = failure.source().and_then(|s| s.downcast_ref::<io::Error>());
        assert_eq!(
            source.map(io::Error::kind),
            Some(io::ErrorKind::PermissionDenied)
        );
        assert!(Failure::usage("no").source().is_none());
    }
}
