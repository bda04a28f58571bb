//! `department`: how operators, devices and the service do, from the store.

use super::args::{ConfigArg, OptionalPeriodArgs};
use super::{Failure, context, everyone, print};
use crate::known::known;
use crate::pipeline::times;
use chrono::Local;
use clap::Args;
use sheathline_model::department::report::{Report, page};
use sheathline_model::department::{Collector, Patient, Period};
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
    let mut all = Collector::new(config.baseline, period)?;
    everyone::each(
        &store,
        |conn, key| {
            let known = known(conn, key)?;
            let ids = known.person.iter().flat_map(|person| &person.ids);
            let times = times(conn, ids, &known, &site)?;
            Ok((known, times))
        },
        |(known, times)| {
            let persons = Patient::all_of(&known, &site)?;
            all.leave_out(persons.nobodys);
            let mut patients = persons.patients.iter();
            patients
                .try_for_each(|patient| all.add(patient, &times))
                .map_err(Failure::from)
        },
    )?;
    let found = all.finish()?;
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
