//! Commands that need no store, and the demonstration.

use super::{CONFIG, CONFIG_VARIABLE, ConfirmArgs, DraftArgs, OptionalConfigArg, SenderArg};
use clap::{Args, Subcommand};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

#[derive(Debug, Args)]
pub(in crate::cli) struct ReadArgs {
    /// Files or folders; folders are searched to the bottom.
    #[arg(required = true, value_name = "PATH")]
    pub(in crate::cli) paths: Vec<PathBuf>,
    #[command(flatten)]
    pub(in crate::cli) config: OptionalConfigArg,
    /// Site dictionary to use as well; may be given more than once.
    #[arg(long, value_name = "FILE")]
    pub(in crate::cli) dictionary: Vec<PathBuf>,
    #[command(flatten)]
    pub(in crate::cli) sender: SenderArg,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct AssessArgs {
    /// Files of exams, one JSON object a line; - for standard input.
    #[arg(required = true, value_name = "FILE")]
    pub(in crate::cli) files: Vec<PathBuf>,
    /// Show the arithmetic: terms, matrices and weights.
    #[arg(long)]
    pub(in crate::cli) arithmetic: bool,
}

#[derive(Debug, Subcommand)]
pub(in crate::cli) enum TemplateCommand {
    /// Check the file and name every mistake at once.
    Check {
        /// Template or site dictionary.
        #[arg(value_name = "FILE")]
        file: PathBuf,
        /// Print JSON, one object a line.
        #[arg(long)]
        json: bool,
    },
    /// Draft a dictionary from the codes and labels that stand in the way of values.
    ///
    /// From reports, or from the store of the configuration. What the meaning of a code clearly says is
    /// proposed; nothing of a draft is in force.
    Draft(DraftArgs),
    /// Answer for each proposal and each open code of a draft, and write the dictionary.
    ///
    /// It asks on standard output and takes answers from standard input, a line each. The dictionary is
    /// written after every answer; begun again, it asks for what is left open.
    Confirm(ConfirmArgs),
    /// Read reports without and with the file, and show side by side what it changes.
    ///
    /// Beside what is configured. With --sender the file is for the reports of that sender alone. A
    /// configured file of the same name is replaced. Proposals of a draft count as if confirmed.
    Try(TryArgs),
}

#[derive(Debug, Args)]
pub(in crate::cli) struct TryArgs {
    /// Template or site dictionary.
    #[arg(value_name = "FILE")]
    pub(in crate::cli) file: PathBuf,
    /// Files or folders; folders are searched to the bottom. None: the reports of the store.
    #[arg(value_name = "PATH")]
    pub(in crate::cli) paths: Vec<PathBuf>,
    #[command(flatten)]
    pub(in crate::cli) config: OptionalConfigArg,
    #[command(flatten)]
    pub(in crate::cli) sender: SenderArg,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct CheckConfigArgs {
    #[arg(
        long,
        value_name = "FILE",
        env = CONFIG_VARIABLE,
        help = CONFIG,
        required_unless_present = "file"
    )]
    config: Option<PathBuf>,
    /// The same, as it was written before; it counts before --config.
    #[arg(value_name = "FILE", hide = true)]
    file: Option<PathBuf>,
    /// Show every setting in force and its origin: default, file and line, or variable.
    #[arg(long)]
    pub(in crate::cli) explain: bool,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

impl CheckConfigArgs {
    /// The configuration file.
    pub(in crate::cli) fn config(&self) -> &Path {
        let named = self.file.as_deref().or(self.config.as_deref());
        named.unwrap_or(Path::new(""))
    }
}

#[derive(Debug, Args)]
pub(in crate::cli) struct SimulateArgs {
    /// Scenarios or situations by name; all scenarios when left out.
    #[arg(long, value_name = "NAME", num_args = 1..)]
    pub(in crate::cli) scenario: Vec<String>,
    /// Simulate all situations of a ward instead: unlabelled exams, events, doubts, habits.
    ///
    /// It takes many minutes; --patients 2000 takes fewer.
    #[arg(long)]
    pub(in crate::cli) situations: bool,
    /// Invented patients in each row.
    #[arg(long, value_name = "N", default_value_t = 20_000)]
    pub(in crate::cli) patients: u64,
    /// Seed; equal seeds give equal tables on every machine.
    #[arg(long, value_name = "S", default_value_t = 1)]
    pub(in crate::cli) seed: u64,
    /// Numbers of earlier exams; 1,3 when left out, or those of the situation.
    #[arg(long, value_name = "K", value_delimiter = ',')]
    pub(in crate::cli) k: Vec<usize>,
    #[command(flatten)]
    pub(in crate::cli) config: OptionalConfigArg,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

/// Arguments of `demo`.
#[derive(Debug, Args)]
pub(in crate::cli) struct DemoArgs {
    /// Folder to write; it must be new or of an earlier demonstration.
    #[arg(
        short,
        long,
        alias = "dir",
        value_name = "DIR",
        default_value = "sheathline-demo"
    )]
    pub(in crate::cli) output: PathBuf,
    /// Go on as a daemon with pages for a browser, until ended by Ctrl-C.
    ///
    /// Prints their address, and a local account for each role with a password of this run.
    #[arg(long)]
    pub(in crate::cli) pages: bool,
    /// Address of the pages, of this machine alone; port 0 is one that the system chooses.
    #[arg(
        long,
        requires = "pages",
        value_name = "ADDRESS:PORT",
        default_value = "127.0.0.1:0"
    )]
    pub(in crate::cli) listen: SocketAddr,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

impl From<DemoArgs> for crate::cli::demo::Demo {
    fn from(args: DemoArgs) -> Self {
        crate::cli::demo::Demo {
            dir: args.output,
            json: args.json,
            pages: args.pages.then_some(args.listen),
        }
    }
}
