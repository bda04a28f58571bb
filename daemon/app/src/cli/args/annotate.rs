//! Commands by which people tell what they know.

use super::{ConfigArg, OptionalPeriodArgs, PatientArg};
use chrono::NaiveDate;
use clap::{Args, Subcommand};
use std::path::PathBuf;

/// Who says something, and why.
#[derive(Debug, Args)]
pub(in crate::cli) struct WhoArgs {
    /// Author, by name or account; the user of this system when left out.
    #[arg(long, value_name = "NAME")]
    pub(in crate::cli) author: Option<String>,
    /// Reason, for whoever reads the record later.
    #[arg(long, value_name = "TEXT")]
    pub(in crate::cli) reason: Option<String>,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct LabelArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    #[command(flatten)]
    pub(in crate::cli) who: WhoArgs,
    /// Exams by exam id or Study Instance UID, then the label.
    ///
    /// The label: well, raised_ruled_out, raised_confirmed, after_decompression, or none to take a
    /// label back. A Study Instance UID names an exam where the study is one exam.
    #[arg(
        value_name = "EXAM... LABEL",
        required_unless_present_any = ["table", "take_back"],
        conflicts_with_all = ["table", "take_back"]
    )]
    pub(in crate::cli) words: Vec<String>,
    /// CSV table of labels; with a mistake in it nothing is recorded.
    ///
    /// Its first line names the columns: exam_id or study_instance_uid, and label; reason and author
    /// if wanted.
    #[arg(long, value_name = "FILE", conflicts_with = "take_back")]
    pub(in crate::cli) table: Option<PathBuf>,
    /// Number of an entry to take back; may be given more than once.
    #[arg(long, value_name = "ENTRY")]
    pub(in crate::cli) take_back: Vec<i64>,
    /// Show what would be done; do nothing.
    #[arg(long)]
    pub(in crate::cli) dry_run: bool,
    /// Do not ask again where a flag would be lost or a flagged exam would join the baseline.
    #[arg(long)]
    pub(in crate::cli) yes: bool,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct PressureArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    #[command(flatten)]
    pub(in crate::cli) who: WhoArgs,
    /// Exam id, or Study Instance UID where the study is one exam.
    #[arg(value_name = "EXAM")]
    pub(in crate::cli) exam: String,
    /// Pressure, such as 32 or 32.5; none takes it back.
    #[arg(value_name = "VALUE")]
    pub(in crate::cli) value: String,
    /// Unit: cm[H2O], mm[Hg], kPa or mm[H2O].
    #[arg(value_name = "UNIT")]
    pub(in crate::cli) unit: Option<String>,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct EventArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    #[command(flatten)]
    pub(in crate::cli) who: WhoArgs,
    #[command(flatten)]
    pub(in crate::cli) patient: PatientArg,
    /// Day of the event, YYYY-MM-DD: not in the future, not before birth.
    #[arg(value_name = "DAY")]
    pub(in crate::cli) date: NaiveDate,
    /// Kind: csf_surgery, shunt_revision or other.
    #[arg(value_name = "KIND")]
    pub(in crate::cli) kind: String,
    /// Take it back.
    #[arg(long)]
    pub(in crate::cli) remove: bool,
    /// Show what would be done; do nothing.
    #[arg(long)]
    pub(in crate::cli) dry_run: bool,
    /// Do not ask again where a flag would be lost or a flagged exam would join the baseline.
    #[arg(long)]
    pub(in crate::cli) yes: bool,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct WorklistArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Exams done on this day, YYYY-MM-DD.
    ///
    /// Without days: those that came in the last 7 days. Rises that wait are shown whatever their day.
    #[arg(long, value_name = "DAY", conflicts_with_all = ["from", "to"])]
    pub(in crate::cli) day: Option<NaiveDate>,
    #[command(flatten)]
    pub(in crate::cli) period: OptionalPeriodArgs,
    /// Exams of all days.
    #[arg(long, conflicts_with_all = ["day", "from", "to"])]
    pub(in crate::cli) all: bool,
    /// Only exams of this operator, as reports write the name.
    #[arg(long, value_name = "OPERATOR")]
    pub(in crate::cli) operator: Option<String>,
    /// Only exams of this device, as `worklist --json` writes it.
    #[arg(long, value_name = "DEVICE")]
    pub(in crate::cli) device: Option<String>,
    /// Only exams of this place, as reports write it.
    #[arg(long, value_name = "PLACE")]
    pub(in crate::cli) location: Option<String>,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct AcknowledgeArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    #[command(flatten)]
    pub(in crate::cli) who: WhoArgs,
    /// Exams by exam id, or Study Instance UID where the study is one exam.
    #[arg(value_name = "EXAM", required = true)]
    pub(in crate::cli) exams: Vec<String>,
    /// Show what would be done; do nothing.
    #[arg(long)]
    pub(in crate::cli) dry_run: bool,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct SettleArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    #[command(flatten)]
    pub(in crate::cli) who: WhoArgs,
    /// Exam id, or Study Instance UID where the study is one exam.
    #[arg(value_name = "EXAM")]
    pub(in crate::cli) exam: String,
    /// Outcome: confirmed, ruled_out or not_settled.
    #[arg(value_name = "OUTCOME")]
    pub(in crate::cli) outcome: String,
    /// Show what would be done; do nothing.
    #[arg(long)]
    pub(in crate::cli) dry_run: bool,
    /// Do not ask again where a flag would be lost or a flagged exam would join the baseline.
    #[arg(long)]
    pub(in crate::cli) yes: bool,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct NoteArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Author, by name or account; the user of this system when left out.
    #[arg(long, value_name = "NAME")]
    pub(in crate::cli) author: Option<String>,
    /// Exam id, or Study Instance UID where the study is one exam.
    #[arg(value_name = "EXAM")]
    pub(in crate::cli) exam: String,
    /// Note, on one line.
    #[arg(value_name = "TEXT")]
    pub(in crate::cli) text: String,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct SetAsideArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    #[command(flatten)]
    pub(in crate::cli) who: WhoArgs,
    /// Exams by exam id, or Study Instance UID where the study is one exam.
    #[arg(value_name = "EXAM", required = true)]
    pub(in crate::cli) exams: Vec<String>,
    /// Take it back.
    #[arg(long)]
    pub(in crate::cli) remove: bool,
    /// Show what would be done; do nothing.
    #[arg(long)]
    pub(in crate::cli) dry_run: bool,
    /// Do not ask again where a flag would be lost or a flagged exam would join the baseline.
    #[arg(long)]
    pub(in crate::cli) yes: bool,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct SecondArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    #[command(flatten)]
    pub(in crate::cli) who: WhoArgs,
    /// Exam id, or Study Instance UID where the study is one exam.
    #[arg(value_name = "EXAM")]
    pub(in crate::cli) exam: String,
    /// Act: ask, read, agree or differ.
    #[arg(value_name = "ACT")]
    pub(in crate::cli) act: String,
    /// Width of the right eye in mm, of `read`; may be given more than once.
    #[arg(long = "right-mm", value_name = "MM")]
    pub(in crate::cli) right: Vec<f64>,
    /// Width of the left eye in mm, of `read`; may be given more than once.
    #[arg(long = "left-mm", value_name = "MM")]
    pub(in crate::cli) left: Vec<f64>,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct EntriesArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    #[command(flatten)]
    pub(in crate::cli) patient: PatientArg,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Subcommand)]
pub(in crate::cli) enum PatientCommand {
    /// Merge two ids of one patient; exams of both count together.
    Merge(PairArgs),
    /// Undo a merge.
    Unmerge(PairArgs),
    /// Import merges and unmerges from a CSV table.
    ///
    /// With a mistake in it nothing is recorded.
    Import {
        #[command(flatten)]
        config: ConfigArg,
        /// CSV table: act, from_issuer, from_id, into_issuer, into_id, decided_at, why.
        #[arg(value_name = "FILE")]
        file: PathBuf,
        /// Print JSON, one object a line.
        #[arg(long)]
        json: bool,
    },
    /// List every merge and unmerge, and which merges are in force.
    List {
        #[command(flatten)]
        config: ConfigArg,
        /// Print JSON, one object a line.
        #[arg(long)]
        json: bool,
    },
}

#[derive(Debug, Args)]
pub(in crate::cli) struct PairArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Prior id, as ISSUER|ID, or |ID where the reports name no issuer.
    #[arg(long, alias = "from", value_name = "ISSUER|ID")]
    pub(in crate::cli) prior: String,
    /// Surviving id, written the same way.
    #[arg(long, alias = "into", value_name = "ISSUER|ID")]
    pub(in crate::cli) surviving: String,
    /// Reason, for whoever reads the record later.
    #[arg(long, alias = "why", value_name = "TEXT")]
    pub(in crate::cli) reason: String,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}
