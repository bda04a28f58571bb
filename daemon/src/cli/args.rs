//! What can be written on the command line.

use super::department::DepartmentArgs;
use crate::domain::Eye;
use crate::store::deliveries::State;
use chrono::NaiveDate;
use clap::{Args, Parser, Subcommand, ValueEnum};
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
pub struct Cli {
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
    /// Write one result in another form: DICOM SR, PDF, HL7 v2, FHIR or CSV.
    Render(RenderArgs),
    /// List objects in quarantine, or save the bytes of one.
    Quarantine(QuarantineArgs),
    /// Check a template or site dictionary, or try it on reports; no store.
    #[command(subcommand)]
    Template(TemplateCommand),
    /// List codes of stored reports that look like ours and that nobody explains.
    Unmapped(UnmappedArgs),
    /// Say what is known of an exam; re-assesses what depends on it.
    Label(LabelArgs),
    /// Record the opening pressure measured with an exam; it is shown, never converted to a width.
    Pressure(PressureArgs),
    /// Say what happened to a patient; re-assesses what depends on it.
    Event(EventArgs),
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
    /// Write manual pages, shell completions or the conformance statement.
    #[command(subcommand, hide = true)]
    Generate(GenerateCommand),
}

#[derive(Debug, Args)]
pub(super) struct StatusArgs {
    #[command(flatten)]
    pub(super) config: ConfigArg,
    /// Only ask the running daemon whether it is ready: exit code 0 or 1. For health checks.
    #[arg(long)]
    pub(super) probe: bool,
    /// Print JSON.
    #[arg(long)]
    pub(super) json: bool,
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
pub(super) struct ReadArgs {
    /// Files or folders; folders are searched to the bottom.
    #[arg(required = true, value_name = "PATH")]
    pub(super) paths: Vec<PathBuf>,
    /// Take templates, dictionaries and technique from this configuration file.
    #[arg(long, value_name = "FILE")]
    pub(super) config: Option<PathBuf>,
    /// A site dictionary to use; may be given more than once.
    #[arg(long, value_name = "FILE")]
    pub(super) dictionary: Vec<PathBuf>,
    /// Print JSON Lines, one object a line.
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Debug, Args)]
pub(super) struct AssessArgs {
    /// Files of questions, one JSON object a line; `-` for standard input.
    #[arg(required = true, value_name = "FILE")]
    pub(super) files: Vec<PathBuf>,
    /// Add the arithmetic: terms, matrices and weights.
    #[arg(long)]
    pub(super) arithmetic: bool,
}

#[derive(Debug, Args)]
pub(super) struct ExplainArgs {
    #[command(flatten)]
    pub(super) config: ConfigArg,
    /// SOP Instance UID, Study Instance UID or exam id.
    pub(super) uid: String,
    /// Print JSON.
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

#[derive(Debug, Args)]
pub(super) struct HistoryArgs {
    #[command(flatten)]
    pub(super) config: ConfigArg,
    #[command(flatten)]
    pub(super) patient: PatientArg,
    /// Draw the exams into this file.
    #[arg(long, value_name = "FILE")]
    pub(super) svg: Option<PathBuf>,
    /// The eye to draw.
    #[arg(long, value_enum, default_value_t = EyeChoice::Both, requires = "svg")]
    pub(super) eye: EyeChoice,
    /// Print JSON Lines, one exam a line.
    #[arg(long)]
    pub(super) json: bool,
}

/// Which eyes a picture shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum EyeChoice {
    /// The right eye with its own expected band.
    Right,
    /// The left eye with its own expected band.
    Left,
    /// Both eyes, and what was compared of them.
    Both,
}

impl From<EyeChoice> for Option<Eye> {
    fn from(choice: EyeChoice) -> Self {
        match choice {
            EyeChoice::Right => Some(Eye::Right),
            EyeChoice::Left => Some(Eye::Left),
            EyeChoice::Both => None,
        }
    }
}

#[derive(Debug, Args)]
pub(super) struct RenderArgs {
    /// A `result.json`; or an exam id or Study Instance UID, whose newest result is taken from the
    /// store.
    #[arg(value_name = "RESULT_JSON|EXAM")]
    pub(super) result: String,
    /// The form.
    #[arg(long, value_enum)]
    pub(super) form: FormChoice,
    /// The file to write.
    #[arg(short, long, value_name = "FILE")]
    pub(super) output: PathBuf,
    /// Configuration file; only for an exam.
    #[arg(long, value_name = "FILE", env = "SHEATHLINE_CONFIG")]
    pub(super) config: Option<PathBuf>,
    /// A report that a result.json rests on: patient, study and references are taken from it. May
    /// be given more than once.
    #[arg(long, value_name = "REPORT_DCM")]
    pub(super) source: Vec<PathBuf>,
    /// The version that a result.json replaces.
    #[arg(long, value_name = "RESULT_JSON")]
    pub(super) previous: Option<PathBuf>,
}

/// A form of a result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum FormChoice {
    /// Comprehensive SR by TID 1500, a DICOM file.
    Sr,
    /// The page as PDF.
    Pdf,
    /// The page as Encapsulated PDF, a DICOM file.
    PdfDicom,
    /// HL7 v2.5.1 ORU^R01.
    Hl7,
    /// FHIR R4 transaction, JSON.
    Fhir,
    /// A row for each value and each assessment.
    Csv,
}

#[derive(Debug, Args)]
pub(super) struct QuarantineArgs {
    #[command(flatten)]
    pub(super) config: ConfigArg,
    /// Number of the object, as the list shows it.
    pub(super) object: Option<i64>,
    /// Save its bytes, exactly as received.
    #[arg(long, value_name = "FILE", requires = "object")]
    pub(super) save: Option<PathBuf>,
    /// Print JSON Lines.
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Debug, Subcommand)]
pub(super) enum TemplateCommand {
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

#[derive(Debug, Subcommand)]
pub(super) enum OutboxCommand {
    /// List deliveries, with their numbers.
    List {
        #[command(flatten)]
        config: ConfigArg,
        #[command(flatten)]
        which: WhichArgs,
        /// Print JSON Lines, one delivery a line.
        #[arg(long)]
        json: bool,
    },
    /// Try deliveries at once that wait, are dead or were dropped.
    Retry {
        #[command(flatten)]
        config: ConfigArg,
        #[command(flatten)]
        which: WhichArgs,
    },
    /// Take deliveries out that wait or are dead; retry brings them back.
    Drop {
        #[command(flatten)]
        config: ConfigArg,
        #[command(flatten)]
        which: WhichArgs,
    },
    /// Deliver the results of some days again, or for the first time to a new destination.
    Replay {
        #[command(flatten)]
        config: ConfigArg,
        /// The destination.
        #[arg(long, value_name = "NAME")]
        destination: String,
        /// First day, YYYY-MM-DD: results count by the day on which they were made, UTC.
        #[arg(long, value_name = "DAY")]
        from: NaiveDate,
        /// Last day; it belongs to the days.
        #[arg(long, value_name = "DAY")]
        to: NaiveDate,
    },
}

/// Which deliveries are meant.
#[derive(Debug, Args)]
pub(super) struct WhichArgs {
    /// Numbers of deliveries, as the list shows them.
    #[arg(value_name = "NUMBER")]
    pub(super) numbers: Vec<i64>,
    /// Those to this destination.
    #[arg(long, value_name = "NAME")]
    pub(super) destination: Option<String>,
    /// Those in this state.
    #[arg(long, value_enum)]
    pub(super) state: Option<StateChoice>,
}

/// How a delivery stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum StateChoice {
    /// It is tried, now or later.
    Waiting,
    /// The destination took it.
    Delivered,
    /// It failed for good.
    Dead,
    /// A person took it out.
    Dropped,
}

impl From<StateChoice> for State {
    fn from(choice: StateChoice) -> Self {
        match choice {
            StateChoice::Waiting => State::Waiting,
            StateChoice::Delivered => State::Delivered,
            StateChoice::Dead => State::Dead,
            StateChoice::Dropped => State::Dropped,
        }
    }
}

#[derive(Debug, Args)]
pub(super) struct UnmappedArgs {
    #[command(flatten)]
    pub(super) config: ConfigArg,
    /// Print JSON Lines, one code a line.
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Debug, Args)]
pub(super) struct LabelArgs {
    #[command(flatten)]
    pub(super) config: ConfigArg,
    /// Exam id or Study Instance UID.
    pub(super) exam: String,
    /// well, raised_ruled_out, raised_confirmed, after_decompression, or none to take it back.
    pub(super) label: String,
}

#[derive(Debug, Args)]
pub(super) struct PressureArgs {
    #[command(flatten)]
    pub(super) config: ConfigArg,
    /// Exam id or Study Instance UID.
    pub(super) exam: String,
    /// The pressure, such as 32 or 32.5, or none to take it back.
    pub(super) value: String,
    /// cm[H2O], mm[Hg], kPa or mm[H2O]; nothing after none.
    pub(super) unit: Option<String>,
}

#[derive(Debug, Args)]
pub(super) struct EventArgs {
    #[command(flatten)]
    pub(super) config: ConfigArg,
    #[command(flatten)]
    pub(super) patient: PatientArg,
    /// Day of the event, YYYY-MM-DD.
    pub(super) date: NaiveDate,
    /// csf_surgery, shunt_revision or other.
    pub(super) kind: String,
    /// Take the event back.
    #[arg(long)]
    pub(super) remove: bool,
}

#[derive(Debug, Subcommand)]
pub(super) enum PatientCommand {
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
pub(super) struct PairArgs {
    #[command(flatten)]
    pub(super) config: ConfigArg,
    /// The id that goes, as ISSUER|ID; |ID where no issuer is named.
    #[arg(long, value_name = "ISSUER|ID")]
    pub(super) from: String,
    /// The id that survives.
    #[arg(long, value_name = "ISSUER|ID")]
    pub(super) into: String,
    /// The reason, for whoever reads the list later.
    #[arg(long)]
    pub(super) why: String,
}

#[derive(Debug, Args)]
pub(super) struct VerifyArgs {
    #[command(flatten)]
    pub(super) config: ConfigArg,
    /// Count a published result that is gone from the outbox as damage. Leave this out where the
    /// reader of the outbox takes results away.
    #[arg(long)]
    pub(super) outbox_complete: bool,
    /// Print JSON.
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Debug, Args)]
pub(super) struct BackupArgs {
    #[command(flatten)]
    pub(super) config: ConfigArg,
    /// The new file; it must not exist yet.
    #[arg(value_name = "TO")]
    pub(super) to: PathBuf,
}

#[derive(Debug, Args)]
pub(super) struct RestoreArgs {
    #[command(flatten)]
    pub(super) config: ConfigArg,
    /// A file made by `backup`; it stays.
    #[arg(value_name = "FROM")]
    pub(super) from: PathBuf,
    /// Allow that there is a store already; it is kept beside, under another name.
    #[arg(long)]
    pub(super) replace: bool,
}

#[derive(Debug, Args)]
pub(super) struct EchoArgs {
    #[command(flatten)]
    pub(super) config: ConfigArg,
    /// Name of the destination.
    pub(super) destination: String,
    /// Print JSON.
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Debug, Args)]
pub(super) struct CheckConfigArgs {
    /// Configuration file.
    pub(super) file: PathBuf,
    /// Show every setting in force and where it comes from: the default, a file and line, or an
    /// environment variable.
    #[arg(long)]
    pub(super) explain: bool,
    /// Print JSON Lines, one mistake or setting a line.
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Debug, Args)]
pub(super) struct SimulateArgs {
    /// A scenario of the table; may be given more than once. All when left out.
    #[arg(long, value_name = "NAME", num_args = 1..)]
    pub(super) scenario: Vec<String>,
    /// Invented patients for each row.
    #[arg(long, value_name = "N", default_value_t = 20_000)]
    pub(super) patients: u64,
    /// Equal seeds give equal tables, on any machine and any number of cores.
    #[arg(long, value_name = "S", default_value_t = 1)]
    pub(super) seed: u64,
    /// Numbers of baseline exams, as 1,3.
    #[arg(long, value_name = "K", value_delimiter = ',', default_value = "1,3")]
    pub(super) k: Vec<usize>,
    /// Take the [baseline] of this configuration file, for the comparison and the patients.
    #[arg(long, value_name = "FILE")]
    pub(super) config: Option<PathBuf>,
    /// Print JSON Lines, one row a line.
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Debug, Args)]
pub(super) struct CalibrateArgs {
    #[command(flatten)]
    pub(super) config: ConfigArg,
    /// Write the proposed [baseline] table to this new file; the configuration stays as it is.
    #[arg(long, value_name = "FILE")]
    pub(super) write: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    pub(super) json: bool,
}

/// Arguments of `demo`.
#[derive(Debug, Args)]
pub(super) struct DemoArgs {
    /// Folder for the store, the outbox and the files sent; it must not exist yet, unless an
    /// earlier demo made it.
    #[arg(long, value_name = "DIR", default_value = "sheathline-demo")]
    pub(super) dir: PathBuf,
    /// Print JSON Lines, one exam a line.
    #[arg(long)]
    pub(super) json: bool,
}

impl From<DemoArgs> for crate::demo::Demo {
    fn from(args: DemoArgs) -> Self {
        crate::demo::Demo {
            dir: args.dir,
            json: args.json,
        }
    }
}
