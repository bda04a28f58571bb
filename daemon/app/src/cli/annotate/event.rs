//! `event`: what happened to a patient.

use super::act::{Act, How, Step, act};
use super::finish_and_show;
use super::person::{People, Person};
use super::who::Who;
use crate::cli::args::EventArgs;
use crate::cli::{Code, Failure, context};
use chrono::{Local, NaiveDate};
use sheathline_model::annotations::{self, Said};
use sheathline_model::domain::{Event, EventKind};

/// `event`: adds or takes back.
pub(in crate::cli) fn event(args: &EventArgs) -> Result<(), Failure> {
    let kind = EventKind::ALL
        .into_iter()
        .find(|kind| kind.word() == args.kind)
        .ok_or_else(|| {
            let words = EventKind::ALL.map(EventKind::word).join(", ");
            Failure::usage(format!(
                "{:?} is no kind of event; write one of {words}",
                args.kind
            ))
        })?;
    let by = Who::of(&args.who).map_err(Failure::usage)?;
    let by = by.by("command", None, None);
    let (config, pipeline) = context::beside(&args.config.config)?;
    let site = context::site(&config);
    let key = context::patient(pipeline.store(), &args.patient)?;
    let event = Event {
        date: args.date,
        kind,
    };
    let (word, date) = (kind.word(), event.date);
    let done = act(&pipeline, &site, How::default(), || {
        let mut people = People::default();
        let number = people.of(pipeline.store(), &key, &site);
        let number = number?;
        let Some(person) = people.all.get(number) else {
            return Err(Failure::new(
                Code::NotFound,
                "the store does not know that patient",
            ));
        };
        let said = Said::Event(event);
        let drafts = if args.remove {
            annotations::take_back(&person.entries, &said, |_| None)
        } else {
            refuse(date, Local::now().date_naive(), born(person))
                .map_err(|why| Failure::new(Code::Refused, why))?;
            annotations::say(&person.entries, &key, &said, |_| None)
        };
        if args.remove && drafts.is_empty() {
            return Err(Failure::new(Code::NotFound, "no such event is recorded"));
        }
        let told = if args.remove {
            "taken back"
        } else {
            "recorded"
        };
        let step = Step {
            person: number,
            shown: shown(person),
            told: format!("{word} on {date}: {told}"),
            already: "that event is recorded already".to_owned(),
            exams: Vec::new(),
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

/// Where the patient stands: the newest exam, and what happened so far.
fn shown(person: &Person) -> String {
    let newest = match person.exams.last() {
        Some(exam) => format!("newest {}", person.line_of(exam)),
        None => "no exam".to_owned(),
    };
    let events = person.known.events.iter();
    let events: Vec<String> = events
        .map(|event| format!("{} on {}", event.kind.word(), event.date))
        .collect();
    if events.is_empty() {
        format!("{newest}; no event so far")
    } else {
        format!("{newest}; events so far: {}", events.join(", "))
    }
}

/// The birth date; of several the first, so that nothing is refused that may be right.
fn born(person: &Person) -> Option<NaiveDate> {
    let readings = person.known.readings.iter();
    let patients = readings.filter_map(|reading| reading.patient.as_ref());
    patients.filter_map(|patient| patient.birth_date).min()
}

/// Why an event of that day is not taken.
fn refuse(date: NaiveDate, today: NaiveDate, born: Option<NaiveDate>) -> Result<(), String> {
    if date > today {
        return Err(format!(
            "{date} lies in the future: today is {today} by the clock of this machine. Record the event \
             once it has happened"
        ));
    }
    match born {
        Some(born) if date < born => Err(format!(
            "{date} lies before the patient's birth on {born}. Correct the day, or the birth date where \
             it is wrong"
        )),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::refuse;

    #[test]
    fn a_day_to_come_or_before_birth_is_refused_with_the_reason() {
        let day = |text: &str| text.parse().unwrap();
        let (today, born) = (day("2026-03-02"), Some(day("2020-05-01")));
        for (date, reason) in [
            ("2026-03-03", "in the future: today is 2026-03-02"),
            ("2031-01-01", "in the future"),
            ("2020-04-30", "before the patient's birth on 2020-05-01"),
        ] {
            let refused = refuse(day(date), today, born).unwrap_err();
            assert!(refused.contains(reason), "{refused}");
        }
        for date in ["2026-03-02", "2020-05-01", "2023-01-01"] {
            assert_eq!(refuse(day(date), today, born), Ok(()));
        }
        assert_eq!(refuse(day("1950-01-01"), today, None), Ok(()));
    }
}
