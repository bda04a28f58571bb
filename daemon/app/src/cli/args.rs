//! What can be written on the command line: the list of commands, and one module for the arguments of
//! each family.

mod account;
mod annotate;
mod draft;
mod enter;
mod help;
mod inspect;
mod maintain;
mod offline;
mod outbox;
#[cfg(test)]
mod tests;

pub(super) use account::{AccountCommand, PasswordArg};
pub(super) use annotate::{
    AcknowledgeArgs, EntriesArgs, EventArgs, LabelArgs, NoteArgs, PairArgs, PatientCommand,
    PressureArgs, SecondArgs, SetAsideArgs, SettleArgs, WhoArgs, WorklistArgs,
};
pub(super) use draft::{ConfirmArgs, DraftArgs};
pub(super) use enter::{BorderChoice, BringInArgs, MeasureArgs, RowsChoice};
pub(super) use help::{command, groups, shown};
pub(super) use inspect::{
    CalibrateArgs, ExplainArgs, FormChoice, HistoryArgs, QuarantineArgs, RenderArgs, StatusArgs,
    UnmappedArgs,
};
pub(super) use maintain::{BackupArgs, CompactArgs, MoveArgs, RestoreArgs, VerifyArgs};
pub(super) use offline::{
    AssessArgs, CheckConfigArgs, DemoArgs, ReadArgs, SimulateArgs, TemplateCommand, TryArgs,
};
pub(super) use outbox::{EchoArgs, OutboxCommand, WhichArgs};

use super::Failure;
use super::backfill::BackfillArgs;
use super::department::DepartmentArgs;
use super::export::ExportArgs;
use chrono::NaiveDate;
use clap::{Args, Parser, Subcommand};
use sheathline_model::domain::Source;
use std::path::PathBuf;

/// What the manual page says beyond the commands.
pub(super) const AFTER: &str = "\
Configuration: the file named by --config or SHEATHLINE_CONFIG, then the files conf.d/*.toml beside \
it by name, then variables such as SHEATHLINE__RECEIVE__DICOM__LISTEN. The later one wins, key by \
key; relative paths start at the folder of the file. `check-config --explain` shows what holds.

With --json standard output is JSON alone, one object a line; everything else goes to standard \
error, and a failure there is one line with a `code` that never changes.

Signals of serve: SIGTERM stops it in order, SIGHUP reads the configuration again.

Exit codes: 0 done, 1 the answer is no or something failed, 2 wrong usage or configuration, 74 the \
store is in doubt: look at the disk, then start again.";

/// Compares optic nerve sheath measurements with the patient's own earlier values.
///
/// Reads them from DICOM structured reports, and writes flagged results to an outbox.
///
/// Decision support, not a certified medical device. Licensed clinicians and the local protocol
/// decide.
#[derive(Debug, Parser)]
#[command(name = "sheathline", version, after_long_help = AFTER)]
pub(super) struct Cli {
    #[command(subcommand)]
    pub(super) command: Command,
}

/// Every command, by the group that `--help` shows it in.
#[derive(Debug, Subcommand)]
pub(super) enum Command {
    #[command(flatten)]
    Service(ServiceCommand),
    #[command(flatten)]
    Report(ReportCommand),
    #[command(flatten)]
    Result(ResultCommand),
    #[command(flatten)]
    Annotation(AnnotationCommand),
    #[command(flatten)]
    Quality(QualityCommand),
    #[command(flatten)]
    Store(StoreCommand),
    #[command(flatten)]
    Trial(TrialCommand),
    /// Write manual pages, shell completions, or a page of the manual.
    #[command(subcommand, hide = true)]
    Generate(GenerateCommand),
}

/// A group of commands on the first page of help.
struct Group {
    heading: &'static str,
    /// Adds its commands.
    add: fn(clap::Command) -> clap::Command,
}

impl Group {
    const fn of<T: Subcommand>(heading: &'static str) -> Self {
        let add = T::augment_subcommands;
        Group { heading, add }
    }
}

/// The groups in the order of the page.
const GROUPS: [Group; 7] = [
    Group::of::<ServiceCommand>("Run the service"),
    Group::of::<ReportCommand>("Receive reports"),
    Group::of::<ResultCommand>("View and export results"),
    Group::of::<AnnotationCommand>("Annotate exams and patients"),
    Group::of::<QualityCommand>("Assess measurement quality"),
    Group::of::<StoreCommand>("Maintain the store"),
    Group::of::<TrialCommand>("Try it out"),
];

#[derive(Debug, Subcommand)]
pub(super) enum ServiceCommand {
    /// Run the daemon: receive reports, assess them, publish results.
    Serve(ConfigArg),
    /// Show the state of the service and what needs attention.
    Status(StatusArgs),
    /// Check the configuration and name every mistake at once.
    CheckConfig(CheckConfigArgs),
    /// Test the connection to a destination or archive; nothing is sent.
    ///
    /// Tests each stage in turn: name, connection, TLS, association, answer.
    Echo(EchoArgs),
    /// List, retry, drop or replay deliveries to destinations.
    #[command(subcommand)]
    Outbox(OutboxCommand),
    /// Add, list, change or end accounts of people who use the pages.
    #[command(subcommand)]
    Account(AccountCommand),
}

#[derive(Debug, Subcommand)]
pub(super) enum ReportCommand {
    /// Process files or folders once, as the daemon would.
    ///
    /// Ends when nothing waits any more.
    Process(ProcessArgs),
    /// Enter a measurement that no scanner sends.
    ///
    /// Becomes a structured report that is kept like any other. Given again it adds nothing; it is
    /// corrected by an amended report, or taken back.
    Measure(Box<MeasureArgs>),
    /// Bring in a table of earlier measurements.
    ///
    /// All of it or nothing: every row is accepted, or named with line, column and reason. The same table
    /// again adds nothing, and it is taken back as a whole.
    BringIn(Box<BringInArgs>),
    /// Fetch reports of earlier exams from an archive.
    ///
    /// Works through the period in windows of days. A run that was cut off is repeated with the same
    /// command and goes on where it stopped.
    Backfill(BackfillArgs),
    /// List objects in quarantine, or save the bytes of one.
    Quarantine(QuarantineArgs),
    /// List codes in stored reports that no template maps.
    ///
    /// Only codes that look like sheath measurements.
    Unmapped(UnmappedArgs),
}

#[derive(Debug, Subcommand)]
pub(super) enum ResultCommand {
    /// Show a patient's exams, baseline and results.
    ///
    /// As a table, with --output as a picture too.
    History(HistoryArgs),
    /// Show how one report or exam was read and compared.
    ///
    /// Every version of the result, why it was made, and the arithmetic of the comparison.
    Explain(ExplainArgs),
    /// Write one result as DICOM SR, PDF, HL7 v2, FHIR or CSV.
    Render(RenderArgs),
    /// Export everything as tables for analysts, CSV and Parquet.
    ///
    /// A later run into the same folder adds what is new.
    Export(ExportArgs),
}

#[derive(Debug, Subcommand)]
pub(super) enum AnnotationCommand {
    /// Label exams, for example well or raised_confirmed.
    ///
    /// Exams that depend on it are assessed again and their results published.
    Label(LabelArgs),
    /// Record an event of a patient, for example a shunt revision.
    ///
    /// Exams that depend on it are assessed again and their results published.
    Event(EventArgs),
    /// Record the opening pressure measured with an exam.
    ///
    /// Results show it. It is never converted to a width.
    Pressure(PressureArgs),
    /// List unacknowledged rises, exams not compared, exams unlabelled.
    Worklist(WorklistArgs),
    /// Acknowledge rises, or that they were withdrawn.
    ///
    /// Of the newest version of each result.
    Acknowledge(AcknowledgeArgs),
    /// Say what came of a rise: confirmed, ruled_out or not_settled.
    ///
    /// Needs --reason. Says the label that goes with it in the same act: raised_confirmed or
    /// raised_ruled_out; of not_settled none.
    Settle(SettleArgs),
    /// Write a note on an exam.
    Note(NoteArgs),
    /// Leave exams out of every baseline.
    ///
    /// Needs --reason. The exams are themselves still compared.
    LeaveOut(SetAsideArgs),
    /// Take back the readings of exams, or let them count again.
    ///
    /// For readings that were entered by mistake or are of somebody else: as if they had never come.
    /// Needs --reason; nothing is deleted, and --remove lets them count again.
    TakeBack(SetAsideArgs),
    /// Ask for a second reading of an exam, keep one, or judge it.
    ///
    /// A second reading stands beside the first and is never averaged with it.
    Second(SecondArgs),
    /// List a patient's labels, events and other entries.
    ///
    /// With author, time and reason, and what was corrected.
    Entries(EntriesArgs),
    /// Merge patient ids, undo a merge, or list merges.
    #[command(subcommand)]
    Patient(PatientCommand),
}

#[derive(Debug, Subcommand)]
pub(super) enum QualityCommand {
    /// Report how well operators, devices and the service measure.
    ///
    /// Repeatability, offsets, control charts, practice, times, flags against the promise, widths of
    /// well patients by age. Charts and practice look further back than the period.
    Department(DepartmentArgs),
    /// Estimate the department's measurement errors from its store.
    ///
    /// Proposes a [baseline] table for the configuration, and a table for each operator and device
    /// that reads apart. Changes nothing.
    Calibrate(CalibrateArgs),
    /// Simulate how often flags are false and rises are missed.
    ///
    /// Patients are invented; the comparison is the one that the service uses.
    Simulate(SimulateArgs),
}

#[derive(Debug, Subcommand)]
pub(super) enum StoreCommand {
    /// Verify everything stored against its hashes.
    ///
    /// Compares the outbox with the store, too. Changes nothing.
    Verify(VerifyArgs),
    /// Back up the store to a new file while the daemon runs.
    ///
    /// The copy is checked.
    Backup(BackupArgs),
    /// Restore the store from a backup; stop the daemon first.
    ///
    /// The backup is checked before it takes the place of the store.
    Restore(RestoreArgs),
    /// Return the space of dropped bytes to the disk.
    Compact(CompactArgs),
    /// Move the store to another file or server; stop the daemon first.
    ///
    /// All of it is copied with its numbers and compared by hashes before the other place becomes the
    /// store; until then this one is. Cut off, it goes on with the same command.
    Move(MoveArgs),
}

#[derive(Debug, Subcommand)]
pub(super) enum TrialCommand {
    /// Run a demonstration with invented patients.
    Demo(DemoArgs),
    /// Show what is found in report files, and by which template.
    ///
    /// Names the [[measure]] row that took each value. Needs no store.
    Read(ReadArgs),
    /// Draft, confirm, check or try a site dictionary or template.
    ///
    /// Needs no store where reports are named.
    #[command(subcommand)]
    Template(TemplateCommand),
    /// Assess exams given as JSON Lines.
    ///
    /// The comparison alone, for validation and what-if questions. Needs no store.
    Assess(AssessArgs),
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
    /// Every command with its options, in Markdown.
    Commands,
    /// Every code of a failure, with what to do, in Markdown.
    Failures,
}

#[derive(Debug, Args)]
pub(super) struct ConfigArg {
    #[arg(long, value_name = "FILE", env = CONFIG_VARIABLE, help = CONFIG)]
    pub(super) config: PathBuf,
}

/// For commands that go by the defaults where no configuration is named.
#[derive(Debug, Args)]
pub(super) struct OptionalConfigArg {
    #[arg(long, value_name = "FILE", env = CONFIG_VARIABLE, help = CONFIG)]
    pub(super) config: Option<PathBuf>,
}

/// For commands that go by whose reports they are.
#[derive(Debug, Args)]
pub(super) struct SenderArg {
    /// Whose reports: an AE title, or folder, archive:NAME, web:ADDRESS.
    ///
    /// Files are read as theirs.
    #[arg(long, value_name = "NAME")]
    pub(super) sender: Option<String>,
}

impl SenderArg {
    /// The source that is named, if one is: what is none of the other kinds is an AE title.
    pub(super) fn source(&self) -> Option<Source> {
        self.sender.as_deref().map(Source::named)
    }
}

const CONFIG: &str =
    "Configuration file; conf.d/*.toml beside it and SHEATHLINE__ variables override it";

const CONFIG_VARIABLE: &str = "SHEATHLINE_CONFIG";

#[derive(Debug, Args)]
pub(super) struct PatientArg {
    /// Patient id, as the reports have it.
    #[arg(value_name = "PATIENT")]
    pub(super) patient: String,
    /// Issuer of the patient id; needed where several issuers have that id.
    #[arg(long, value_name = "ISSUER")]
    pub(super) issuer: Option<String>,
}

/// A period that has to be given.
#[derive(Debug, Args)]
pub(super) struct PeriodArgs {
    /// First day of the period, YYYY-MM-DD.
    #[arg(long, value_name = "DAY")]
    pub(super) from: NaiveDate,
    /// Last day of the period, YYYY-MM-DD; it belongs to the period.
    #[arg(long, value_name = "DAY")]
    pub(super) to: NaiveDate,
}

/// A period that may be open at both ends.
#[derive(Debug, Args)]
pub(super) struct OptionalPeriodArgs {
    /// First day of the period, YYYY-MM-DD.
    #[arg(long, value_name = "DAY")]
    pub(super) from: Option<NaiveDate>,
    /// Last day of the period, YYYY-MM-DD; it belongs to the period.
    #[arg(long, value_name = "DAY")]
    pub(super) to: Option<NaiveDate>,
}

impl PeriodArgs {
    /// # Errors
    /// The first day comes after the last.
    pub(super) fn check(&self) -> Result<(), Failure> {
        let (from, to) = (Some(self.from), Some(self.to));
        OptionalPeriodArgs { from, to }.check()
    }
}

impl OptionalPeriodArgs {
    /// # Errors
    /// The first day comes after the last.
    pub(super) fn check(&self) -> Result<(), Failure> {
        match (self.from, self.to) {
            (Some(from), Some(to)) if from > to => Err(Failure::usage(format!(
                "--from {from} lies after --to {to}; no day is in between"
            ))),
            _ => Ok(()),
        }
    }
}

#[derive(Debug, Args)]
pub(super) struct ProcessArgs {
    #[command(flatten)]
    pub(super) config: ConfigArg,
    /// Files or folders; folders are searched to the bottom.
    #[arg(required = true, value_name = "PATH")]
    pub(super) paths: Vec<PathBuf>,
    /// Print JSON, one object a line.
    #[arg(long)]
    pub(super) json: bool,
}
