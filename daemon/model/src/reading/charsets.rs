//! Which character set is assumed of whose reports.

use crate::domain::Source;
use crate::sr::FallbackCharset;
use std::collections::BTreeMap;

/// Character sets for reports that declare none, by where they came from. Asked when an object is
/// read, not when it is received, so that a site can name a set later.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Charsets {
    /// From the drop folder.
    pub folder: Option<FallbackCharset>,
    /// From senders that are not listed, from archives and over HTTP.
    pub dicom: Option<FallbackCharset>,
    /// From senders by their calling AE title.
    pub senders: BTreeMap<String, Option<FallbackCharset>>,
}

impl Charsets {
    /// Of a stored object, by its source.
    #[must_use]
    pub fn of(&self, source: &Source) -> Option<&FallbackCharset> {
        let set = match source {
            Source::Dicom(title) => self.senders.get(title).unwrap_or(&self.dicom),
            Source::Archive(_) | Source::Web(_) => &self.dicom,
            Source::Folder | Source::File | Source::Unknown(_) => &self.folder,
            // They declare their set.
            Source::Entered | Source::Table => return None,
        };
        set.as_ref()
    }
}
