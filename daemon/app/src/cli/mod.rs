//! The commands: arguments, exit codes, and one module per family of commands.

mod args;
mod ask;
mod backfill;
mod calibrate;
pub(crate) mod daemon;
mod demo;
mod department;
mod echo;
mod entries;
mod everyone;
mod export;
mod failure;
mod generate;
mod issuers;
mod keep;
mod look;
pub(crate) mod open;
mod outbox;
mod past;
mod patient;
mod places;
pub(crate) mod print;
mod render;
mod say;
mod service;
mod simulate;
mod status;
mod supervisor;
mod template;
mod unmapped;
mod worker;
mod working;

use args::Cli;
pub(crate) use failure::{Code, Failure};

use clap::{ArgMatches, CommandFactory, FromArgMatches};
use std::process::ExitCode;

/// Runs the command that the command line names.
#[must_use]
pub fn run() -> ExitCode {
    let matches = Cli::command().get_matches();
    let as_json = asks_for_json(&matches);
    let cli = Cli::from_arg_matches(&matches).unwrap_or_else(|error| error.exit());
    match carry_out(cli) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            match as_json {
                true => print::error_as_json(&failure),
                false => print::error(&failure),
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
        args::Command::Serve(args) => daemon::serve(&args),
        args::Command::Process(args) => daemon::process(&args),
        args::Command::Demo(args) => crate::cli::demo::run(&args.into()),
        args::Command::Read(args) => ask::read(&args),
        args::Command::Assess(args) => ask::assess(&args),
        args::Command::Simulate(args) => simulate::simulate(&args),
        args::Command::Calibrate(args) => calibrate::calibrate(&args),
        args::Command::Backfill(args) => backfill::backfill(&args),
        args::Command::Department(args) => department::department(&args),
        args::Command::Echo(args) => echo::echo(&args),
        args::Command::CheckConfig(args) => ask::check_config(&args),
        args::Command::Outbox(command) => outbox::outbox(&command),
        args::Command::Verify(args) => keep::verify(&args),
        args::Command::Backup(args) => keep::backup(&args),
        args::Command::Restore(args) => keep::restore(&args),
        args::Command::Compact(args) => keep::compact(&args),
        args::Command::Export(args) => export::export(&args),
        args::Command::Explain(args) => look::explain(&args),
        args::Command::History(args) => look::history(&args),
        args::Command::Render(args) => render::render(&args),
        args::Command::Quarantine(args) => look::quarantine(&args),
        args::Command::Template(command) => template::template(&command),
        args::Command::Unmapped(args) => unmapped::unmapped(&args),
        args::Command::Label(args) => say::label(&args),
        args::Command::Patient(command) => patient::patient(&command),
        args::Command::Pressure(args) => say::pressure(&args),
        args::Command::Event(args) => say::event(&args),
        args::Command::Entries(args) => entries::entries(&args),
        args::Command::Status(args) => status::status(&args),
        args::Command::Generate(command) => generate::generate(&command),
    }
}
