//! `label`: of one exam or several, by hand or from a table, and taken back.

use super::act::{Act, How, Serves, Step, act};
use super::person::{People, about, moment};
use super::table::{self, Row};
use super::who::Who;
use super::{Recorded, finish, finish_and_show};
use crate::cli::args::LabelArgs;
use crate::cli::{Code, Failure, context, print};
use crate::pipeline::Pipeline;
use sheathline_model::annotations::{self, By, Kind, Said};
use sheathline_model::domain::Label;
use sheathline_model::history::Places;
use sheathline_model::results::Site;
use sheathline_store::annotations::by_number;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Bytes of a table.
const TABLE_MAX: u64 = 16 << 20;

/// The label of a word; `None` for the word that takes it back.
pub(super) fn word(text: &str) -> Result<Option<Label>, String> {
    if text == "none" {
        return Ok(None);
    }
    let label = Label::ALL.into_iter().find(|label| label.word() == text);
    label.map(Some).ok_or_else(|| {
        let words = Label::ALL.map(Label::word).join(", ");
        format!("{text:?} is no label; write one of {words}, or none")
    })
}

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
    let done = act(&pipeline, &site, how, || match &rows {
        Some(rows) => {
            let by = |row: &Row| who.by(source, row.author.as_deref(), row.reason.as_deref());
            labels(&pipeline, &site, rows, args.table.as_deref(), &by)
        }
        None => taken_back(
            &pipeline,
            &site,
            &args.take_back,
            &who.by(source, None, None),
        ),
    })?;
    if args.table.is_none() || done.dry_run {
        return finish_and_show(&pipeline, &done, args.json);
    }
    finish(&pipeline)?;
    let rows = rows.as_ref().map_or(0, Vec::len);
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
    let label = word(last).map_err(Failure::usage)?;
    let mut seen = BTreeSet::new();
    let exams = exams.iter().filter(|exam| seen.insert(*exam));
    Ok(exams
        .map(|exam| Row {
            line: 0,
            by: "exam_id",
            exam: exam.clone(),
            label,
            author: None,
            reason: None,
        })
        .collect())
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

/// The act that gives exams their labels.
fn labels(
    pipeline: &Pipeline,
    site: &Site,
    rows: &[Row],
    table: Option<&Path>,
    by: &impl Fn(&Row) -> By,
) -> Result<Act, Failure> {
    let mut people = People::default();
    let (mut meant, mut mistakes) = (Vec::new(), Vec::new());
    // Person and exam, with the line that names them first.
    let mut seen: BTreeMap<(usize, usize), u64> = BTreeMap::new();
    for row in rows {
        let found = people.exam(pipeline.store(), &row.exam, site);
        let at = |what: &str| table::mistake(row.line, row.by, what);
        match found {
            Err(why) => match (why.of_typed()?, table) {
                (why, Some(_)) => mistakes.push(at(&why.to_string())),
                (why, None) => return Err(why.into()),
            },
            Ok(exam) => match seen.get(&exam) {
                Some(first) if table.is_some() => {
                    mistakes.push(at(&format!("names the exam of line {first} again")));
                }
                Some(_) => {}
                None => {
                    seen.insert(exam, row.line);
                    meant.push((exam, row));
                }
            },
        }
    }
    if let (Some(file), false) = (table, mistakes.is_empty()) {
        return Err(in_table(file, &mistakes));
    }
    let mut steps = Vec::with_capacity(meant.len());
    for (number, person) in people.all.iter().enumerate() {
        let places = Places::of(&person.exams);
        let theirs = || meant.iter().filter(|((of, _), _)| *of == number);
        let drafts = |own: usize, row: &Row, together: &BTreeSet<usize>| {
            let exam = person.exams.get(own)?;
            let rest = |old: &_| person.rest(&places, old, own, together);
            let said = |label| Said::Label(about(exam), label);
            let drafts = match row.label {
                Some(label) => annotations::say(&person.entries, &exam.patient, &said(label), rest),
                None => annotations::take_back(&person.entries, &said(Label::Well), rest),
            };
            Some((exam, drafts))
        };
        // Exams of which nothing new is said keep what an entry about several said of them too.
        let changed = theirs().filter(|((_, own), row)| {
            let drafts = drafts(*own, row, &BTreeSet::new());
            drafts.is_some_and(|(_, drafts)| !drafts.is_empty())
        });
        let changed: BTreeSet<usize> = changed.map(|((_, own), _)| *own).collect();
        for ((_, own), row) in theirs() {
            let Some((exam, drafts)) = drafts(*own, row, &changed) else {
                continue;
            };
            let word = row.label.map_or("no label", Label::word);
            let serves = match row.label {
                Some(Label::Well | Label::RaisedRuledOut) => Serves::Yes,
                Some(_) => Serves::No,
                None => Serves::Perhaps,
            };
            steps.push(Step {
                person: number,
                shown: person.line_of(exam),
                told: format!("exam {} of {}: {word}", exam.id, moment(exam)),
                already: match row.label {
                    Some(_) => format!("exam {} has that label already", exam.id),
                    None => format!("exam {} has no label already", exam.id),
                },
                exams: vec![(*own, serves)],
                drafts,
                by: by(row),
            });
        }
    }
    Ok(Act { people, steps })
}

/// The act that takes entries back, by their numbers.
fn taken_back(pipeline: &Pipeline, site: &Site, numbers: &[i64], by: &By) -> Result<Act, Failure> {
    let mut people = People::default();
    let mut steps = Vec::new();
    for number in numbers.iter().collect::<BTreeSet<_>>() {
        let entry = pipeline
            .store()
            .read(|conn| by_number(conn, *number))?
            .ok_or_else(|| {
                Failure::new(
                    Code::NotFound,
                    format!(
                        "there is no entry {number}; `entries PATIENT` shows those of a patient"
                    ),
                )
            })?;
        match entry.said.kind() {
            Kind::Label => {}
            Kind::Event => {
                return Err(Failure::new(
                    Code::Refused,
                    format!(
                        "entry {number} is an event; take it back with `event PATIENT DATE KIND --remove`"
                    ),
                ));
            }
            Kind::Pressure => {
                return Err(Failure::new(
                    Code::Refused,
                    format!(
                        "entry {number} is an opening pressure; take it back with `pressure EXAM none`"
                    ),
                ));
            }
            other => {
                return Err(Failure::new(
                    Code::Refused,
                    format!(
                        "entry {number} is no label but another kind of entry: {}",
                        other.word()
                    ),
                ));
            }
        }
        let person = people.of(pipeline.store(), &entry.patient, site)?;
        let Some(known) = people.all.get(person) else {
            continue;
        };
        let drafts = annotations::take_back_one(&known.entries, &entry)?;
        let places = Places::of(&known.exams);
        let exams = entry.said.about().map(|about| places.exams(about));
        let exams: Vec<usize> = exams.into_iter().flatten().collect();
        let lines = exams.iter().filter_map(|n| known.exams.get(*n));
        let lines: Vec<String> = lines.map(|exam| known.line_of(exam)).collect();
        let value = entry.said.value().unwrap_or_default();
        let of = if lines.is_empty() {
            "no exam that is told any more".to_owned()
        } else {
            lines.join("; ")
        };
        steps.push(Step {
            person,
            shown: format!("entry {number}, {value}, of {of}"),
            told: format!("entry {number}, {value}: taken back"),
            already: format!("entry {number} was taken back already"),
            exams: exams.into_iter().map(|n| (n, Serves::Perhaps)).collect(),
            drafts,
            by: by.clone(),
        });
    }
    Ok(Act { people, steps })
}
