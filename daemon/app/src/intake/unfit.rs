//! Why an object may not come the way it came: the one table.

use sheathline_model::sr::{ReadError, gate};
use sheathline_net::dicom::dimse::Status;
use std::fmt;

/// Why an object is refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unfit {
    /// The data set is of another class than it was announced as.
    ClassDiffers,
    /// The data set is another instance than it was announced as.
    InstanceDiffers,
    /// It is of another study than the request names.
    StudyDiffers,
    /// It cannot be read, and whoever sends it asked to be told; the code of the reason.
    Malformed(&'static str),
    /// It is no DICOM file that an answer could name.
    NotAFile,
    /// It has no valid SOP Instance UID.
    Nameless,
    /// Its class is not taken this way.
    Class,
    /// Its transfer syntax is not taken this way.
    Syntax,
    /// It is larger than allowed.
    TooLarge {
        /// Its size in bytes, where it is known.
        bytes: Option<u64>,
        /// The limit in bytes.
        limit: u64,
    },
    /// There is no room for one more large object now.
    NoRoom,
    /// It has no bytes.
    Empty,
}

impl Unfit {
    /// Whether an object is what it was announced as: kept, it would be found under another name than
    /// the one that is acknowledged. What the data set does not say differs from nothing.
    ///
    /// # Errors
    /// It is another one.
    pub fn unless_named(
        bytes: &[u8],
        syntax: Option<&str>,
        class: Option<&str>,
        instance: &str,
    ) -> Result<(), Unfit> {
        let named = gate::named(bytes, syntax);
        let differs =
            |said: &Option<String>, as_what| said.as_ref().is_some_and(|said| said != as_what);
        if class.is_some_and(|class| differs(&named.class, class)) {
            return Err(Unfit::ClassDiffers);
        }
        if differs(&named.instance, instance) {
            Err(Unfit::InstanceDiffers)
        } else {
            Ok(())
        }
    }

    /// What cannot be read.
    #[must_use]
    pub fn malformed(error: &ReadError) -> Unfit {
        Unfit::Malformed(error.code().listed())
    }

    /// Short code of the reason, for the log.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Unfit::ClassDiffers => "class-differs",
            Unfit::InstanceDiffers => "instance-differs",
            Unfit::StudyDiffers => "study-differs",
            Unfit::Malformed(code) => code,
            Unfit::NotAFile => "not-a-file",
            Unfit::Nameless => "nameless",
            Unfit::Class => "class-not-taken",
            Unfit::Syntax => "syntax-not-taken",
            Unfit::TooLarge { .. } => "too-large",
            Unfit::NoRoom => "no-room",
            Unfit::Empty => "empty",
        }
    }

    /// What the audit trail says of it: always the same, so nothing of a patient.
    #[must_use]
    pub fn says(self) -> &'static str {
        match self {
            Unfit::ClassDiffers | Unfit::InstanceDiffers => {
                "refused: the data set is another than the request names"
            }
            Unfit::StudyDiffers => "refused: it is of another study than the request names",
            Unfit::Malformed(_) => "refused: not what this sender may send",
            Unfit::NotAFile => "refused: no DICOM file",
            Unfit::Nameless => "refused: no valid SOP Instance UID",
            Unfit::Class => "refused: its class is not taken",
            Unfit::Syntax => "refused: its transfer syntax is not taken",
            Unfit::TooLarge { .. } => "refused: it is larger than allowed",
            Unfit::NoRoom => "refused: too many large objects at once",
            Unfit::Empty => "refused: it has no bytes",
        }
    }

    /// The answer to a C-STORE (PS3.4 B.2.3) or to a part of STOW-RS.
    #[must_use]
    pub fn status(self) -> Status {
        match self {
            Unfit::ClassDiffers | Unfit::InstanceDiffers => Status::NotOfItsClass,
            Unfit::StudyDiffers => Status::NotOfItsStudy,
            Unfit::Malformed(_) | Unfit::NotAFile | Unfit::Empty => Status::NotUnderstood,
            Unfit::Nameless => Status::InvalidInstance,
            Unfit::Class => Status::ClassNotSupported,
            Unfit::Syntax => Status::SyntaxNotSupported,
            Unfit::TooLarge { .. } | Unfit::NoRoom => Status::TooManyLarge,
        }
    }
}

/// In words, for the person who has to act.
impl fmt::Display for Unfit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Unfit::TooLarge {
                bytes: Some(bytes),
                limit,
            } => write!(f, "{bytes} bytes are more than the {limit} allowed"),
            Unfit::TooLarge { bytes: None, limit } => {
                write!(f, "it is larger than the {limit} bytes allowed")
            }
            Unfit::Empty => f.write_str("the file is empty"),
            other => f.write_str(other.says()),
        }
    }
}
