//! The rows of a table as they are looked at: what was understood, why one is refused.

use super::super::measure::limits;
use super::super::{Desk, Failed, Visitor};
use super::{Kept, ROWS, hex};
use crate::entering;
use chrono::{Local, Utc};
use sheathline_model::domain::Eye;
use sheathline_model::entered::table::{Outcome, RowFault, Signing, lines};
use sheathline_model::entered::{Table, Typed, TypedReading, table};
use sheathline_model::pages::bring::{Header, Line, Preview, State as RowState};
use sheathline_model::pages::measure::Proof;
use sheathline_store::bringings;
use std::collections::{BTreeMap, BTreeSet};

/// A table with what the store makes of it.
pub(super) struct Looked {
    /// `None`: not everything is declared yet.
    read: Option<(Table, entering::Looked)>,
    problem: Option<String>,
}

pub(super) fn looked(desk: &Desk, visitor: &Visitor, kept: &Kept) -> Result<Looked, Failed> {
    let declared = match kept.declaring.declared() {
        Ok(declared) => declared,
        Err(problem) => {
            return Ok(Looked {
                read: None,
                problem: Some(problem),
            });
        }
    };
    let signing = signing_now(visitor, "");
    let table = table(kept.text.as_bytes(), &declared, &signing, &limits(desk));
    let of_store = entering::look_at(&desk.store, &table)?;
    Ok(Looked {
        read: Some((table, of_store)),
        problem: None,
    })
}

pub(super) fn signing_now(visitor: &Visitor, reason: &str) -> Signing {
    Signing {
        author: visitor.name.clone(),
        at: Local::now().fixed_offset(),
        reason: reason.to_owned(),
    }
}

impl Looked {
    pub(super) fn view(self, desk: &Desk, kept: &Kept, page: usize) -> Result<Preview, Failed> {
        let Looked { read, problem } = self;
        let separator = kept.declaring.separator().unwrap_or(',');
        let stands = lines(kept.text.as_bytes(), separator).unwrap_or_default();
        let mut stands = stands.into_iter();
        let header = stands.next().map(|(_, names)| names).unwrap_or_default();
        let headers = header.into_iter().map(|name| Header {
            chosen: kept
                .declaring
                .columns
                .get(&name)
                .cloned()
                .unwrap_or_default(),
            name,
        });
        let headers = headers.collect();
        let stands: BTreeMap<u64, Vec<String>> = stands.collect();
        let (table, of_store) = read.unwrap_or_default();
        let mut lines = rows(&table, &of_store, &stands);
        // What needs somebody comes first.
        lines.sort_by_key(|line| match &line.state {
            RowState::Refused(_) => 0,
            _ if !line.doubts.is_empty() => 1,
            _ => 2,
        });
        let count = |of: fn(&RowState) -> bool| lines.iter().filter(|one| of(&one.state)).count();
        let counts = [
            count(|state| matches!(state, RowState::Accepted(_))),
            count(|state| matches!(state, RowState::Refused(_))),
            count(|state| *state == RowState::LeftOut),
        ];
        let doubts = lines.iter().filter(|line| !line.doubts.is_empty()).count();
        let numbers: BTreeSet<u64> = lines.iter().map(|line| line.line).collect();
        let pages = lines.len().div_ceil(ROWS).max(1);
        let page = page.clamp(1, pages);
        let sha256 = kept.sha256();
        let before = desk.store.read(|view| bringings::of_file(view, &sha256))?;
        Ok(Preview {
            draft: 0,
            file_name: kept.file_name.clone(),
            sha256: hex(&sha256),
            bytes: kept.text.len(),
            saved_at: Utc::now(),
            declaring: kept.declaring.clone(),
            headers,
            // What names no row.
            faults: of_store
                .faults
                .into_iter()
                .filter(|fault| !numbers.contains(&fault.line))
                .collect(),
            problem,
            lines: lines
                .into_iter()
                .skip((page - 1) * ROWS)
                .take(ROWS)
                .collect(),
            page: (page, pages),
            counts,
            exams: table.exams.len(),
            doubts,
            before: before.first().map(|one| one.number),
            proof: Proof::SignIn,
        })
    }
}

/// Every row: accepted and as what, refused and why, or left out.
fn rows(
    table: &Table,
    of_store: &entering::Looked,
    stands: &BTreeMap<u64, Vec<String>>,
) -> Vec<Line> {
    let by_line = |all: &[RowFault]| {
        let mut lines: BTreeMap<u64, Vec<RowFault>> = BTreeMap::new();
        for fault in all {
            lines.entry(fault.line).or_default().push(fault.clone());
        }
        lines
    };
    let mut faults = by_line(&of_store.faults);
    let mut doubts = by_line(&of_store.doubts);
    let mut understood: BTreeMap<u64, String> = BTreeMap::new();
    for (exam, state) in table.exams.iter().zip(&of_store.states) {
        let said = match state {
            entering::State::New => told(&exam.typed),
            entering::State::Again => {
                format!("{}; it was taken back, and counts again", told(&exam.typed))
            }
            entering::State::Already => {
                format!("{}; it is here already, and stays once", told(&exam.typed))
            }
        };
        for line in &exam.lines {
            understood.insert(*line, said.clone());
        }
    }
    let line =
        |row: &sheathline_model::entered::table::Row| {
            let fields = stands.get(&row.line).map(Vec::as_slice);
            let of_row = faults.remove(&row.line);
            Line {
                line: row.line,
                as_it_stands: fields.unwrap_or_default().join(" | "),
                state: match (&row.outcome, of_row) {
                    (Outcome::LeftOut, _) => RowState::LeftOut,
                    (Outcome::Refused(faults), None) => RowState::Refused(faults.clone()),
                    (_, Some(faults)) => RowState::Refused(faults),
                    (Outcome::Accepted, None) => {
                        let said = understood.remove(&row.line);
                        RowState::Accepted(said.unwrap_or_else(|| {
                            "read; another row of its exam is refused".to_owned()
                        }))
                    }
                },
                doubts: doubts.remove(&row.line).unwrap_or_default(),
            }
        };
    table.rows.iter().map(line).collect()
}

/// An exam as it was understood.
fn told(typed: &Typed) -> String {
    let eye = |eye: Eye| {
        let all: Vec<String> = typed
            .readings(eye)
            .iter()
            .map(TypedReading::digits)
            .collect();
        match all.as_slice() {
            [] => format!("{} none", eye.word()),
            all => format!("{} {} mm", eye.word(), all.join(", ")),
        }
    };
    let time = typed.time.map(|time| time.format(" %H:%M").to_string());
    format!(
        "{}, born {}, measured {}{}: {}; {}",
        typed.subject.patient.id,
        typed.subject.birth_date,
        typed.day,
        time.unwrap_or_default(),
        eye(Eye::Right),
        eye(Eye::Left)
    )
}

/// The lines that are refused.
pub(super) fn refused(desk: &Desk, visitor: &Visitor, kept: &Kept) -> Result<Vec<u64>, Failed> {
    let Some((table, of_store)) = looked(desk, visitor, kept)?.read else {
        return Ok(Vec::new());
    };
    let lines = rows(&table, &of_store, &BTreeMap::new()).into_iter();
    let refused = lines.filter(|line| matches!(line.state, RowState::Refused(_)));
    Ok(refused.map(|line| line.line).collect())
}
