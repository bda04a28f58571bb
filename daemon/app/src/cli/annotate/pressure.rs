//! `pressure`: the opening pressure of an exam.

use super::act::{Act, How, Serves, Step, act};
use super::finish_and_show;
use super::person::{People, about, moment};
use super::who::Who;
use crate::cli::args::PressureArgs;
use crate::cli::named::NotOne;
use crate::cli::{Failure, context};
use sheathline_model::annotations::{self, Kind, Of, Said};
use sheathline_model::domain::OpeningPressure;
use sheathline_model::history::Places;
use std::collections::BTreeSet;

/// `pressure`: sets or takes back.
pub(in crate::cli) fn pressure(args: &PressureArgs) -> Result<(), Failure> {
    let pressure = match (args.value.as_str(), args.unit.as_deref()) {
        ("none", None) => None,
        ("none", Some(_)) => {
            return Err(Failure::usage("write none without a unit".to_owned()));
        }
        (value, unit) => Some(OpeningPressure::typed(value, unit.unwrap_or_default())?),
    };
    let by = Who::of(&args.who).map_err(Failure::usage)?;
    let by = by.by("command", None, None);
    let (config, pipeline) = context::beside(&args.config.config)?;
    let site = context::site(&config);
    let said = pressure
        .as_ref()
        .map_or("no opening pressure".to_owned(), |one| {
            format!("opening pressure {one}")
        });
    let done = act(&pipeline, &site, How::default(), || {
        let mut people = People::default();
        let (number, own) = people.exam(pipeline.store(), &args.exam, &site)?;
        let person = people.all.get(number);
        let Some((person, exam)) = person.and_then(|person| Some((person, person.exams.get(own)?)))
        else {
            let name = args.exam.clone();
            return Err(NotOne::WithoutValues { name }.into());
        };
        let places = Places::of(&person.exams);
        let rest = |old: &_| person.rest(&places, old, own, &BTreeSet::new());
        let about = about(exam);
        let drafts = match &pressure {
            Some(one) => {
                let said = Said::Pressure(about, one.clone());
                annotations::say(&person.entries, &exam.patient, &said, rest)
            }
            None => {
                let nothing = Said::Nothing(Kind::Pressure, Of::Exam(about));
                annotations::take_back(&person.entries, &nothing, rest)
            }
        };
        let step = Step {
            person: number,
            shown: person.line_of(exam),
            told: format!("exam {} of {}: {said}", exam.id, moment(exam)),
            already: format!("exam {} has {said} already", exam.id),
            exams: vec![(own, Serves::No)],
            drafts,
            by: by.clone(),
        };
        Ok(Act {
            people,
            steps: vec![step],
        })
    })?;
    finish_and_show(&pipeline, &done, args.json)
}
