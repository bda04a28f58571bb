//! Commands by which people enter what no scanner sends.

use super::{ConfigArg, WhoArgs};
use chrono::{NaiveDate, NaiveTime};
use clap::{Args, ValueEnum};
use sheathline_model::entered::{DecimalMark, Unit};
use std::path::PathBuf;

/// Unit of widths.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(in crate::cli) enum UnitChoice {
    /// Millimetres.
    Mm,
    /// Centimetres.
    Cm,
}

impl From<UnitChoice> for Unit {
    fn from(choice: UnitChoice) -> Self {
        match choice {
            UnitChoice::Mm => Unit::Mm,
            UnitChoice::Cm => Unit::Cm,
        }
    }
}

/// Borders of the sheath.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(in crate::cli) enum BorderChoice {
    /// Outside the dark dural line.
    Outer,
    /// Inside the dura.
    Inner,
}

/// Decimal mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(in crate::cli) enum DecimalChoice {
    /// 5.6
    Point,
    /// 5,6
    Comma,
}

impl From<DecimalChoice> for DecimalMark {
    fn from(choice: DecimalChoice) -> Self {
        match choice {
            DecimalChoice::Point => DecimalMark::Point,
            DecimalChoice::Comma => DecimalMark::Comma,
        }
    }
}

/// What a row of a table is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(in crate::cli) enum RowsChoice {
    /// One exam: columns right, left, right_2 and so on.
    Exams,
    /// One reading: columns eye and value.
    Readings,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct MeasureArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    #[command(flatten)]
    pub(in crate::cli) who: WhoArgs,
    /// Patient id, as the reports have it or will have it.
    #[arg(value_name = "PATIENT", required_unless_present = "withdraw")]
    pub(in crate::cli) patient: Option<String>,
    /// Issuer of the patient id; needed where several issuers have that id.
    #[arg(long, value_name = "ISSUER")]
    pub(in crate::cli) issuer: Option<String>,
    /// Birth date, YYYY-MM-DD: the second identifier.
    #[arg(long, value_name = "DAY", required_unless_present = "withdraw")]
    pub(in crate::cli) birth_date: Option<NaiveDate>,
    /// Day it was measured, YYYY-MM-DD.
    #[arg(long, value_name = "DAY", required_unless_present = "withdraw")]
    pub(in crate::cli) on: Option<NaiveDate>,
    /// Time it was measured, HH:MM; left out: not known.
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub(in crate::cli) at: Option<NaiveTime>,
    /// Reading of the right eye: VALUE, or VALUE:PLANE:DEPTH:ANGLE; up to five.
    ///
    /// PLANE is transverse, sagittal or oblique; DEPTH in mm behind the globe; ANGLE in degrees. What is
    /// not known stays empty: 5.2::3.0
    #[arg(long, value_name = "READING")]
    pub(in crate::cli) right: Vec<String>,
    /// Reading of the left eye, likewise.
    #[arg(long, value_name = "READING")]
    pub(in crate::cli) left: Vec<String>,
    /// Unit of every width.
    #[arg(long, value_enum, default_value = "mm", value_name = "UNIT")]
    pub(in crate::cli) unit: UnitChoice,
    /// Borders between which it was measured.
    #[arg(long, value_enum, value_name = "BORDER")]
    pub(in crate::cli) border: Option<BorderChoice>,
    /// Who measured; left out: not known. The author's own name: verified by who measured.
    #[arg(long, value_name = "NAME")]
    pub(in crate::cli) measured_by: Option<String>,
    /// Maker of the machine.
    #[arg(long, value_name = "NAME")]
    pub(in crate::cli) manufacturer: Option<String>,
    /// Model of the machine.
    #[arg(long, value_name = "NAME")]
    pub(in crate::cli) model: Option<String>,
    /// Serial number of the machine.
    #[arg(long, value_name = "NUMBER")]
    pub(in crate::cli) serial: Option<String>,
    /// Accession number.
    #[arg(long, value_name = "NUMBER")]
    pub(in crate::cli) accession: Option<String>,
    /// Name of the patient, in DICOM's order: family^given.
    #[arg(long, value_name = "NAME")]
    pub(in crate::cli) patient_name: Option<String>,
    /// Sex of the patient: F, M or O.
    #[arg(long, value_name = "LETTER")]
    pub(in crate::cli) sex: Option<String>,
    /// Record it was copied from; left out: signed as measured.
    #[arg(long, value_name = "TEXT")]
    pub(in crate::cli) transcribed_from: Option<String>,
    /// SOP Instance UID of the typed report that this one corrects.
    #[arg(long, value_name = "UID")]
    pub(in crate::cli) correct: Option<String>,
    /// Number of a table, or SOP Instance UID of a typed report, to take back.
    #[arg(
        long,
        alias = "take-back",
        value_name = "WHICH",
        conflicts_with_all = ["patient", "right", "left", "correct"]
    )]
    pub(in crate::cli) withdraw: Option<String>,
    /// Sign or bring in although something is to be looked at once more.
    #[arg(long)]
    pub(in crate::cli) accept_doubts: bool,
    /// Show what would be done; do nothing.
    #[arg(long)]
    pub(in crate::cli) dry_run: bool,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct BringInArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    #[command(flatten)]
    pub(in crate::cli) who: WhoArgs,
    /// CSV table of old values, UTF-8; its first line names the columns.
    #[arg(
        value_name = "FILE",
        required_unless_present_any = ["withdraw", "list"],
        conflicts_with_all = ["withdraw", "list"]
    )]
    pub(in crate::cli) file: Option<PathBuf>,
    /// Unit of every width in the table.
    #[arg(
        long = "in-unit",
        alias = "unit",
        value_enum,
        value_name = "UNIT",
        required_unless_present_any = ["withdraw", "list"]
    )]
    pub(in crate::cli) unit: Option<UnitChoice>,
    /// How dates are written: iso, or a form such as %d.%m.%Y.
    #[arg(
        long,
        value_name = "FORM",
        required_unless_present_any = ["withdraw", "list"]
    )]
    pub(in crate::cli) dates: Option<String>,
    /// What a row is.
    #[arg(long, value_enum, default_value = "exams", value_name = "WHAT")]
    pub(in crate::cli) rows: RowsChoice,
    /// Between two columns: comma, semicolon or tab.
    #[arg(long, default_value = "comma", value_name = "WORD", value_parser = separator)]
    pub(in crate::cli) separator: char,
    /// Decimal mark: point or comma.
    #[arg(long, value_enum, default_value = "point", value_name = "MARK")]
    pub(in crate::cli) decimal: DecimalChoice,
    /// What a column is called in the table: COLUMN=NAME; may be given more than once.
    #[arg(long, value_name = "COLUMN=NAME")]
    pub(in crate::cli) column: Vec<String>,
    /// Name of a column that is not to be read; may be given more than once.
    #[arg(long, value_name = "NAME")]
    pub(in crate::cli) ignore: Vec<String>,
    /// Issuer of ids for which the table names none; left out: that of [receive.dicom].
    #[arg(long, value_name = "ISSUER")]
    pub(in crate::cli) default_issuer: Option<String>,
    /// Lines to leave out, separated by commas.
    #[arg(long, value_name = "LINES", value_delimiter = ',')]
    pub(in crate::cli) leave_out: Vec<u64>,
    /// Number of a table, or SOP Instance UID of a typed report, to take back.
    #[arg(long, alias = "take-back", value_name = "WHICH")]
    pub(in crate::cli) withdraw: Option<String>,
    /// List the tables that were brought in.
    #[arg(long, conflicts_with = "withdraw")]
    pub(in crate::cli) list: bool,
    /// Sign or bring in although something is to be looked at once more.
    #[arg(long)]
    pub(in crate::cli) accept_doubts: bool,
    /// End only once all results are made.
    ///
    /// Without it those of more than 500 exams are left to the service.
    #[arg(long, conflicts_with_all = ["list", "dry_run"])]
    pub(in crate::cli) wait: bool,
    /// Show what would be done; do nothing.
    #[arg(long)]
    pub(in crate::cli) dry_run: bool,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

fn time(text: &str) -> Result<NaiveTime, String> {
    let forms = ["%H:%M", "%H:%M:%S"];
    let mut read = forms.iter();
    let read = read.find_map(|form| NaiveTime::parse_from_str(text, form).ok());
    read.ok_or_else(|| "write HH:MM".to_owned())
}

fn separator(text: &str) -> Result<char, String> {
    match text {
        "comma" | "," => Ok(','),
        "semicolon" | ";" => Ok(';'),
        "tab" | "\t" => Ok('\t'),
        _ => Err("write comma, semicolon or tab".to_owned()),
    }
}
