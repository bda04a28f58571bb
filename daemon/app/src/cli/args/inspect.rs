//! Commands that show what the store holds.

use super::{ConfigArg, OptionalConfigArg, PatientArg};
use clap::{Args, ValueEnum};
use sheathline_model::domain::Eye;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(in crate::cli) struct StatusArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Only ask whether the daemon is ready: exit code 0 or 1, for health checks.
    #[arg(long)]
    pub(in crate::cli) probe: bool,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct ExplainArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// SOP Instance UID of a report, or Study Instance UID or exam id of an exam.
    #[arg(value_name = "REPORT|EXAM")]
    pub(in crate::cli) uid: String,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct HistoryArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    #[command(flatten)]
    pub(in crate::cli) patient: PatientArg,
    /// SVG file to write: a picture of the exams.
    #[arg(short, long, alias = "svg", value_name = "FILE")]
    pub(in crate::cli) output: Option<PathBuf>,
    /// Eye to draw.
    #[arg(long, value_enum, value_name = "EYE", default_value_t = EyeChoice::Both, requires = "output")]
    pub(in crate::cli) eye: EyeChoice,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

/// Which eyes a picture shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(in crate::cli) enum EyeChoice {
    /// The right eye with its own expected band.
    Right,
    /// The left eye with its own expected band.
    Left,
    /// Both eyes, and what was compared of them.
    Both,
}

impl From<EyeChoice> for Option<Eye> {
    fn from(choice: EyeChoice) -> Self {
        match choice {
            EyeChoice::Right => Some(Eye::Right),
            EyeChoice::Left => Some(Eye::Left),
            EyeChoice::Both => None,
        }
    }
}

#[derive(Debug, Args)]
pub(in crate::cli) struct RenderArgs {
    /// A result.json, or the exam id or Study Instance UID of an exam in the store.
    #[arg(value_name = "RESULT_JSON|EXAM")]
    pub(in crate::cli) result: String,
    /// Form to write.
    #[arg(long, value_enum, value_name = "FORM")]
    pub(in crate::cli) form: FormChoice,
    /// File to write.
    #[arg(short, long, value_name = "FILE")]
    pub(in crate::cli) output: PathBuf,
    #[command(flatten)]
    pub(in crate::cli) config: OptionalConfigArg,
    /// Report that a result.json rests on; may be given more than once.
    ///
    /// Patient, study and references are taken from it.
    #[arg(long, value_name = "REPORT_DCM")]
    pub(in crate::cli) source: Vec<PathBuf>,
    /// Version that a result.json replaces.
    #[arg(long, value_name = "RESULT_JSON")]
    pub(in crate::cli) previous: Option<PathBuf>,
}

/// A form of a result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(in crate::cli) enum FormChoice {
    /// Comprehensive SR by TID 1500, a DICOM file.
    Sr,
    /// The page as PDF.
    Pdf,
    /// The page as Encapsulated PDF, a DICOM file.
    PdfDicom,
    /// HL7 v2.5.1 ORU^R01.
    Hl7,
    /// FHIR R4 transaction, JSON.
    Fhir,
    /// A row for each value and each assessment.
    Csv,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct QuarantineArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Number of one object, as the list shows it.
    #[arg(value_name = "OBJECT")]
    pub(in crate::cli) object: Option<i64>,
    /// Whose reports: an AE title, or folder, archive:NAME, web:ADDRESS.
    #[arg(long, value_name = "NAME", conflicts_with = "object")]
    pub(in crate::cli) sender: Option<String>,
    /// File to write: the bytes of that object, exactly as received.
    #[arg(short, long, alias = "save", value_name = "FILE", requires = "object")]
    pub(in crate::cli) output: Option<PathBuf>,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct UnmappedArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct CalibrateArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// New file to write: the proposed [baseline]; the configuration stays as it is.
    #[arg(short, long, alias = "write", value_name = "FILE")]
    pub(in crate::cli) output: Option<PathBuf>,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}
