//! Commands for the life of the store.

use super::ConfigArg;
use clap::Args;
use std::path::{Path, PathBuf};

#[derive(Debug, Args)]
pub(in crate::cli) struct VerifyArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Count a published result that is gone from the outbox as damage.
    ///
    /// Leave this out where the reader of the outbox takes results away.
    #[arg(long)]
    pub(in crate::cli) outbox_complete: bool,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct BackupArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Backup to write; the file must not exist yet.
    #[arg(short, long, value_name = "FILE", required_unless_present = "to")]
    output: Option<PathBuf>,
    /// The same, as it was written before; it counts before --output.
    #[arg(value_name = "FILE", hide = true)]
    to: Option<PathBuf>,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

impl BackupArgs {
    /// The file to write.
    pub(in crate::cli) fn output(&self) -> &Path {
        let named = self.to.as_deref().or(self.output.as_deref());
        named.unwrap_or(Path::new(""))
    }
}

#[derive(Debug, Args)]
pub(in crate::cli) struct RestoreArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Backup to restore; it stays as it is.
    #[arg(value_name = "BACKUP")]
    pub(in crate::cli) from: PathBuf,
    /// Replace a store that is there; it is kept beside, under another name.
    #[arg(long)]
    pub(in crate::cli) replace: bool,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct CompactArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct MoveArgs {
    #[command(flatten)]
    pub(in crate::cli) config: ConfigArg,
    /// Configuration whose [store] it is moved into: the one to go on with.
    #[arg(long, value_name = "FILE")]
    pub(in crate::cli) into: PathBuf,
    /// Show what would be done; do nothing.
    #[arg(long)]
    pub(in crate::cli) dry_run: bool,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}
