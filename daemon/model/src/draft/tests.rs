//! Drafts from facts made by hand.

mod answers;
mod hostile;
mod languages;
mod written;

use super::{Draft, Facts, Kind, Row, draft};
use crate::domain::{
    CodeExample, CodeRole, Device, Disposition, ExamFacts, Eye, ObjectReading, Remark, RemarkCode,
    Source, Unexplained,
};
use crate::template::Templates;
use crate::template::words::Side;

/// One code of a report.
pub(super) fn code(role: CodeRole, code: &str, meaning: &str) -> Unexplained {
    Unexplained {
        code: code.to_owned(),
        scheme: "99TARNHOLT".to_owned(),
        meaning: meaning.to_owned(),
        role,
        times: 3,
        called: Vec::new(),
        sides: Vec::new(),
        examples: vec![CodeExample {
            place: "1.2".to_owned(),
            value: Some("5.1 mm".to_owned()),
            ..CodeExample::default()
        }],
    }
}

pub(super) fn number(value: &str, meaning: &str) -> Unexplained {
    code(CodeRole::Number, value, meaning)
}

/// A text beside a number.
pub(super) fn label(text: &str) -> Unexplained {
    Unexplained {
        scheme: String::new(),
        ..code(CodeRole::Label, "", text)
    }
}

/// The same among codes that say this eye.
pub(super) fn beside(eye: Eye, one: Unexplained) -> Unexplained {
    Unexplained {
        sides: vec![eye],
        ..one
    }
}

fn reading(device: &str, codes: &[Unexplained]) -> ObjectReading {
    let mut reading = ObjectReading::quarantined(Remark::of(RemarkCode::ValueNotRecognised, "x"));
    reading.disposition = Disposition::NoSheathMeasurement;
    reading.sop_instance_uid = Some("2.25.7".to_owned());
    reading.exam = Some(ExamFacts {
        study_instance_uid: "2.25.1".to_owned(),
        performed_at: None,
        content_at: None,
        study_at: None,
        operator: None,
        device: Device {
            manufacturer: Some(device.to_owned()),
            ..Device::default()
        },
        accession: None,
    });
    reading.unexplained = codes.to_vec();
    reading
}

/// A draft of what several senders sent.
pub(super) fn of_senders(senders: &[(&str, &[Unexplained])]) -> Draft {
    let mut facts = Facts::default();
    for (sender, codes) in senders {
        let source = Source::Dicom((*sender).to_owned());
        facts.add(&source, &reading(sender, codes));
    }
    let builtin = Templates::builtin().expect("built in");
    draft(&facts, builtin.vocabulary().names())
}

pub(super) fn of(codes: &[Unexplained]) -> Draft {
    of_senders(&[("SONO1", codes)])
}

/// The row of a code.
pub(super) fn row<'a>(draft: &'a Draft, named: &str) -> &'a Row {
    let found = draft.rows.iter().find(|row| match &row.kind {
        Kind::Term { code, .. } => code == named,
        Kind::Label { text } | Kind::Word { text } => text == named,
        Kind::Nameless => named.is_empty(),
    });
    found.unwrap_or_else(|| panic!("no row for {named}: {draft:#?}"))
}

/// What is proposed, as `key word` in order.
pub(super) fn proposed(draft: &Draft, named: &str) -> String {
    let proposed = row(draft, named).proposed();
    let words: Vec<String> = proposed
        .iter()
        .map(|(key, word)| format!("{key} {word}"))
        .collect();
    words.join(", ")
}

/// The side of each row that has one.
pub(super) fn sides(draft: &Draft) -> Vec<(String, Side)> {
    let rows = draft.rows.iter();
    rows.filter_map(|row| Some((format!("{:?}", row.kind), row.side?)))
        .collect()
}
