//! `department`: how operators, devices and the service do, from the store.

use super::args::ConfigArg;
use super::{Failure, everyone, open, print};
use crate::known::known;
use crate::pipeline::times;
use chrono::{Local, NaiveDate};
use clap::Args;
use sheathline_model::department::report::{Report, page};
use sheathline_model::department::{Collector, Patient, Period};
use std::path::PathBuf;

/// Arguments of `department`.
#[derive(Debug, Args)]
pub(super) struct DepartmentArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// First day of the exams that count, YYYY-MM-DD. Control charts and practice look further back.
    #[arg(long, value_name = "DAY")]
    from: Option<NaiveDate>,
    /// Last day; it belongs to the days.
    #[arg(long, value_name = "DAY")]
    to: Option<NaiveDate>,
    /// Also write a page with pictures to this file; one of that name is replaced.
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Print JSON Lines.
    #[arg(long)]
    json: bool,
}

/// `department`: reads the store, person after person, and changes nothing.
pub(super) fn department(args: &DepartmentArgs) -> Result<(), Failure> {
    let period = Period {
        from: args.from,
        to: args.to,
    };
    if let (Some(from), Some(to)) = (args.from, args.to)
        && from > to
    {
        return Err(Failure::usage(format!(
            "--from {from} lies after --to {to}; no day is in between"
        )));
    }
    let config = open::config(&args.config.config)?;
    let store = open::guest(&config)?;
    let site = open::site(&config);
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
    if let Some(path) = &args.html {
        open::write(path, page(&report).as_bytes()).map_err(|error| Failure::at(path, error))?;
    }
    if args.json {
        for line in found.lines() {
            print::json(&line)?;
        }
        return Ok(());
    }
    print::lines(report.text());
    if let Some(path) = &args.html {
        print::line(format_args!("written: {}", path.display()));
    }
    Ok(())
}
