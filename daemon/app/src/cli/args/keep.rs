//! Commands for the life of the store.

use super::ConfigArg;
use clap::Args;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(in crate::cli) struct VerifyArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Count a published result that is gone from the outbox as damage. Leave this out where the
    /// reader of the outbox takes results away.
    #[arg(long)]
    pub(in crate::cli) outbox_complete: bool,
    /// Print JSON.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct BackupArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// The new file; it must not exist yet.
    #[arg(value_name = "TO")]
    pub(in crate::cli) to: PathBuf,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct RestoreArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// A file made by `backup`; it stays.
    #[arg(value_name = "FROM")]
    pub(in crate::cli) from: PathBuf,
    /// Allow that there is a store already; it is kept beside, under another name.
    #[arg(long)]
    pub(in crate::cli) replace: bool,
}
