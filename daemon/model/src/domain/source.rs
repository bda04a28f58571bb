//! Where an object came from.

use std::convert::Infallible;
use std::fmt;
use std::str::FromStr;

/// Where an object came from. Its one text form ([`fmt::Display`], [`FromStr`]) is what the store keeps.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Source {
    /// An association; the calling AE title.
    Dicom(String),
    /// The history of an archive; its name.
    Archive(String),
    /// HTTP (STOW-RS); the address of the peer.
    Web(String),
    /// The drop folder.
    Folder,
    /// A file that was named on the command line.
    File,
    /// Typed by a person as measured.
    Entered,
    /// Brought in from a table of old values.
    Table,
    /// A text that is none of these, as a damaged row may hold.
    Unknown(String),
}

const DICOM: &str = "dicom";
const ARCHIVE: &str = "archive";
const WEB: &str = "web";
const FOLDER: &str = "folder";
const FILE: &str = "file";
const ENTERED: &str = "entered";
const TABLE: &str = "table";

impl Source {
    /// The source that a person names: what is none of the other kinds is an AE title.
    #[must_use]
    pub fn named(name: &str) -> Source {
        match Source::from(name) {
            Source::Unknown(title) => Source::Dicom(title),
            known => known,
        }
    }

    /// In one word, by which it is counted.
    #[must_use]
    pub fn kind(&self) -> &'static str {
        match self {
            Source::Dicom(_) => DICOM,
            Source::Archive(_) => ARCHIVE,
            Source::Web(_) => WEB,
            Source::Folder => FOLDER,
            Source::File => FILE,
            Source::Entered => ENTERED,
            Source::Table => TABLE,
            Source::Unknown(_) => "unknown",
        }
    }

    /// The calling AE title it came under, if it came by an association.
    #[must_use]
    pub fn ae_title(&self) -> Option<&str> {
        match self {
            Source::Dicom(title) => Some(title),
            _ => None,
        }
    }

    /// Who sent it, where somebody did: an AE title, an archive, an address.
    #[must_use]
    pub fn peer(&self) -> Option<&str> {
        match self {
            Source::Dicom(name) | Source::Archive(name) | Source::Web(name) => Some(name),
            Source::Folder
            | Source::File
            | Source::Entered
            | Source::Table
            | Source::Unknown(_) => None,
        }
    }
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Source::Unknown(text) => f.write_str(text),
            known => match known.peer() {
                Some(peer) => write!(f, "{}:{peer}", known.kind()),
                None => f.write_str(known.kind()),
            },
        }
    }
}

impl From<&str> for Source {
    fn from(text: &str) -> Self {
        let named = |kind| {
            text.strip_prefix(kind)?
                .strip_prefix(':')
                .map(str::to_owned)
        };
        match text {
            FOLDER => Source::Folder,
            FILE => Source::File,
            ENTERED => Source::Entered,
            TABLE => Source::Table,
            _ => named(DICOM)
                .map(Source::Dicom)
                .or_else(|| named(ARCHIVE).map(Source::Archive))
                .or_else(|| named(WEB).map(Source::Web))
                .unwrap_or_else(|| Source::Unknown(text.to_owned())),
        }
    }
}

impl FromStr for Source {
    type Err = Infallible;

    fn from_str(text: &str) -> Result<Self, Infallible> {
        Ok(text.into())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Stores of every shape hold these texts: they must not change.
    #[test]
    fn what_stores_hold_is_read_as_what_it_was() {
        for (text, source) in [
            ("dicom:CART1", Source::Dicom("CART1".into())),
            ("dicom:folder", Source::Dicom("folder".into())),
            ("archive:old", Source::Archive("old".into())),
            ("web:192.0.2.7", Source::Web("192.0.2.7".into())),
            ("web:2001:db8::7", Source::Web("2001:db8::7".into())),
            ("folder", Source::Folder),
            ("file", Source::File),
            ("entered", Source::Entered),
            ("table", Source::Table),
            ("", Source::Unknown(String::new())),
            ("folders", Source::Unknown("folders".into())),
        ] {
            assert_eq!(Source::from(text), source, "{text}");
            assert_eq!(source.to_string(), text);
        }
    }
}
