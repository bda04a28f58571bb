//! The commands: arguments, exit codes, and one module per family of commands.

mod account;
mod annotate;
mod args;
mod backfill;
mod before_after;
mod calibrate;
mod checking;
pub(crate) mod context;
pub(crate) mod daemon;
mod demo;
mod department;
mod echo;
mod enter;
mod entries;
mod everyone;
mod examples;
mod export;
mod failure;
mod generate;
mod inspect;
mod issuers;
mod maintain;
mod manual;
mod moving;
mod offline;
pub(crate) mod opening;
mod outbox;
mod past;
mod patient;
mod places;
pub(crate) mod print;
mod reaching;
mod render;
mod service;
mod simulate;
mod status;
mod supervisor;
mod template;
mod unmapped;
mod waiting;
mod worker;
mod working;
mod worklist;

use args::{
    AnnotationCommand, Cli, Command, QualityCommand, ReportCommand, ResultCommand, ServiceCommand,
    StoreCommand, TrialCommand,
};
pub(crate) use failure::{Code, Failure};

use clap::{ArgMatches, FromArgMatches};
use std::process::ExitCode;

/// Runs the command that the command line names.
#[must_use]
pub fn run() -> ExitCode {
    let matches = args::command().get_matches();
    let as_json = asks_for_json(&matches);
    if as_json {
        print::for_scripts();
    }
    let cli = Cli::from_arg_matches(&matches).unwrap_or_else(|error| error.exit());
    match carry_out(cli) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            if as_json {
                print::error_as_json(&failure)
            } else {
                print::error(&failure)
            }
            ExitCode::from(failure.code().exit())
        }
    }
}

/// Whether the command was given `--json`.
fn asks_for_json(matches: &ArgMatches) -> bool {
    match matches.subcommand() {
        Some((_, matches)) => asks_for_json(matches),
        None => matches!(matches.try_get_one("json"), Ok(Some(true))),
    }
}

fn carry_out(cli: Cli) -> Result<(), Failure> {
    match cli.command {
        Command::Service(command) => match command {
            ServiceCommand::Serve(args) => daemon::serve(&args),
            ServiceCommand::Status(args) => status::status(&args),
            ServiceCommand::CheckConfig(args) => checking::check_config(&args),
            ServiceCommand::Echo(args) => echo::echo(&args),
            ServiceCommand::Outbox(command) => outbox::outbox(&command),
            ServiceCommand::Account(command) => account::account(&command),
        },
        Command::Report(command) => match command {
            ReportCommand::Process(args) => daemon::process(&args),
            ReportCommand::Measure(args) => enter::measure(&args),
            ReportCommand::BringIn(args) => enter::bring_in(&args),
            ReportCommand::Backfill(args) => backfill::backfill(&args),
            ReportCommand::Quarantine(args) => inspect::quarantine(&args),
            ReportCommand::Unmapped(args) => unmapped::unmapped(&args),
        },
        Command::Result(command) => match command {
            ResultCommand::History(args) => inspect::history(&args),
            ResultCommand::Explain(args) => inspect::explain(&args),
            ResultCommand::Render(args) => render::render(&args),
            ResultCommand::Export(args) => export::export(&args),
        },
        Command::Annotation(command) => match command {
            AnnotationCommand::Label(args) => annotate::label(&args),
            AnnotationCommand::Event(args) => annotate::event(&args),
            AnnotationCommand::Pressure(args) => annotate::pressure(&args),
            AnnotationCommand::Worklist(args) => worklist::worklist(&args),
            AnnotationCommand::Acknowledge(args) => annotate::acknowledge(&args),
            AnnotationCommand::Settle(args) => annotate::settle(&args),
            AnnotationCommand::Note(args) => annotate::note(&args),
            AnnotationCommand::LeaveOut(args) => annotate::leave_out(&args),
            AnnotationCommand::TakeBack(args) => annotate::take_back(&args),
            AnnotationCommand::Second(args) => annotate::second(&args),
            AnnotationCommand::Entries(args) => entries::entries(&args),
            AnnotationCommand::Patient(command) => patient::patient(&command),
        },
        Command::Quality(command) => match command {
            QualityCommand::Department(args) => department::department(&args),
            QualityCommand::Calibrate(args) => calibrate::calibrate(&args),
            QualityCommand::Simulate(args) => simulate::simulate(&args),
        },
        Command::Store(command) => match command {
            StoreCommand::Verify(args) => maintain::verify(&args),
            StoreCommand::Backup(args) => maintain::backup(&args),
            StoreCommand::Restore(args) => maintain::restore(&args),
            StoreCommand::Compact(args) => maintain::compact(&args),
            StoreCommand::Move(args) => moving::move_store(&args),
        },
        Command::Trial(command) => match command {
            TrialCommand::Demo(args) => demo::run(&args.into()),
            TrialCommand::Read(args) => offline::read(&args),
            TrialCommand::Template(command) => template::template(&command),
            TrialCommand::Assess(args) => offline::assess(&args),
        },
        Command::Generate(command) => generate::generate(&command),
    }
}
