//! Commands by which people tell what they know.

use super::{ConfigArg, PatientArg};
use chrono::NaiveDate;
use clap::{Args, Subcommand};
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(in crate::cli) struct LabelArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Exam id or Study Instance UID.
    pub(in crate::cli) exam: String,
    /// well, raised_ruled_out, raised_confirmed, after_decompression, or none to take it back.
    pub(in crate::cli) label: String,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct PressureArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Exam id or Study Instance UID.
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
    pub(in crate::cli) patient: PatientArg,
    /// Day of the event, YYYY-MM-DD.
    pub(in crate::cli) date: NaiveDate,
    /// csf_surgery, shunt_revision or other.
    pub(in crate::cli) kind: String,
    /// Take the event back.
    #[arg(long)]
    pub(in crate::cli) remove: bool,
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
