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
mod generate;
mod issuers;
mod keep;
mod look;
pub(crate) mod open;
mod outbox;
mod past;
mod patient;
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

pub use args::Cli;

use sheathline_store::{Store, StoreError};
use std::process::ExitCode;

/// Why a command did not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// The answer is no, or something failed its check: exit code 1.
    #[error("{0}")]
    No(String),
    /// Wrong usage or configuration: exit code 2.
    #[error("{0}")]
    Usage(String),
    /// The disk failed, or the store is not the one it was: exit code 74 (EX_IOERR of sysexits.h), for
    /// whoever watches over it.
    #[error("{0}")]
    Doubt(String),
}

impl Failure {
    pub(crate) fn no(error: impl std::fmt::Display) -> Self {
        Failure::No(error.to_string())
    }

    /// Of the store: whether it did not do what was asked, or can be relied on no more.
    pub(crate) fn of_store(error: StoreError) -> Self {
        match error {
            StoreError::InDoubt { .. } | StoreError::Older { .. } | StoreError::Mixed { .. } => {
                Failure::Doubt(error.to_string())
            }
            error => Failure::no(error),
        }
    }

    /// A store that takes nothing more, if it does not.
    pub(crate) fn of_doubt(store: &Store) -> Option<Self> {
        let why = store.doubt()?.to_owned();
        Some(Failure::of_store(StoreError::InDoubt { why }))
    }
}

/// Runs the command and says how it ended: 0 done, 1 the answer is no, 2 wrong usage, 74 a store in
/// doubt.
#[must_use]
pub fn run(cli: Cli) -> ExitCode {
    let outcome = match cli.command {
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
    };
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            print::error(&failure);
            ExitCode::from(match failure {
                Failure::No(_) => 1,
                Failure::Usage(_) => 2,
                Failure::Doubt(_) => 74,
            })
        }
    }
}
