//! Commands by which people tell what they know.

use super::{ConfigArg, PatientArg};
use chrono::NaiveDate;
use clap::{Args, Subcommand};
use std::path::PathBuf;

/// Who says something, and why.
#[derive(Debug, Args)]
pub(in crate::cli) struct WhoArgs {
    /// Who says it, by name or account; the user of this system if nobody is named.
    #[arg(long, value_name = "NAME")]
    pub(in crate::cli) author: Option<String>,
    /// Why, for whoever reads the entries later.
    #[arg(long, value_name = "TEXT")]
    pub(in crate::cli) reason: Option<String>,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct LabelArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    #[command(flatten)]
    pub(in crate::cli) who: WhoArgs,
    /// One or more exams, each by exam id, or by Study Instance UID where the study is one exam; then
    /// the label: well, raised_ruled_out, raised_confirmed, after_decompression, or none to take back
    /// what was said.
    #[arg(
        value_name = "EXAM... LABEL",
        required_unless_present_any = ["table", "take_back"],
        conflicts_with_all = ["table", "take_back"]
    )]
    pub(in crate::cli) words: Vec<String>,
    /// Take labels from a CSV table, all of it or, with a mistake, nothing. Its first line names the
    /// columns: exam_id or study_instance_uid, and label; reason and author if wanted.
    #[arg(long, value_name = "FILE", conflicts_with = "take_back")]
    pub(in crate::cli) table: Option<PathBuf>,
    /// Take back the entry of this number; may be given several times.
    #[arg(long, value_name = "N")]
    pub(in crate::cli) take_back: Vec<i64>,
    /// Show what would change and record nothing.
    #[arg(long)]
    pub(in crate::cli) dry_run: bool,
    /// Do not ask again before a flagged exam becomes part of the baseline.
    #[arg(long)]
    pub(in crate::cli) yes: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct PressureArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    #[command(flatten)]
    pub(in crate::cli) who: WhoArgs,
    /// Exam id, or Study Instance UID where the study is one exam.
    pub(in crate::cli) exam: String,
    /// The pressure, such as 32 or 32.5, or none to take it back.
    pub(in crate::cli) value: String,
    /// cm[H2O], mm[Hg], kPa or mm[H2O]; nothing after none.
    pub(in crate::cli) unit: Option<String>,
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
    pub(in crate::cli) date: NaiveDate,
    /// csf_surgery, shunt_revision or other.
    pub(in crate::cli) kind: String,
    /// Take the event back.
    #[arg(long)]
    pub(in crate::cli) remove: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct EntriesArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    #[command(flatten)]
    pub(in crate::cli) patient: PatientArg,
    /// Print JSON Lines, one entry a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Subcommand)]
pub(in crate::cli) enum PatientCommand {
    /// Join the exams of two ids under the second.
    Merge(PairArgs),
    /// Take a merge back.
    Unmerge(PairArgs),
    /// Take merges and un-merges from a CSV table: all of it or, with a mistake, nothing.
    Import {
        #[command(flatten)]
        config: ConfigArg,
        /// Columns act, from_issuer, from_id, into_issuer, into_id, decided_at, why.
        #[arg(value_name = "FILE")]
        file: PathBuf,
    },
    /// Show every statement about ids, and which merges are in force.
    List {
        #[command(flatten)]
        config: ConfigArg,
        /// Print JSON Lines, one statement a line.
        #[arg(long)]
        json: bool,
    },
}

#[derive(Debug, Args)]
pub(in crate::cli) struct PairArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// The id that goes, as ISSUER|ID; |ID where no issuer is named.
    #[arg(long, value_name = "ISSUER|ID")]
    pub(in crate::cli) from: String,
    /// The id that survives.
    #[arg(long, value_name = "ISSUER|ID")]
    pub(in crate::cli) into: String,
    /// The reason, for whoever reads the list later.
    #[arg(long)]
    pub(in crate::cli) why: String,
}
