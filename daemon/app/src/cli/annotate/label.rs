//! `label`: of one exam or several, by hand or from a table, and taken back.

use super::act::{How, act};
use super::who::Who;
use super::{Recorded, finish, finish_and_show};
use crate::acts::table::{self, Row, word};
use crate::acts::{ActError, NotMeant, Order, Unfound, Wish};
use crate::cli::args::LabelArgs;
use crate::cli::{Code, Failure, context, print};
use crate::pipeline::Pipeline;
use sheathline_model::annotations::Kind;
use sheathline_model::domain::Label;
use sheathline_store::annotations::by_number;
use std::collections::BTreeSet;
use std::path::Path;

/// Bytes of a table.
const TABLE_MAX: u64 = 16 << 20;

/// `label`.
pub(in crate::cli) fn label(args: &LabelArgs) -> Result<(), Failure> {
    let who = Who::of(&args.who).map_err(Failure::usage)?;
    let rows = match &args.table {
        Some(file) => Some(rows_of(file)?),
        None if args.take_back.is_empty() => Some(typed(&args.words)?),
        None => None,
    };
    let (config, pipeline) = context::beside(&args.config.config)?;
    let site = context::site(&config);
    let how = How {
        dry_run: args.dry_run,
        yes: args.yes,
    };
    let source = match args.table {
        Some(_) => "table",
        None => "command",
    };
    let order = |exams, wish, by| Order {
        exams,
        patient: None,
        wish,
        by,
    };
    let orders: Vec<Order> = match (&rows, &args.table) {
        (Some(rows), _) => rows
            .iter()
            .map(|row| {
                let by = who.by(source, row.author.as_deref(), row.reason.as_deref());
                order(row.exams.clone(), Wish::Label(row.label), by)
            })
            .collect(),
        (None, _) => {
            labels_alone(&pipeline, &args.take_back)?;
            let numbers: BTreeSet<i64> = args.take_back.iter().copied().collect();
            let numbers = numbers.into_iter();
            numbers
                .map(|number| {
                    let by = who.by(source, None, None);
                    order(Vec::new(), Wish::TakeBackEntry(number), by)
                })
                .collect()
        }
    };
    let done = act(&pipeline, &site, how, &orders, |error| {
        match (&rows, &args.table) {
            (Some(rows), Some(file)) => not_meant(rows, file, error),
            _ => error.into(),
        }
    })?;
    if args.table.is_none() || done.dry_run {
        return finish_and_show(&pipeline, &done, args.json);
    }
    finish(&pipeline)?;
    let rows = orders.len();
    print::line(format_args!("rows {rows}, patients {}", done.of_whom.len()));
    if args.json {
        print::json(&Recorded::of(&pipeline, &done)?)
    } else {
        Ok(())
    }
}

/// Exams and their label as typed.
fn typed(words: &[String]) -> Result<Vec<Row>, Failure> {
    let Some((last, exams)) = words.split_last().filter(|(_, exams)| !exams.is_empty()) else {
        return Err(Failure::usage(
            "name an exam, or several, and then the label",
        ));
    };
    Ok(vec![Row {
        line: 0,
        by: "exam_id",
        exams: exams.to_vec(),
        label: word(last).map_err(Failure::usage)?,
        author: None,
        reason: None,
    }])
}

fn rows_of(file: &Path) -> Result<Vec<Row>, Failure> {
    let bytes = context::bytes_of(file, TABLE_MAX)?;
    let text = String::from_utf8(bytes).map_err(|_| {
        Failure::usage(format!(
            "{}: is not UTF-8; save it as UTF-8",
            file.display()
        ))
    })?;
    table::read(&text).map_err(|mistakes| in_table(file, &mistakes))
}

/// Every mistake of a table on a line of its own.
fn in_table(file: &Path, mistakes: &[String]) -> Failure {
    let file = file.display();
    let lines: Vec<String> = mistakes
        .iter()
        .map(|one| format!("{file}: {one}"))
        .collect();
    Failure::usage(format!("{}\nnothing was recorded", lines.join("\n")))
}

/// What is told of a table whose exams cannot be meant: all of it, by line and column.
fn not_meant(rows: &[Row], file: &Path, error: ActError) -> Failure {
    let ActError::Unfound(unfound) = error else {
        return error.into();
    };
    let at = |one: &Unfound| {
        let row = rows.get(one.order)?;
        let what = match &one.why {
            NotMeant::NotOne(why) => why.to_string(),
            NotMeant::Again(first) => {
                let before = rows.get(*first);
                let line = before.map_or(0, |row| row.line);
                let said = |row: &Row| row.label.map_or("none", Label::word);
                match before.filter(|before| before.label != row.label) {
                    Some(before) => format!(
                        "names the exam of line {line} again, and says {} where that says {}",
                        said(row),
                        said(before)
                    ),
                    None => format!("names the exam of line {line} again"),
                }
            }
        };
        Some(table::mistake(row.line, row.by, &what))
    };
    let mistakes: Vec<String> = unfound.iter().filter_map(at).collect();
    in_table(file, &mistakes)
}

/// Refuses to take back by number what is taken back by its own command.
fn labels_alone(pipeline: &Pipeline, numbers: &[i64]) -> Result<(), Failure> {
    for number in numbers {
        let entry = pipeline.store().read(|view| by_number(view, *number))?;
        let refuse = |what: &str| {
            Err(Failure::new(
                Code::Refused,
                format!("entry {number} is {what}"),
            ))
        };
        match entry.map(|entry| entry.said.kind()) {
            Some(Kind::Event) => {
                return refuse("an event; take it back with `event PATIENT DATE KIND --remove`");
            }
            Some(Kind::Pressure) => {
                return refuse("an opening pressure; take it back with `pressure EXAM none`");
            }
            // Of everything else the number is the one name it has.
            _ => {}
        }
    }
    Ok(())
}
