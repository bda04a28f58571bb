//! Commands that draft a dictionary and confirm it.

use super::{OptionalConfigArg, SenderArg};
use clap::Args;
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(in crate::cli) struct DraftArgs {
    /// Files or folders; the store of the configuration when left out.
    #[arg(value_name = "PATH")]
    pub(in crate::cli) paths: Vec<PathBuf>,
    #[command(flatten)]
    pub(in crate::cli) config: OptionalConfigArg,
    #[command(flatten)]
    pub(in crate::cli) sender: SenderArg,
    /// New file to write: the draft; nothing of it is in force.
    #[arg(short, long, value_name = "FILE")]
    pub(in crate::cli) output: Option<PathBuf>,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct ConfirmArgs {
    /// Draft of a dictionary, as `template draft` writes it.
    #[arg(value_name = "FILE")]
    pub(in crate::cli) draft: PathBuf,
    /// Dictionary to write; one that is there is added to.
    #[arg(short, long, value_name = "FILE")]
    pub(in crate::cli) output: PathBuf,
    /// Name of who confirms; the account when left out.
    #[arg(long, value_name = "NAME")]
    pub(in crate::cli) by: Option<String>,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}
