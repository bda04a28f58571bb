//! Facts that stand outside the content tree.

use crate::domain::{Moment, Sex};
use chrono::NaiveDate;

/// Document-level attributes, blanks removed, absent and empty alike `None`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Header {
    /// SOP Class UID (0008,0016).
    pub sop_class_uid: Option<String>,
    /// SOP Instance UID (0008,0018).
    pub sop_instance_uid: Option<String>,
    /// Study Instance UID (0020,000D).
    pub study_instance_uid: Option<String>,
    /// Patient ID (0010,0020).
    pub patient_id: Option<String>,
    /// Issuer of Patient ID (0010,0021).
    pub patient_issuer: Option<String>,
    /// Patient's Birth Date (0010,0030).
    pub birth_date: Option<NaiveDate>,
    /// Patient's Sex (0010,0040).
    pub sex: Option<Sex>,
    /// Study Date and Time (0008,0020), (0008,0030); midnight when only the date is given.
    pub study_at: Option<Moment>,
    /// Content Date and Time (0008,0023), (0008,0033).
    pub content_at: Option<Moment>,
    /// Timezone Offset From UTC (0008,0201), seconds.
    pub offset_s: Option<i32>,
    /// Manufacturer (0008,0070).
    pub manufacturer: Option<String>,
    /// Manufacturer's Model Name (0008,1090).
    pub model: Option<String>,
    /// Device Serial Number (0018,1000).
    pub serial: Option<String>,
    /// First of Operators' Name (0008,1070).
    pub operator: Option<String>,
    /// Accession Number (0008,0050).
    pub accession: Option<String>,
    /// Completion Flag (0040,A491).
    pub completion: Option<String>,
    /// Preliminary Flag (0040,A496).
    pub preliminary: Option<String>,
    /// Referenced SOP Instance UIDs of Predecessor Documents Sequence (0040,A360), sorted.
    pub predecessors: Vec<String>,
}
