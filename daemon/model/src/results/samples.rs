//! Results that the tests of the renderings share, made by [`results::of_patient`].
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "only tests come here"
)]

use super::{Content, Envelope, Replaced, cautions, seen};
use crate::assess::{AfterEvent, AfterState, DecidedBy, Nadir, Status};
use crate::domain::RemarkCode;
use crate::domain::*;
use crate::history::testing::reading;
use crate::results::{self, Known, Site};
use chrono::{NaiveDateTime, TimeDelta};

const DAYS: [&str; 4] = ["2021-03-02", "2022-02-15", "2023-04-11", "2024-05-07"];

fn known(exams: &[(&[f64], &[f64])]) -> Known {
    let readings = exams.iter().zip(DAYS).enumerate();
    Known {
        readings: readings
            .map(|(n, ((right, left), day))| {
                reading(
                    &format!("2.25.{n}1"),
                    &format!("2.25.{n}"),
                    day,
                    right,
                    left,
                )
            })
            .collect(),
        ..Known::default()
    }
}

fn well(mut known: Known, exams: usize) -> Known {
    let labels = (0..exams).map(|n| (About::of_study(format!("2.25.{n}")), Label::Well));
    known.labels = labels.collect();
    known
}

fn last(known: &mut Known) -> &mut ObjectReading {
    known.readings.last_mut().unwrap()
}

/// All results of what is known, oldest first.
pub fn all(known: &Known) -> Vec<Content> {
    results::of_patient(known, &Site::default()).unwrap()
}

/// Three exams that agree and one well above them, with a mean beside its readings.
pub fn flagged() -> Known {
    let mut known = well(
        known(&[
            (&[4.8, 4.9, 4.7], &[4.9, 4.8, 4.9]),
            (&[4.9, 4.8, 5.0], &[4.9, 5.0, 4.9]),
            (&[4.9, 5.0, 4.9], &[5.0, 4.9, 5.0]),
            (&[5.9, 6.0, 5.8], &[5.9, 5.8, 6.04]),
        ]),
        3,
    );
    let exam = last(&mut known);
    let mut mean = exam.measurements[0].clone();
    mean.derivation = Derivation::Mean;
    mean.place = "1.9".to_owned();
    exam.measurements.push(mean);
    exam.measurements[1].remarks.push(Remark::of(
        RemarkCode::ObliqueCaliper,
        "The caliper lay 17 degrees off the line across the nerve.",
    ));
    exam.exam.as_mut().unwrap().accession = Some("A-4711".to_owned());
    known
}

/// As expected, by another operator, after surgery.
pub fn within() -> Known {
    let mut known = known(&[
        (&[5.2, 5.3], &[5.3, 5.2]),
        (&[5.3, 5.3], &[5.2, 5.4]),
        (&[5.4, 5.5], &[5.5, 5.4]),
    ]);
    last(&mut known).exam.as_mut().unwrap().operator = Some("Merrowdene^Iolo".to_owned());
    known.events = vec![Event {
        date: "2020-11-20".parse().unwrap(),
        kind: EventKind::CsfSurgery,
    }];
    known
}

pub fn no_baseline() -> Known {
    known(&[(&[4.4, 4.5, 4.4], &[4.5, 4.4, 4.5])])
}

/// Nothing of the last exam can be used, for several reasons.
pub fn not_comparable() -> Known {
    let mut known = known(&[(&[4.9, 4.8], &[4.9, 5.0]), (&[5.5, 5.6, 0.55], &[5.4, 5.4])]);
    let exam = last(&mut known);
    for (n, m) in exam.measurements.iter_mut().enumerate() {
        m.set_aside(match n {
            2 => Remark::of(
                RemarkCode::UnitUnknown,
                "The unit is not known; nothing was scaled.",
            )
            .act("Add the unit to the site dictionary."),
            _ => Remark::of(
                RemarkCode::ObliqueCaliper,
                "The caliper lay 32 degrees off the line across the nerve; above 22 degrees the \
                 value is not used.",
            )
            .with(Severity::Blocking),
        });
    }
    let unresolved = exam.measurements.last_mut().unwrap();
    unresolved.eye = Laterality::Unresolved;
    unresolved.remarks.push(Remark::of(
        RemarkCode::LateralityConflict,
        "The report says both right and left for this value (technical: 1.2.1 says right, but 1.2 says \
         left).",
    ));
    exam.remarks.push(
        Remark::of(RemarkCode::ExamPartial, "The report is marked as partial.")
            .at("(0040,A491)")
            .act("Wait for the complete one."),
    );
    known
}

/// Only the right eye was ever measured.
pub fn one_eye() -> Known {
    known(&[(&[5.0, 5.1, 5.0], &[]), (&[5.1, 5.0, 5.2], &[])])
}

/// The right eye rose, the left did not.
pub fn one_eye_out() -> Known {
    let mut known = flagged();
    let left = [4.7, 4.8, 4.7];
    let values = last(&mut known).measurements.iter_mut();
    let values = values.filter(|m| m.eye == Laterality::Left);
    for (m, mm) in values.zip(left) {
        m.value_mm = Millimetres::from_mm(mm);
    }
    known
}

/// Far under what was expected.
pub fn below() -> Known {
    known(&[(&[5.6, 5.7], &[5.6, 5.5]), (&[4.2, 4.3], &[4.2, 4.3])])
}

/// The right eye rose as much as the left one narrowed.
pub fn apart() -> Known {
    let mut known = flagged();
    let mm = [5.5, 5.5, 5.5, 4.3, 4.3, 4.3];
    let values = last(&mut known).measurements.iter_mut();
    for (m, mm) in values.zip(mm) {
        m.value_mm = Millimetres::from_mm(mm);
    }
    last(&mut known).measurements.truncate(6);
    known
}

/// Nobody has labelled an earlier exam.
pub fn provisional() -> Known {
    known(&[
        (&[5.0, 5.1, 5.0], &[5.1, 5.0, 5.1]),
        (&[5.1, 5.0, 5.1], &[5.0, 5.1, 5.1]),
        (&[5.8, 5.7, 5.9], &[5.8, 5.8, 5.7]),
    ])
}

/// An exam at a time, of three readings of each eye near one width.
fn at(n: usize, local: NaiveDateTime, mm: f64) -> ObjectReading {
    let (object, study) = (format!("2.25.{n}1"), format!("2.25.{n}"));
    let (right, left) = ([mm, mm + 0.1, mm], [mm + 0.1, mm, mm]);
    let date = local.date().to_string();
    let mut one = reading(&object, &study, &date, &right, &left);
    one.exam.as_mut().unwrap().performed_at = Some(Moment {
        local,
        offset_s: None,
    });
    one
}

/// The last of an inpatient's exams: one baseline exam, then two days with some hours between.
pub fn hours() -> Known {
    let day = |n: usize, when: &str, mm: f64| at(n, when.parse().unwrap(), mm);
    let known = Known {
        readings: vec![
            day(0, "2024-05-05T09:00:00", 4.8),
            day(1, "2024-05-06T06:10:00", 4.9),
            day(2, "2024-05-06T14:30:00", 5.3),
            day(3, "2024-05-07T02:40:00", 5.8),
        ],
        ..Known::default()
    };
    well(known, 1)
}

/// The last of thirty exams over ten years, with a revision among them; every third is labelled.
pub fn years() -> Known {
    let first: NaiveDateTime = "2014-03-02T10:00:00".parse().unwrap();
    let exam = |n: usize| {
        let days = TimeDelta::days(127 * n as i64 + (n * n % 29) as i64);
        let mm = match n {
            12 => 6.0,
            29 => 5.8,
            // No two alike: readings that are equal are in doubt.
            n => 4.7 + 0.01 * ((n * 7) % 31) as f64,
        };
        at(n, first + days, mm)
    };
    let labels = (0..29).step_by(3).map(|n| {
        let label = match n {
            12 => Label::RaisedConfirmed,
            _ => Label::Well,
        };
        (About::of_study(format!("2.25.{n}")), label)
    });
    Known {
        readings: (0..30).map(exam).collect(),
        labels: labels.collect(),
        events: vec![Event {
            date: "2018-05-20".parse().unwrap(),
            kind: EventKind::ShuntRevision,
        }],
        ..Known::default()
    }
}

/// The last of twenty-five scans in two days, after two labelled exams; it rises in the second night.
pub fn serial() -> Known {
    let first: NaiveDateTime = "2024-05-06T04:00:00".parse().unwrap();
    let exam = |n: usize| match n {
        0 | 1 => at(n, first - TimeDelta::days(200 - 90 * n as i64), 4.8),
        n => {
            let minutes = TimeDelta::minutes(117 * (n as i64 - 2) + (n * 13 % 11) as i64);
            let mm = 4.7 + 0.01 * (n * 7 % 29) as f64 + if n > 20 { 0.8 } else { 0.0 };
            at(n, first + minutes, mm)
        }
    };
    let known = Known {
        readings: (0..27).map(exam).collect(),
        ..Known::default()
    };
    well(known, 2)
}

/// Courses of many exams by name: they need more room than a usual page.
pub fn long() -> Vec<(&'static str, Known)> {
    vec![("years", years()), ("serial", serial())]
}

/// Without a birth date, years after the only earlier exam.
pub fn too_wide() -> Known {
    let mut known = known(&[(&[5.0, 5.1], &[5.1, 5.0]), (&[5.4, 5.5], &[5.5, 5.4])]);
    for (reading, day) in known.readings.iter_mut().zip(["2010-03-02", "2022-02-15"]) {
        if let Some(patient) = &mut reading.patient {
            patient.birth_date = None;
        }
        let exam = reading.exam.as_mut().unwrap();
        let local = format!("{day}T10:00:00").parse().unwrap();
        exam.performed_at = Some(Moment {
            local,
            offset_s: None,
        });
    }
    known
}

/// Wider again after a revision: within the old interval, and flagged.
pub fn since_event() -> Content {
    let mut known = within();
    known.events = vec![Event {
        date: "2024-02-20".parse().unwrap(),
        kind: EventKind::ShuntRevision,
    }];
    let mut content = all(&known).pop().unwrap();
    let day = |text: &str| text.parse().unwrap();
    content.assessment.rows.both.as_mut().unwrap().measured_mm = 5.5;
    content.assessment.status = Status::AboveExpected;
    content.assessment.flagged = true;
    content.assessment.decided_by = Some(DecidedBy::SinceEvent);
    content.course.after_event = Some(AfterEvent {
        event: day("2024-02-20"),
        what: Vec::new(),
        state: AfterState::WideningAgain,
        exams: Vec::new(),
        new_baseline: None,
        new_baseline_from: day("2024-02-28"),
        level: None,
        level_exams: Vec::new(),
        residual: None,
        since: None,
        narrowed: None,
        nadir: Some(Nadir {
            exam: "E1".to_owned(),
            date: day("2024-03-01"),
            time: chrono::NaiveTime::from_hms_opt(6, 30, 0),
            comparisons: 2,
            mm: 0.6,
            sd_mm: 0.22,
            limit_mm: 0.44,
            well_limit_mm: 0.57,
            status: Status::AboveExpected,
        }),
        returned_on: None,
        proposed_baseline: Vec::new(),
        margin_mm: 0.35,
    });
    content
}

/// The amended report took the flag back.
pub fn replaced() -> Envelope {
    let before = newest(&flagged()).content;
    let mut now = newest(&within());
    let why = vec!["the report was amended".to_owned()];
    now.replaces = Replaced::of(1, &before, &now.content, &why);
    now.why = why;
    now
}

/// A preliminary report of one eye whose other values nobody could read.
pub fn preliminary() -> Known {
    let mut known = one_eye();
    let exam = last(&mut known);
    exam.remarks.push(
        Remark::of(
            RemarkCode::DocumentPreliminary,
            "The report calls itself preliminary.",
        )
        .at("(0040,A496)"),
    );
    exam.remarks.push(
        Remark::of(
            RemarkCode::ValuesUnread,
            "Values were left unread: only the right eye is used, and 3 values are left that may be of \
             the left one.",
        )
        .act("Add their code to the site dictionary."),
    );
    known
}

/// Right and left exchanged: each eye fits the other's earlier values.
pub fn exchanged() -> Known {
    let mut known = well(
        known(&[
            (&[5.6, 5.7, 5.6], &[4.5, 4.6, 4.5]),
            (&[5.7, 5.6, 5.7], &[4.6, 4.5, 4.6]),
            (&[5.6, 5.6, 5.7], &[4.5, 4.5, 4.6]),
            (&[4.5, 4.6, 4.6], &[5.7, 5.6, 5.6]),
        ]),
        3,
    );
    last(&mut known).exam.as_mut().unwrap().operator = Some("Merrowdene^Iolo".to_owned());
    known
}

/// Published results that are more than the newest of what is known.
pub fn published() -> Vec<(&'static str, Envelope)> {
    vec![
        ("since-event", envelope(since_event())),
        ("replaced", replaced()),
    ]
}

/// Every sample by name.
pub fn every() -> Vec<(&'static str, Known)> {
    vec![
        ("flagged", flagged()),
        ("within", within()),
        ("no-baseline", no_baseline()),
        ("not-comparable", not_comparable()),
        ("one-eye", one_eye()),
        ("one-eye-out", one_eye_out()),
        ("below", below()),
        ("apart", apart()),
        ("provisional", provisional()),
        ("preliminary", preliminary()),
        ("exchanged", exchanged()),
        ("hours", hours()),
        ("too-wide", too_wide()),
    ]
}

/// The newest result of what is known, as published.
pub fn newest(known: &Known) -> Envelope {
    envelope(all(known).pop().unwrap())
}

/// A result as published.
pub fn envelope(content: Content) -> Envelope {
    Envelope {
        schema: crate::results::envelope::SCHEMA.to_owned(),
        software: "sheathline 0.0.0".to_owned(),
        version: 2,
        key: content.key().unwrap(),
        seen_key: seen(&content).unwrap().key(),
        supersedes: Some(1),
        why: vec!["a report of this exam arrived".to_owned()],
        replaces: None,
        created_at: "2024-05-07T10:31:00Z".to_owned(),
        notice: cautions::NOT_A_DEVICE.to_owned(),
        content,
    }
}

/// Compares with a file in `fixtures/render/`; `RENDER_WRITE=1` writes it instead.
pub fn golden(file: &str, rendered: &str) {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../../fixtures/render/");
    let path = std::path::Path::new(folder).join(file);
    if std::env::var_os("RENDER_WRITE").is_some() {
        std::fs::create_dir_all(folder).unwrap();
        std::fs::write(&path, rendered).unwrap();
    }
    let expected = std::fs::read_to_string(&path).unwrap();
    assert_eq!(rendered, expected, "{file}");
}
