//! Commands that show what the store holds.

use super::{ConfigArg, PatientArg};
use clap::{Args, ValueEnum};
use sheathline_model::domain::Eye;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(in crate::cli) struct StatusArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Only ask the running daemon whether it is ready: exit code 0 or 1. For health checks.
    #[arg(long)]
    pub(in crate::cli) probe: bool,
    /// Print JSON.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct ExplainArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// SOP Instance UID, Study Instance UID or exam id.
    pub(in crate::cli) uid: String,
    /// Print JSON.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct HistoryArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    #[command(flatten)]
    pub(in crate::cli) patient: PatientArg,
    /// Draw the exams into this file.
    #[arg(long, value_name = "FILE")]
    pub(in crate::cli) svg: Option<PathBuf>,
    /// The eye to draw.
    #[arg(long, value_enum, default_value_t = EyeChoice::Both, requires = "svg")]
    pub(in crate::cli) eye: EyeChoice,
    /// Print JSON Lines, one exam a line.
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
    /// A `result.json`; or an exam id or Study Instance UID, whose newest result is taken from the
    /// store.
    #[arg(value_name = "RESULT_JSON|EXAM")]
    pub(in crate::cli) result: String,
    /// The form.
    #[arg(long, value_enum)]
    pub(in crate::cli) form: FormChoice,
    /// The file to write.
    #[arg(short, long, value_name = "FILE")]
    pub(in crate::cli) output: PathBuf,
    /// Configuration file; only for an exam.
    #[arg(long, value_name = "FILE", env = "SHEATHLINE_CONFIG")]
    pub(in crate::cli) config: Option<PathBuf>,
    /// A report that a result.json rests on: patient, study and references are taken from it. May
    /// be given more than once.
    #[arg(long, value_name = "REPORT_DCM")]
    pub(in crate::cli) source: Vec<PathBuf>,
    /// The version that a result.json replaces.
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
    /// Number of the object, as the list shows it.
    pub(in crate::cli) object: Option<i64>,
    /// Save its bytes, exactly as received.
    #[arg(long, value_name = "FILE", requires = "object")]
    pub(in crate::cli) save: Option<PathBuf>,
    /// Print JSON Lines.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct UnmappedArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Print JSON Lines, one code a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct CalibrateArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Write the proposed [baseline] table to this new file; the configuration stays as it is.
    #[arg(long, value_name = "FILE")]
    pub(in crate::cli) write: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}
