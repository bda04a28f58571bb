//! Commands that need no store, and the demonstration.

use clap::{Args, Subcommand};
use std::path::{Path, PathBuf};

#[derive(Debug, Args)]
pub(in crate::cli) struct ReadArgs {
    /// Files or folders; folders are searched to the bottom.
    #[arg(required = true, value_name = "PATH")]
    pub(in crate::cli) paths: Vec<PathBuf>,
    /// Take templates, dictionaries and technique from this configuration file.
    #[arg(long, value_name = "FILE")]
    pub(in crate::cli) config: Option<PathBuf>,
    /// A site dictionary to use; may be given more than once.
    #[arg(long, value_name = "FILE")]
    pub(in crate::cli) dictionary: Vec<PathBuf>,
    /// Print JSON Lines, one object a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct AssessArgs {
    /// Files of questions, one JSON object a line; `-` for standard input.
    #[arg(required = true, value_name = "FILE")]
    pub(in crate::cli) files: Vec<PathBuf>,
    /// Add the arithmetic: terms, matrices and weights.
    #[arg(long)]
    pub(in crate::cli) arithmetic: bool,
}

#[derive(Debug, Subcommand)]
pub(in crate::cli) enum TemplateCommand {
    /// Tell every mistake of the file at once.
    Check {
        /// A template or a site dictionary.
        file: PathBuf,
    },
    /// Read reports with the file in use beside the built-in templates.
    Try {
        /// A template or a site dictionary.
        file: PathBuf,
        /// Files or folders; folders are searched to the bottom.
        #[arg(required = true, value_name = "SR")]
        paths: Vec<PathBuf>,
    },
}

#[derive(Debug, Args)]
pub(in crate::cli) struct CheckConfigArgs {
    /// Configuration file. Files *.toml in the folder conf.d beside it and variables
    /// SHEATHLINE__TABLE__KEY come on top.
    #[arg(
        long,
        value_name = "FILE",
        env = "SHEATHLINE_CONFIG",
        required_unless_present = "file"
    )]
    config: Option<PathBuf>,
    /// The same, as it was written before; it counts before --config.
    #[arg(value_name = "FILE", hide = true)]
    file: Option<PathBuf>,
    /// Show every setting in force and where it comes from: the default, a file and line, or an
    /// environment variable.
    #[arg(long)]
    pub(in crate::cli) explain: bool,
    /// Print JSON Lines, one mistake or setting a line.
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
    /// A scenario or a situation by name; may be given more than once. All scenarios when left out.
    #[arg(long, value_name = "NAME", num_args = 1..)]
    pub(in crate::cli) scenario: Vec<String>,
    /// Instead of the scenarios all situations of a ward: unlabelled exams, events, doubts, habits of
    /// those who measure. It takes many minutes; --patients 2000 takes fewer.
    #[arg(long)]
    pub(in crate::cli) situations: bool,
    /// Invented patients for each row.
    #[arg(long, value_name = "N", default_value_t = 20_000)]
    pub(in crate::cli) patients: u64,
    /// Equal seeds give equal tables, on any machine and any number of cores.
    #[arg(long, value_name = "S", default_value_t = 1)]
    pub(in crate::cli) seed: u64,
    /// Numbers of earlier exams, as 1,3: of baseline exams in a scenario, where 1,3 holds when left out;
    /// of a situation its own numbers then.
    #[arg(long, value_name = "K", value_delimiter = ',')]
    pub(in crate::cli) k: Vec<usize>,
    /// Take the [baseline] of this configuration file, for the comparison and the patients.
    #[arg(long, value_name = "FILE")]
    pub(in crate::cli) config: Option<PathBuf>,
    /// Print JSON Lines, one row a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

/// Arguments of `demo`.
#[derive(Debug, Args)]
pub(in crate::cli) struct DemoArgs {
    /// Folder for the store, the outbox and the files sent; it must not exist yet, unless an
    /// earlier demo made it.
    #[arg(long, value_name = "DIR", default_value = "sheathline-demo")]
    pub(in crate::cli) dir: PathBuf,
    /// Print JSON Lines, one exam a line.
    #[arg(long)]
    pub(in crate::cli) json: bool,
}

impl From<DemoArgs> for crate::cli::demo::Demo {
    fn from(args: DemoArgs) -> Self {
        crate::cli::demo::Demo {
            dir: args.dir,
            json: args.json,
        }
    }
}
