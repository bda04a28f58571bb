//! `department`: how operators, devices and the service do, from the store.

use super::args::{ConfigArg, OptionalPeriodArgs};
use super::{Failure, context, print};
use crate::department::statistics;
use chrono::Local;
use clap::Args;
use sheathline_model::department::Period;
use sheathline_model::department::report::{Report, page};
use std::io::IsTerminal;
use std::path::PathBuf;

/// Arguments of `department`.
#[derive(Debug, Args)]
pub(super) struct DepartmentArgs {
    #[command(flatten)]
    config: ConfigArg,
    #[command(flatten)]
    period: OptionalPeriodArgs,
    /// HTML file to write as well: one page with pictures.
    #[arg(short, long, alias = "html", value_name = "FILE")]
    output: Option<PathBuf>,
    /// Print JSON, one object a line.
    #[arg(long)]
    json: bool,
}

/// `department`: reads the store, person after person, and changes nothing.
pub(super) fn department(args: &DepartmentArgs) -> Result<(), Failure> {
    args.period.check()?;
    let OptionalPeriodArgs { from, to } = args.period;
    let period = Period { from, to };
    let config = context::config(&args.config.config)?;
    let store = context::guest(&config)?;
    let site = context::site(&config);
    let mut bar = None;
    let step = |done: usize, all: usize| {
        if bar.is_none() && std::io::stderr().is_terminal() {
            bar = Some(print::progress("reading patients", all as u64));
        }
        if let Some(bar) = &bar {
            bar.set_position(done as u64);
        }
    };
    let found = statistics(&store, (&site, config.baseline), period, step, drop)?;
    if let Some(bar) = bar {
        bar.finish_and_clear();
    }
    let report = Report::of(&found, Local::now().date_naive());
    if let Some(path) = &args.output {
        context::write(path, page(&report).as_bytes()).map_err(|error| Failure::at(path, error))?;
    }
    if args.json {
        for line in found.lines() {
            print::json(&line)?;
        }
        return Ok(());
    }
    print::lines(report.text());
    if let Some(path) = &args.output {
        print::line(format_args!("written: {}", path.display()));
    }
    Ok(())
}
