use super::*;
use crate::assess::{Basis, DecidedBy, Notice, Status, Unused, Why};
use crate::domain::{Label, Millimetres, Remark, RemarkCode};
use crate::results::content::NotCompared;
use crate::results::samples;

fn stored(content: &Content) -> Content {
    serde_json::from_str(&serde_json::to_string(content).unwrap()).unwrap()
}

/// Else each look at a stored result would make another version of it.
#[test]
fn a_stored_content_reads_as_the_content_that_was_stored() {
    for (name, known) in samples::every() {
        for content in samples::all(&known) {
            let one = seen(&content).unwrap();
            assert_eq!(one, seen(&stored(&content)).unwrap(), "{name}");
            assert_eq!(one.key(), seen(&stored(&content)).unwrap().key());
        }
    }
}

#[test]
fn where_a_result_comes_from_is_not_seen() {
    let content = samples::newest(&samples::flagged()).content;
    let before = seen(&content).unwrap();
    let same = |change: &dyn Fn(&mut Content)| {
        let mut other = content.clone();
        change(&mut other);
        assert_ne!(other.key().unwrap(), content.key().unwrap());
        assert_eq!(seen(&other).unwrap(), before);
    };
    same(&|c| c.reports[0].template = Some("tid1500@111111111111".into()));
    same(&|c| {
        c.not_compared.push(NotCompared {
            exam: "E1".into(),
            date: "2020-01-01".parse().unwrap(),
            time: None,
            reason: Why::Found(Unused::SameDay),
            right_mm: Vec::new(),
            left_mm: Vec::new(),
        });
    });
    same(&|c| c.baseline[0].label = None);
    same(&|c| c.would_change.clear());
    same(&|c| c.parameters.z_screen += 0.1);
    same(&|c| c.measurements_used[0].value.place = "1.7".into());
    // Less than is printed.
    same(&|c| c.assessment.rows.both.as_mut().unwrap().measured_mm += 0.0001);
}

#[test]
fn what_a_reader_acts_on_is_seen() {
    let content = samples::newest(&samples::flagged()).content;
    let before = seen(&content).unwrap();
    let differs = |what: &str, change: &dyn Fn(&mut Content)| {
        let mut other = content.clone();
        change(&mut other);
        assert_ne!(seen(&other).unwrap(), before, "{what}");
    };
    differs("status", &|c| {
        c.assessment.status = Status::AboveExpected;
    });
    differs("flag", &|c| c.assessment.flagged = false);
    differs("basis", &|c| {
        c.assessment.basis = Some(Basis::Provisional);
    });
    differs("who decided", &|c| {
        c.assessment.decided_by = Some(DecidedBy::SinceEvent);
    });
    differs("number", &|c| {
        c.assessment.rows.both.as_mut().unwrap().measured_mm += 0.01;
    });
    differs("width of an exam that was measured otherwise", &|c| {
        c.not_compared.push(NotCompared {
            exam: "E1".into(),
            date: "2020-01-01".parse().unwrap(),
            time: None,
            reason: Why::Found(Unused::PlanesDiffer),
            right_mm: vec![Millimetres::from_um(4_700)],
            left_mm: Vec::new(),
        });
    });
    differs("notice", &|c| {
        c.assessment.notices.push(Notice::NerveSuspected);
    });
    differs("remark", &|c| {
        c.remarks
            .push(Remark::of(RemarkCode::ReportsPooled, "Another."));
    });
    differs("remark of a report", &|c| {
        c.reports[0]
            .remarks
            .push(Remark::of(RemarkCode::ReportsPooled, "Another."));
    });
    differs("reading", &|c| {
        c.measurements_used[0].value.value_mm = Millimetres::from_mm(5.8);
    });
    differs("label", &|c| c.exam.label = Some(Label::RaisedConfirmed));
    differs("reading of the baseline", &|c| {
        c.baseline[0].right_mm.pop();
    });
    differs("birth date", &|c| c.patient.birth_date = None);
}

/// A result made before basis and deciding comparison were told reads as the same one made now.
#[test]
fn an_older_result_reads_by_its_labels_and_rows() {
    for (name, known) in samples::every() {
        let content = samples::newest(&known).content;
        let mut older = content.clone();
        older.assessment.basis = None;
        older.assessment.decided_by = None;
        assert_eq!(seen(&older).unwrap(), seen(&content).unwrap(), "{name}");
    }
}
