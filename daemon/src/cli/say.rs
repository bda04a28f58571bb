//! What people know: `label`, `pressure` and `event`.

use super::args::{EventArgs, LabelArgs, PressureArgs};
use super::look::exam_named;
use super::{Failure, open, print};
use crate::domain::{About, Event, EventKind, Label, OpeningPressure, PatientKey};
use crate::entries::{self, Author, By, Kind, Of, Said};
use crate::pipeline::Pipeline;
use crate::store::{StoreError, identities, patients, people};
use chrono::Utc;
use rusqlite::Connection;

/// `label`: sets or takes back, then re-assesses what depends on it.
pub(super) fn label(args: &LabelArgs) -> Result<(), Failure> {
    let label = match args.label.as_str() {
        "none" => None,
        word => Some(
            Label::ALL
                .into_iter()
                .find(|label| label.word() == word)
                .ok_or_else(|| {
                    let words = Label::ALL.map(Label::word).join(", ");
                    Failure::Usage(format!(
                        "{word:?} is no label; write one of {words}, or none"
                    ))
                })?,
        ),
    };
    let config = open::config(&args.config.config)?;
    let pipeline = open::pipeline(&config, open::guest(&config)?, open::observed(&config)?)?;
    let exam = exam_named(pipeline.store(), &args.exam)?;
    let key = exam.patient.clone();
    let (study, patient) = (exam.study_instance_uid.clone(), key.clone());
    let changed = pipeline
        .store()
        .write(move |tx| {
            let about = About::of_study(study);
            let said = Said::Label(about, label.unwrap_or(Label::Well));
            act(tx, &patient, &said, label.is_none())
        })
        .map_err(Failure::of_store)?;
    if !changed {
        print::line(format_args!("exam {} has that label already", exam.id));
        return Ok(());
    }
    let word = label.map_or("no label", Label::word);
    print::line(format_args!(
        "exam {} of {}: {word}",
        exam.id,
        exam.performed_at.date()
    ));
    reassess(&pipeline, &key)
}

/// `pressure`: sets or takes back the opening pressure of an exam.
pub(super) fn pressure(args: &PressureArgs) -> Result<(), Failure> {
    let pressure = match (args.value.as_str(), args.unit.as_deref()) {
        ("none", None) => None,
        ("none", Some(_)) => {
            return Err(Failure::Usage("write none without a unit".to_owned()));
        }
        (value, unit) => Some(
            OpeningPressure::typed(value, unit.unwrap_or_default())
                .map_err(|error| Failure::Usage(error.to_string()))?,
        ),
    };
    let config = open::config(&args.config.config)?;
    let pipeline = open::pipeline(&config, open::guest(&config)?, open::observed(&config)?)?;
    let exam = exam_named(pipeline.store(), &args.exam)?;
    let key = exam.patient.clone();
    let (study, patient, set) = (
        exam.study_instance_uid.clone(),
        key.clone(),
        pressure.clone(),
    );
    let changed = pipeline
        .store()
        .write(move |tx| {
            let about = About::of_study(study);
            match set {
                Some(pressure) => act(tx, &patient, &Said::Pressure(about, pressure), false),
                None => act(
                    tx,
                    &patient,
                    &Said::Nothing(Kind::Pressure, Of::Exam(about)),
                    true,
                ),
            }
        })
        .map_err(Failure::of_store)?;
    let said = pressure.map_or("no opening pressure".to_owned(), |one| {
        format!("opening pressure {one}")
    });
    if !changed {
        print::line(format_args!("exam {} has {said} already", exam.id));
        return Ok(());
    }
    let date = exam.performed_at.date();
    print::line(format_args!("exam {} of {date}: {said}", exam.id));
    reassess(&pipeline, &key)
}

/// `event`: adds or takes back, then re-assesses what depends on it.
pub(super) fn event(args: &EventArgs) -> Result<(), Failure> {
    let kind = EventKind::ALL
        .into_iter()
        .find(|kind| kind.word() == args.kind)
        .ok_or_else(|| {
            let words = EventKind::ALL.map(EventKind::word).join(", ");
            Failure::Usage(format!(
                "{:?} is no kind of event; write one of {words}",
                args.kind
            ))
        })?;
    let config = open::config(&args.config.config)?;
    let pipeline = open::pipeline(&config, open::guest(&config)?, open::observed(&config)?)?;
    let key = open::patient(
        pipeline.store(),
        &args.patient.patient,
        args.patient.issuer.as_deref(),
    )?;
    let event = Event {
        date: args.date,
        kind,
    };
    let (remove, patient) = (args.remove, key.clone());
    let changed = pipeline
        .store()
        .write(move |tx| act(tx, &patient, &Said::Event(event), remove))
        .map_err(Failure::of_store)?;
    match (changed, args.remove) {
        (true, false) => print::line(format_args!("{} on {}: recorded", kind.word(), event.date)),
        (true, true) => print::line(format_args!(
            "{} on {}: taken back",
            kind.word(),
            event.date
        )),
        (false, false) => print::line("that event is recorded already"),
        (false, true) => return Err(Failure::No("no such event is recorded".into())),
    }
    if changed {
        reassess(&pipeline, &key)
    } else {
        Ok(())
    }
}

/// Records what is said, or takes it back under every joined id. Returns whether that changed anything.
fn act(
    tx: &Connection,
    patient: &PatientKey,
    said: &Said,
    takes_back: bool,
) -> Result<bool, StoreError> {
    let person = identities::person(tx, patient)?;
    let all = people::of_ids(tx, &person.ids)?;
    let study = said.about().map(|about| &about.study_instance_uid);
    let same = |about: &About| (Some(&about.study_instance_uid) == study).then(Vec::new);
    let drafts = match takes_back {
        true => entries::take_back(&all, said, same),
        false => entries::say(&all, patient, said, same),
    };
    if drafts.is_empty() {
        return Ok(false);
    }
    let by = By {
        author: Author::SystemUser(open::user()),
        entered_by: open::user(),
        source: "command".to_owned(),
        reason: String::new(),
    };
    let number = people::new_act(tx)?;
    people::record(tx, number, &by, &drafts, Utc::now())?;
    patients::mark_dirty(tx, &person.surviving, Utc::now())?;
    Ok(true)
}

/// Publishes now.
pub(super) fn publish(pipeline: &Pipeline) -> Result<(), Failure> {
    pipeline.publish().map_err(Failure::no)?;
    pipeline
        .not_written()
        .map_or(Ok(()), |why| Err(Failure::No(why)))
}

/// Assesses and publishes now; a running daemon may do it first, which is as good.
pub(super) fn reassess(pipeline: &Pipeline, key: &PatientKey) -> Result<(), Failure> {
    while pipeline.assess_some().map_err(Failure::no)? > 0 {}
    publish(pipeline)?;
    let latest = pipeline
        .store()
        .read(|conn| crate::pipeline::latest_results(conn, key))
        .map_err(Failure::no)?;
    for row in latest {
        let content = crate::pipeline::content_of(&row).map_err(Failure::no)?;
        print::line(format_args!(
            "  {} {} v{} {}",
            content.exam.performed_at.date(),
            row.exam_id,
            row.version,
            content.assessment.status.word()
        ));
    }
    Ok(())
}
