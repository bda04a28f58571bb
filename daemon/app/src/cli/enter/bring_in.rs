//! `bring-in`: a table of old values, the list of such tables, and one taken back as a whole.

use super::rest::{Rest, finish_many};
use super::{doubts, limits, tell_withdrawn};
use crate::cli::annotate::Who;
use crate::cli::args::{BringInArgs, RowsChoice};
use crate::cli::{Failure, context, print};
use crate::config::Config;
use crate::entering::{self, Bring, NotEntered, State};
use crate::pipeline::Pipeline;
use chrono::{Local, SecondsFormat};
use serde::Serialize;
use sha2::{Digest, Sha256};
use sheathline_model::annotations::By;
use sheathline_model::entered::table::{Column, Columns, Outcome, RowFault, Shape, Signing};
use sheathline_model::entered::{Declared, Table, table};
use sheathline_store::bringings;
use std::collections::BTreeSet;
use std::path::Path;

/// Bytes of a table that are read; what is read of it says the rest.
const TABLE_MAX: u64 = 64 << 20;

/// Tables that `--list` shows.
const LISTED: u32 = 10_000;

/// What `bring-in --json` prints.
#[derive(Serialize)]
struct Line {
    dry_run: bool,
    /// Its own number; `null`: nothing in it was new, or nothing was done.
    table: Option<i64>,
    rows: usize,
    left_out: usize,
    exams: usize,
    new: usize,
    counts_again: usize,
    already: usize,
    faults: Vec<Fault>,
    doubts: Vec<Fault>,
    /// What the service still has to make, of this table and of everything else that came.
    waiting: Rest,
}

/// A fault or doubt as it is printed.
#[derive(Serialize)]
struct Fault {
    line: u64,
    column: String,
    reason: String,
}

impl Fault {
    fn all(faults: &[RowFault]) -> Vec<Fault> {
        let fault = |one: &RowFault| Fault {
            line: one.line,
            column: one.column.clone(),
            reason: one.reason.clone(),
        };
        faults.iter().map(fault).collect()
    }
}

/// A table of `--list --json`.
#[derive(Serialize)]
struct Listed<'a> {
    table: i64,
    recorded_at: String,
    file: &'a str,
    sha256: String,
    rows: u32,
    exams: u32,
    /// Of these, how many are taken back.
    taken_back: usize,
    author: &'a str,
    reason: &'a str,
}

/// `bring-in`.
pub(in crate::cli) fn bring_in(args: &BringInArgs) -> Result<(), Failure> {
    let who = Who::of(&args.who).map_err(Failure::usage)?;
    let by = who.by("table", None, None);
    let (config, pipeline) = context::beside(&args.config.config)?;
    if args.list {
        return list(&pipeline, args.json);
    }
    if let Some(number) = &args.withdraw {
        return withdraw(args, &pipeline, number, &by);
    }
    let Some(file) = &args.file else {
        return Err(Failure::usage("FILE is missing"));
    };
    bring(args, &config, &pipeline, file, &by)
}

fn withdraw(args: &BringInArgs, pipeline: &Pipeline, number: &str, by: &By) -> Result<(), Failure> {
    let table = number
        .parse()
        .map_err(|_| Failure::usage(format!("--withdraw {number}: is no number of a table")))?;
    if args.dry_run {
        let reports = pipeline
            .store()
            .read(|view| bringings::reports(view, table))?;
        print::line(format_args!(
            "dry run: table {table}, {} reports would be taken back",
            reports.len()
        ));
        return Ok(());
    }
    let done = entering::take_back(pipeline.store(), table, by)?;
    finish_many(pipeline, done.reports, args.wait)?;
    tell_withdrawn(&format!("table {table}"), done, args.json)
}

fn bring(
    args: &BringInArgs,
    config: &Config,
    pipeline: &Pipeline,
    file: &Path,
    by: &By,
) -> Result<(), Failure> {
    let bytes = context::bytes_of(file, TABLE_MAX)?;
    let declared = declared(args, config)?;
    let signing = Signing {
        author: by.author.name().to_owned(),
        at: Local::now().fixed_offset(),
        reason: by.reason.clone(),
    };
    let read = table(&bytes, &declared, &signing, &limits(config)?);
    let looked = entering::look_at(pipeline.store(), &read)?;
    let name = file.file_name().unwrap_or_default().to_string_lossy();
    if !args.json || !args.dry_run {
        refuse(&name, &read, &looked.faults, args.dry_run)?;
    }
    let said: Vec<String> = looked.doubts.iter().map(ToString::to_string).collect();
    doubts(&said, args.accept_doubts, args.dry_run)?;
    let brought = if args.dry_run {
        None
    } else {
        let observed = context::observed(config)?;
        let bring = Bring {
            table: &read,
            by,
            file_name: &name,
            file_sha256: Sha256::digest(&bytes).into(),
            current_days: Some(entering::CURRENT_DAYS),
        };
        Some(entering::bring_in(pipeline.store(), &observed, &bring)?)
    };
    let mut line = Line {
        dry_run: args.dry_run,
        table: brought.and_then(|brought| brought.number),
        rows: read.rows.len(),
        left_out: left_out(&read),
        exams: read.exams.len(),
        new: looked.count(State::New),
        counts_again: looked.count(State::Again),
        already: looked.count(State::Already),
        faults: Fault::all(&looked.faults),
        doubts: Fault::all(&looked.doubts),
        waiting: Rest::default(),
    };
    print::line(format_args!(
        "rows {}, left out {}, exams {}: new {}, counting again {}, here already {}",
        line.rows, line.left_out, line.exams, line.new, line.counts_again, line.already
    ));
    match (args.dry_run, line.table) {
        (true, _) => print::line("dry run: nothing was kept"),
        (false, None) => print::line("nothing in it was new; nothing was recorded"),
        (false, Some(number)) => print::line(format_args!(
            "brought in as table {number}; bring-in --withdraw {number} takes it back as a whole"
        )),
    }
    if !args.dry_run {
        line.waiting = finish_many(pipeline, line.new + line.counts_again, args.wait)?;
    }
    if args.json {
        print::json(&line)?;
    }
    if looked.faults.is_empty() {
        Ok(())
    } else {
        Err(NotEntered::Lines(looked.faults).into())
    }
}

fn left_out(table: &Table) -> usize {
    let rows = table.rows.iter();
    rows.filter(|row| row.outcome == Outcome::LeftOut).count()
}

/// Every fault, and what can be done about them.
fn refuse(name: &str, read: &Table, faults: &[RowFault], dry_run: bool) -> Result<(), Failure> {
    if faults.is_empty() {
        return Ok(());
    }
    let told: Vec<String> = faults.iter().map(|one| format!("{name}: {one}")).collect();
    let what = if dry_run { "would be" } else { "was" };
    let rows: BTreeSet<u64> = read.rows.iter().map(|row| row.line).collect();
    let lines: BTreeSet<u64> = faults.iter().map(|one| one.line).collect();
    // The line that names the columns is no row, and cannot be left out.
    let todo = if lines.is_subset(&rows) {
        let lines: Vec<String> = lines.iter().map(u64::to_string).collect();
        format!(
            "mend these lines, or leave them out: --leave-out {}",
            lines.join(",")
        )
    } else {
        "mend the table; --column COLUMN=NAME says what a column is called in it, --ignore NAME that it \
         is not to be read"
            .to_owned()
    };
    Err(Failure::usage(format!(
        "{}\nnothing {what} brought in; {todo}",
        told.join("\n")
    )))
}

fn declared(args: &BringInArgs, config: &Config) -> Result<Declared, Failure> {
    let needed = |what: &str| Failure::usage(format!("{what} is missing"));
    let unit = args.unit.ok_or_else(|| needed("--in-unit"))?;
    let dates = args.dates.as_deref().ok_or_else(|| needed("--dates"))?;
    let mut columns = Columns::default();
    for pair in &args.column {
        let wrong = |what: String| Failure::usage(format!("--column {pair}: {what}"));
        let (column, name) = pair
            .split_once('=')
            .ok_or_else(|| wrong("write COLUMN=NAME".to_owned()))?;
        let column: Column = column.parse().map_err(wrong)?;
        if columns
            .called
            .insert(column, name.trim().to_owned())
            .is_some()
        {
            return Err(wrong("is given twice".to_owned()));
        }
    }
    columns.ignored = args.ignore.iter().cloned().collect();
    let shape = match args.rows {
        RowsChoice::Exams => Shape::Exams,
        RowsChoice::Readings => Shape::Readings,
    };
    let default = &config.dicom.default_issuer;
    Ok(Declared {
        dates: dates
            .parse()
            .map_err(|what| Failure::usage(format!("--dates: {what}")))?,
        separator: args.separator,
        decimal: args.decimal.into(),
        columns,
        issuer: args.default_issuer.as_ref().unwrap_or(default).clone(),
        leave_out: args.leave_out.iter().copied().collect(),
        ..Declared::new(unit.into(), shape)
    })
}

fn list(pipeline: &Pipeline, json: bool) -> Result<(), Failure> {
    let store = pipeline.store();
    let all = store.read(|view| bringings::newest(view, LISTED))?;
    let numbers: Vec<i64> = all.iter().map(|one| one.number).collect();
    let taken_back = store.read(|view| entering::taken_back(view, &numbers))?;
    for (one, taken_back) in all.iter().zip(taken_back) {
        let brought = &one.brought;
        let line = Listed {
            table: one.number,
            recorded_at: one.recorded_at.to_rfc3339_opts(SecondsFormat::Secs, true),
            file: &brought.file_name,
            sha256: hex(&brought.file_sha256),
            rows: brought.rows,
            exams: one.reports,
            taken_back,
            author: brought.by.author.name(),
            reason: &brought.by.reason,
        };
        if json {
            print::json(&line)?;
            continue;
        }
        let state = match taken_back {
            0 => String::new(),
            back => format!(", {back} taken back"),
        };
        print::line(format_args!(
            "table {}: {}, {} exams of {} rows{state}; {} by {}",
            line.table, line.file, line.exams, line.rows, line.recorded_at, line.author
        ));
    }
    if all.is_empty() && !json {
        print::line("no table was brought in");
    }
    Ok(())
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}
