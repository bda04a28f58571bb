//! What the package ships beside the program, written by the program itself so that it cannot fall
//! behind: manual pages, shell completions, the conformance statement.

use super::args::{self, GenerateCommand};
use super::{Failure, manual, print};
use crate::conformance;
use crate::export::dictionary;
use clap_complete::Shell;
use sheathline_model::codes;
use std::fs;
use std::path::Path;

/// `generate`: for whoever packages.
pub(super) fn generate(command: &GenerateCommand) -> Result<(), Failure> {
    match command {
        GenerateCommand::Man { dir } => into(dir, |dir| {
            clap_mangen::generate_to(args::command(), dir)?;
            Ok(())
        }),
        GenerateCommand::Completions { dir } => into(dir, |dir| {
            for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
                clap_complete::generate_to(shell, &mut args::command(), "sheathline", dir)?;
            }
            Ok(())
        }),
        GenerateCommand::Conformance => {
            print::lines(conformance::statement().trim_end());
            Ok(())
        }
        GenerateCommand::Tables => {
            print::lines(dictionary::dictionary().trim_end());
            Ok(())
        }
        GenerateCommand::Commands => {
            print::lines(manual::page().trim_end());
            Ok(())
        }
        GenerateCommand::Codes => {
            print::lines(codes::manual().trim_end());
            Ok(())
        }
        GenerateCommand::Failures => {
            print::lines(crate::manual::failures().trim_end());
            Ok(())
        }
    }
}

fn into(dir: &Path, write: impl Fn(&Path) -> std::io::Result<()>) -> Result<(), Failure> {
    fs::create_dir_all(dir)
        .and_then(|()| write(dir))
        .map_err(|error| Failure::at(dir, error))
}
