//! What the package ships beside the program, written by the program itself so that it cannot fall
//! behind: manual pages, shell completions, the conformance statement.

use super::args::{self, GenerateCommand};
use super::{Failure, examples, manual, print};
use crate::conformance;
use crate::export::dictionary;
use clap::Command;
use clap_complete::Shell;
use clap_mangen::Man;
use clap_mangen::roff::{Roff, bold, italic, roman};
use sheathline_model::codes;
use std::fs;
use std::path::Path;

/// `generate`: for whoever packages.
pub(super) fn generate(command: &GenerateCommand) -> Result<(), Failure> {
    match command {
        GenerateCommand::Man { dir } => into(dir, |dir| {
            let mut all = args::command().disable_help_subcommand(true);
            // Gives each command its whole name.
            all.build();
            pages(&all, dir)
        }),
        GenerateCommand::Completions { dir } => into(dir, |dir| {
            for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
                clap_complete::generate_to(shell, &mut args::shown(), "sheathline", dir)?;
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

/// A page for a command and for each below it, those that are not shown left out.
fn pages(command: &Command, dir: &Path) -> std::io::Result<()> {
    let shown = |one: &&Command| !one.is_hide_set();
    for one in command.get_subcommands().filter(shown) {
        pages(one, dir)?;
    }
    let whole = command.get_bin_name().unwrap_or(command.get_name());
    let man = Man::new(command.clone());
    let mut page = Vec::new();
    man.render(&mut page)?;
    more(whole).to_writer(&mut page)?;
    fs::write(dir.join(man.get_filename()), page)
}

/// What the definitions do not say: examples, exit status, files.
fn more(whole: &str) -> Roff {
    let mut page = Roff::new();
    let name = whole.strip_prefix("sheathline ").unwrap_or_default();
    let examples = examples::of(name);
    if !examples.is_empty() {
        page.control("SH", ["EXAMPLES"]);
    }
    for (line, does) in examples {
        page.control("TP", []);
        page.text([bold(format!("sheathline {line}"))]);
        page.text([roman(*does)]);
    }
    page.control("SH", ["EXIT STATUS"]);
    for (code, means) in [
        ("0", "Done."),
        ("1", "The answer is no, or something failed."),
        ("2", "Wrong usage or configuration."),
        (
            "74",
            "The store is in doubt: look at the disk, then start again.",
        ),
    ] {
        page.control("TP", []);
        page.text([bold(code)]);
        page.text([roman(means)]);
    }
    page.control("SH", ["FILES"]);
    for (path, holds) in [
        (
            "/etc/sheathline/sheathline.toml",
            "The configuration of the package, named by SHEATHLINE_CONFIG or --config.",
        ),
        (
            "/etc/sheathline/conf.d/*.toml",
            "What lies over it, by name.",
        ),
        (
            "/var/lib/sheathline/store.sqlite",
            "The store, where the configuration names no other.",
        ),
        ("/var/lib/sheathline/outbox", "Finished results."),
        (
            "/usr/share/doc/sheathline/daemon.toml",
            "Every setting, with its default and meaning.",
        ),
    ] {
        page.control("TP", []);
        page.text([italic(path)]);
        page.text([roman(holds)]);
    }
    if !name.is_empty() {
        page.control("SH", ["SEE ALSO"]);
        page.text([bold("sheathline"), roman("(1)")]);
    }
    page
}

fn into(dir: &Path, write: impl Fn(&Path) -> std::io::Result<()>) -> Result<(), Failure> {
    fs::create_dir_all(dir)
        .and_then(|()| write(dir))
        .map_err(|error| Failure::at(dir, error))
}
