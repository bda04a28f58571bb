//! What can be written on the command line: the list of commands, and one module for the arguments of
//! each family.

mod ask;
mod keep;
mod look;
mod outbox;
mod say;

pub(super) use ask::{
    AssessArgs, CheckConfigArgs, DemoArgs, ReadArgs, SimulateArgs, TemplateCommand,
};
pub(super) use keep::{BackupArgs, RestoreArgs, VerifyArgs};
pub(super) use look::{
    CalibrateArgs, ExplainArgs, FormChoice, HistoryArgs, QuarantineArgs, RenderArgs, StatusArgs,
    UnmappedArgs,
};
pub(super) use outbox::{EchoArgs, OutboxCommand, WhichArgs};
pub(super) use say::{
    EntriesArgs, EventArgs, LabelArgs, PairArgs, PatientCommand, PressureArgs, WhoArgs,
};

use super::backfill::BackfillArgs;
use super::department::DepartmentArgs;
use super::export::ExportArgs;
use clap::{Args, Parser, Subcommand};
use std::path::PathBuf;

/// What the manual page says beyond the commands.
const AFTER: &str = "\
Configuration: the file named by --config or SHEATHLINE_CONFIG, then the files conf.d/*.toml beside \
it by name, then variables such as SHEATHLINE__RECEIVE__DICOM__LISTEN. The later one wins, key by \
key; relative paths start at the folder of the file. `check-config --explain FILE` shows what holds.

Signals of serve: SIGTERM stops it in order, SIGHUP reads the configuration again.

Exit codes: 0 done, 1 the answer is no or something failed, 2 wrong usage or configuration, 74 the \
store is in doubt: look at the disk, then start again.";

/// Lines up optic nerve sheath measurements from DICOM structured reports against each
/// patient's own earlier values.
///
/// Decision support, not a certified medical device. Licensed clinicians and the local protocol
/// decide.
#[derive(Debug, Parser)]
#[command(name = "sheathline", version, after_long_help = AFTER)]
pub(super) struct Cli {
    #[command(subcommand)]
    pub(super) command: Command,
}

#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Run the daemon: accept associations, watch the drop folder, publish results.
    Serve(ConfigArg),
    /// Run files or folders through the same pipeline, once, until drained.
    Process(ProcessArgs),
    /// Show what is found in files, where and by which template; no store.
    Read(ReadArgs),
    /// Answer questions in JSON Lines about made-up or exported exams; no store.
    Assess(AssessArgs),
    /// Tell the whole story of one report or exam.
    Explain(ExplainArgs),
    /// Show a patient's exams, baseline and statuses.
    History(HistoryArgs),
    /// Write everything known as tables for analysts, CSV and Parquet; a later run adds what is new.
    Export(ExportArgs),
    /// Write one result in another form: DICOM SR, PDF, HL7 v2, FHIR or CSV.
    Render(RenderArgs),
    /// List objects in quarantine, or save the bytes of one.
    Quarantine(QuarantineArgs),
    /// Check a template or site dictionary, or try it on reports; no store.
    #[command(subcommand)]
    Template(TemplateCommand),
    /// List codes of stored reports that look like ours and that nobody explains.
    Unmapped(UnmappedArgs),
    /// Say what is known of exams; re-assesses what depends on it.
    Label(LabelArgs),
    /// Record the opening pressure measured with an exam; it is shown, never converted to a width.
    Pressure(PressureArgs),
    /// Say what happened to a patient; re-assesses what depends on it.
    Event(EventArgs),
    /// Show what was said of a patient: labels, events, pressures, by whom, when, and what was
    /// corrected.
    Entries(EntriesArgs),
    /// Show and steer what is delivered to destinations.
    #[command(subcommand)]
    Outbox(OutboxCommand),
    /// Say which patient ids are one person's, take that back, or list what was said.
    #[command(subcommand)]
    Patient(PatientCommand),
    /// Compare everything stored with its hashes, and the outbox with the store; changes nothing.
    Verify(VerifyArgs),
    /// Copy the store to a new file while the daemon runs, and check the copy.
    Backup(BackupArgs),
    /// Check a copy of the store and put it in the store's place; the daemon must not run.
    Restore(RestoreArgs),
    /// Give the room of dropped bytes back to the disk.
    Compact(ConfigArg),
    /// Go the way to a destination without delivering: name, connection, TLS, association, answer.
    Echo(EchoArgs),
    /// Get the structured reports of earlier exams from an archive, window by window; can be cut off
    /// and repeated.
    Backfill(BackfillArgs),
    /// Check a configuration file: every mistake at once.
    CheckConfig(CheckConfigArgs),
    /// Show how often invented patients are flagged, and how large a rise must be to be found.
    Simulate(SimulateArgs),
    /// Estimate the department's own measurement errors from its store, and propose a [baseline].
    Calibrate(CalibrateArgs),
    /// Show how operators, devices and the service do: repeatability, control charts, widths by age.
    Department(DepartmentArgs),
    /// Run the main job on invented patients, with nothing to configure.
    Demo(DemoArgs),
    /// Say how the service is: what came, what waits, what needs somebody.
    Status(StatusArgs),
    /// Write manual pages, shell completions, the conformance statement, the tables or the codes.
    #[command(subcommand, hide = true)]
    Generate(GenerateCommand),
}

#[derive(Debug, Subcommand)]
pub(super) enum GenerateCommand {
    /// Manual pages, one for each command.
    Man {
        /// The folder; it is made.
        dir: PathBuf,
    },
    /// Completions for bash, zsh and fish.
    Completions {
        /// The folder; it is made.
        dir: PathBuf,
    },
    /// The DICOM conformance statement, in Markdown.
    Conformance,
    /// The tables of `export` and their columns, in Markdown.
    Tables,
    /// Every code that a result can hold, in Markdown.
    Codes,
}

#[derive(Debug, Args)]
pub(super) struct ConfigArg {
    /// Configuration file. Files *.toml in the folder conf.d beside it and variables
    /// SHEATHLINE__TABLE__KEY come on top.
    #[arg(long, value_name = "FILE", env = "SHEATHLINE_CONFIG")]
    pub(super) config: PathBuf,
}

#[derive(Debug, Args)]
pub(super) struct ProcessArgs {
    #[command(flatten)]
    pub(super) config: ConfigArg,
    /// Files or folders; folders are searched to the bottom.
    #[arg(required = true, value_name = "PATH")]
    pub(super) paths: Vec<PathBuf>,
    /// Print JSON Lines.
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Debug, Args)]
pub(super) struct PatientArg {
    /// Patient id.
    pub(super) patient: String,
    /// Issuer of the id, when the id alone names more than one patient.
    #[arg(long)]
    pub(super) issuer: Option<String>,
}
