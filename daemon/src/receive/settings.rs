//! What an operator can set for receiving, with the defaults.

use serde::{Deserialize, Serialize};
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;

/// The network side: `[receive.dicom]`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct DicomSettings {
    /// Address and port to listen on. Port 11112 is the one registered for DICOM (PS3.8 9.1.1).
    pub listen: SocketAddr,
    /// Our own AE title, at most 16 characters.
    pub ae_title: String,
    /// Whether a caller may use any other called AE title as well.
    pub accept_any_called: bool,
    /// AE titles that may call; empty means anyone.
    pub calling_allowed: Vec<String>,
    /// Associations at one time. One more is told to try again later.
    pub max_associations: usize,
    /// Largest data set, bytes. A larger one ends its association.
    pub max_object_bytes: u64,
    /// Seconds a new connection has to ask for its association.
    pub association_timeout_s: u64,
    /// Seconds without a PDU after which an association is ended.
    pub idle_timeout_s: u64,
    /// Seconds from the first to the last byte of one message.
    pub message_timeout_s: u64,
    /// Issuer of patient ids that come without one; empty for none.
    pub default_issuer: String,
}

impl Default for DicomSettings {
    fn default() -> Self {
        DicomSettings {
            listen: SocketAddr::from((Ipv4Addr::LOCALHOST, 11112)),
            ae_title: "SHEATHLINE".to_owned(),
            accept_any_called: false,
            calling_allowed: Vec::new(),
            max_associations: 256,
            max_object_bytes: 64 << 20,
            association_timeout_s: 10,
            idle_timeout_s: 30,
            message_timeout_s: 120,
            default_issuer: String::new(),
        }
    }
}

/// What happens to a file of the drop folder once its content is kept.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum After {
    /// It goes to the subfolder `done`.
    #[default]
    Move,
    /// It is deleted.
    Delete,
}

/// The drop folder: `[receive.folder]`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct FolderSettings {
    /// The folder. It must exist; its subfolders `done` and `failed` are made.
    pub path: PathBuf,
    /// Milliseconds between two looks into the folder. Events of the file system only make it
    /// look sooner.
    pub scan_every_ms: u64,
    /// Milliseconds for which size and time of a file must not change before it is taken.
    pub settle_ms: u64,
    /// What happens to a file once its content is kept.
    pub after: After,
    /// Largest file, bytes. A larger one goes to `failed`.
    pub max_object_bytes: u64,
    /// Issuer of patient ids that come without one; empty for none.
    pub default_issuer: String,
}

impl Default for FolderSettings {
    fn default() -> Self {
        FolderSettings {
            path: PathBuf::from("drop"),
            scan_every_ms: 2000,
            settle_ms: 1000,
            after: After::Move,
            max_object_bytes: 64 << 20,
            default_issuer: String::new(),
        }
    }
}

/// Says what is wrong with an AE title, if anything: PS3.5 6.2 allows 1 to 16 characters of the
/// default repertoire without backslash and control characters, spaces around not counted.
#[must_use]
pub fn ae_title_problem(title: &str) -> Option<&'static str> {
    let title = title.trim_matches(' ');
    if title.is_empty() {
        Some("an AE title has at least one character that is not a space")
    } else if title.len() > 16 {
        Some("an AE title has at most 16 characters")
    } else if title
        .bytes()
        .any(|byte| !(b' '..=b'~').contains(&byte) || byte == b'\\')
    {
        Some("an AE title has only printable ASCII characters and no backslash")
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// PS3.5 6.2, value representation AE.
    #[test]
    fn ae_titles() {
        for good in ["A", " SCANNER 1 ", "0123456789ABCDEF", "a-b.c_d"] {
            assert_eq!(ae_title_problem(good), None, "{good}");
        }
        for bad in [
            "",
            "   ",
            "0123456789ABCDEFG",
            "A\\B",
            "A\u{7}",
            "Sch\u{e4}del",
        ] {
            assert!(ae_title_problem(bad).is_some(), "{bad}");
        }
    }

    #[test]
    fn unknown_keys_are_refused_and_defaults_fill_in() {
        let some: DicomSettings =
            toml::from_str("ae_title = 'EYES'\nlisten = '[::]:104'").expect("good");
        assert_eq!(some.ae_title, "EYES");
        assert_eq!(
            some.max_associations,
            DicomSettings::default().max_associations
        );
        assert!(toml::from_str::<DicomSettings>("ae_titel = 'EYES'").is_err());
        let folder: FolderSettings = toml::from_str("after = 'delete'").expect("good");
        assert_eq!(folder.after, After::Delete);
        assert!(toml::from_str::<FolderSettings>("after = 'burn'").is_err());
    }
}
