//! What stands in an export folder and how far it goes. The manifest is written last: a file that it
//! does not name is left over from a run that was cut off.

use super::deidentify::cells::Counted;
use super::deidentify::standard::Method;
use super::tables::Table;
use serde::{Deserialize, Serialize};

/// Name of the shape of the manifest; a change that breaks readers changes the number.
pub(crate) const SCHEMA: &str = "sheathline-export-2";

/// The manifest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Manifest {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// The program that wrote it last.
    pub software: String,
    /// The line that stands on everything this project prints.
    pub notice: String,
    /// Whether rows stand as they are in the store, with identities.
    pub identified: bool,
    /// What was done so that they do not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub deidentified: Option<Summary>,
    /// How far the history goes.
    pub through: Through,
    /// Parts of the history so far.
    pub parts: u32,
    /// Damaged versions that were left out so far; later versions make them good.
    pub damaged: u64,
    /// Files of the history, in the order they were written.
    pub history: Vec<File>,
    /// How far the current view goes; absent while it is written.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub current_through: Option<Through>,
    /// Files of the current view.
    pub current: Vec<File>,
    /// How far the FHIR resources go; absent while they are written, or never were.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fhir_through: Option<Through>,
    /// Their files.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub fhir: Vec<Resources>,
}

/// A file of FHIR resources of one type.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Resources {
    /// Its place in the folder, with `/`.
    pub path: String,
    /// Type of the resources.
    pub kind: String,
    /// Resources, one a line.
    pub rows: u64,
    /// Length.
    pub bytes: u64,
    /// SHA-256, hex.
    pub sha256: String,
}

/// How far an export goes: the last version of a result and the last reading of an object that it
/// knows, by their numbers in the store. What stands at those numbers tells whether it is that store.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Through {
    /// Number of the version.
    pub result: i64,
    /// Key of the version at that number.
    pub result_key: String,
    /// Number of the change of an object's reading.
    pub reading: i64,
    /// The object of that change.
    pub reading_object: i64,
    /// Number of the last entry of what people said; of exports before there were such tables 0.
    #[serde(default)]
    pub entry: i64,
}

/// How identities were taken out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Summary {
    /// Profile and options of DICOM PS3.15 Annex E.
    pub methods: Vec<Method>,
    /// Version of the rules: exports of one key and one rule have the same dates. Of exports before
    /// there were versions 1, whose shifts can be worked out from the files themselves.
    #[serde(default = "first_rule")]
    pub rule: u32,
    /// Which key: exports of one key can be joined.
    pub key_id: String,
    /// Fewest and most days by which a patient's dates go back.
    pub days_back: (u64, u64),
    /// Days back are a multiple of this.
    #[serde(default = "one_day")]
    pub days_step: u64,
    /// Ages from here on are told as this one, years.
    pub oldest_years: f64,
    /// Small cells.
    #[serde(flatten)]
    pub counted: Counted,
}

fn first_rule() -> u32 {
    1
}

fn one_day() -> u64 {
    1
}

/// One file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct File {
    /// Its place in the folder, with `/`.
    pub path: String,
    /// Which table.
    pub table: Table,
    /// How it is written.
    pub format: Format,
    /// Rows, without the line of names.
    pub rows: u64,
    /// Length.
    pub bytes: u64,
    /// SHA-256, hex.
    pub sha256: String,
}

/// How a file is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Format {
    /// RFC 4180.
    Csv,
    /// Apache Parquet, zstd.
    Parquet,
}

impl Manifest {
    /// Of an empty folder.
    #[must_use]
    pub(crate) fn new(identified: bool) -> Self {
        Manifest {
            schema: SCHEMA.to_owned(),
            software: super::stored::SOFTWARE.to_owned(),
            notice: sheathline_model::results::cautions::NOT_A_DEVICE.to_owned(),
            identified,
            deidentified: None,
            through: Through::default(),
            parts: 0,
            damaged: 0,
            history: Vec::new(),
            current_through: None,
            current: Vec::new(),
            fhir_through: None,
            fhir: Vec::new(),
        }
    }
}
