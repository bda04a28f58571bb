//! Which character set is assumed of whose reports.

use crate::backfill::way::SOURCE;
use crate::receive::WEB_SOURCE;
use crate::sr::FallbackCharset;
use std::collections::BTreeMap;

/// Prefix of the source of objects that came over an association; the calling AE title follows.
const DICOM: &str = "dicom:";

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
    pub fn of(&self, source: &str) -> Option<&FallbackCharset> {
        let set = match source.strip_prefix(DICOM) {
            Some(title) => self.senders.get(title).unwrap_or(&self.dicom),
            None if source.starts_with(SOURCE) || source.starts_with(WEB_SOURCE) => &self.dicom,
            None => &self.folder,
        };
        set.as_ref()
    }
}
