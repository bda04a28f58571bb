//! `entries`: what was said of a patient, by whom and when, and what was corrected.

use super::args::EntriesArgs;
use super::{Failure, context, print};
use crate::acts::moment;
use crate::known::known;
use chrono::SecondsFormat;
use serde::Serialize;
use sheathline_model::annotations::{Entry, Of, Said, standing};
use sheathline_model::domain::PatientKey;
use sheathline_model::history::{Exam, Places};
use sheathline_model::results;
use sheathline_store::{annotations, identity};
use std::collections::{BTreeMap, BTreeSet};

/// One line of `entries --json`.
#[derive(Serialize)]
struct Line<'a> {
    entry: i64,
    act: i64,
    patient: &'a PatientKey,
    kind: &'static str,
    /// `null`: it takes the entry back that it corrects.
    value: Option<String>,
    date: Option<String>,
    study_instance_uid: Option<&'a str>,
    /// The exams that it is about, as they are told now.
    exam_ids: Vec<&'a str>,
    /// How many readings it names; 0 where it is of all of the study.
    readings: Option<usize>,
    recorded_at: String,
    author: &'a str,
    author_kind: &'static str,
    entered_by: &'a str,
    source: &'a str,
    reason: &'a str,
    corrects: Option<i64>,
    corrected_by: Vec<i64>,
    counts: bool,
}

/// `entries`: everything, oldest first.
pub(super) fn entries(args: &EntriesArgs) -> Result<(), Failure> {
    let config = context::config(&args.config.config)?;
    let store = context::guest(&config)?;
    let key = context::patient(&store, &args.patient)?;
    let (all, known) = store.read(|conn| {
        let person = identity::person(conn, &key)?;
        Ok((annotations::of_ids(conn, &person.ids)?, known(conn, &key)?))
    })?;
    let exams = results::exams(&known, &context::site(&config));
    let places = Places::of(&exams);
    let counting: BTreeSet<i64> = standing(&all).map(|one| one.id).collect();
    let mut correcting: BTreeMap<i64, Vec<i64>> = BTreeMap::new();
    for one in &all {
        if let Some(named) = one.corrects {
            correcting.entry(named).or_default().push(one.id);
        }
    }
    let is_taking = |id: &i64| {
        let found = all.iter().find(|one| one.id == *id);
        found.is_some_and(|one| matches!(one.said, Said::Nothing(..)))
    };
    for one in &all {
        let about = one.said.about().map(|about| places.exams(about));
        let of: Vec<&Exam> = about
            .into_iter()
            .flatten()
            .filter_map(|n| exams.get(n))
            .collect();
        let corrected_by = correcting.get(&one.id).cloned().unwrap_or_default();
        let counts = counting.contains(&one.id);
        if args.json {
            print::json(&line(one, &of, corrected_by, counts))?;
            continue;
        }
        let state = match (counts, corrected_by.iter().partition(|id| is_taking(id))) {
            (true, _) => "counts".to_owned(),
            (false, (taking, correcting)) => {
                let (taking, correcting): (Vec<&i64>, Vec<&i64>) = (taking, correcting);
                match (correcting.first(), taking.first()) {
                    (Some(id), _) => format!("corrected by entry {id}"),
                    (None, Some(id)) => format!("taken back by entry {id}"),
                    (None, None) => String::new(),
                }
            }
        };
        show(one, &of, &state);
    }
    if all.is_empty() && !args.json {
        print::line("no entries of this patient");
    }
    Ok(())
}

fn line<'a>(one: &'a Entry, of: &[&'a Exam], corrected_by: Vec<i64>, counts: bool) -> Line<'a> {
    let about = one.said.about();
    Line {
        entry: one.id,
        act: one.act,
        patient: &one.patient,
        kind: one.said.kind().word(),
        value: one.said.value(),
        date: match one.said.of() {
            Of::Day(date) => Some(date.to_string()),
            Of::Exam(_) => None,
        },
        study_instance_uid: about.map(|about| about.study_instance_uid.as_str()),
        exam_ids: of.iter().map(|exam| exam.id.as_str()).collect(),
        readings: about.map(|about| about.readings.len()),
        recorded_at: recorded(one),
        author: one.by.author.name(),
        author_kind: one.by.author.kind(),
        entered_by: &one.by.entered_by,
        source: &one.by.source,
        reason: &one.by.reason,
        corrects: one.corrects,
        corrected_by,
        counts,
    }
}

fn recorded(one: &Entry) -> String {
    one.recorded_at.to_rfc3339_opts(SecondsFormat::Secs, true)
}

fn show(one: &Entry, of: &[&Exam], state: &str) {
    let what = match (one.said.value(), one.corrects) {
        (None, Some(named)) => format!("takes back entry {named}"),
        (value, named) => {
            let value = value.unwrap_or_default();
            let named = named.map_or(String::new(), |named| format!(", corrects entry {named}"));
            format!("{value}{named}")
        }
    };
    let of = match one.said.of() {
        Of::Day(date) => format!("on {date}"),
        Of::Exam(about) => {
            let exams: Vec<String> = of
                .iter()
                .map(|exam| format!("exam {} of {}", exam.id, moment(exam)))
                .collect();
            if exams.is_empty() {
                format!("study {}", about.study_instance_uid)
            } else {
                exams.join(", ")
            }
        }
    };
    let by = match one.by.author.name() {
        "" => "an unknown author".to_owned(),
        name => name.to_owned(),
    };
    let entered = match one.by.entered_by.as_str() {
        "" => String::new(),
        user if user == by => String::new(),
        user => format!(", entered by {user}"),
    };
    let reason = match one.by.reason.as_str() {
        "" => String::new(),
        reason => format!("; {reason}"),
    };
    let state = match state {
        "" => String::new(),
        state => format!(" [{state}]"),
    };
    print::line(format_args!(
        "{} act {} {} {}: {} {what}, by {by}{entered}{reason}{state}",
        one.id,
        one.act,
        recorded(one),
        one.said.kind().word(),
        of,
    ));
}
