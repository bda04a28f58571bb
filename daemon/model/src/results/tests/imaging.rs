//! Exams of other imaging than ultrasound are shown and compared with nothing.

use super::*;
use crate::assess::{Unused, Why};
use crate::domain::Modality;
use crate::render::html;
use crate::results::samples;

/// The same exam, measured otherwise.
fn by(modality: Modality, mut reading: ObjectReading) -> ObjectReading {
    for one in &mut reading.measurements {
        one.modality = modality;
    }
    reading
}

fn why(content: &Content, day: &str) -> Option<Why> {
    let mut aside = content.not_compared.iter();
    let one = aside.find(|one| one.date.to_string() == day)?;
    Some(one.reason.clone())
}

/// A width of MRI 1 mm above the ultrasound before it is no rise, and the ultrasound after it is
/// compared with the ultrasound alone.
#[test]
fn widths_of_mri_are_neither_flagged_nor_a_baseline() {
    for (modality, reason, word) in [
        (Modality::Mri, Reason::MeasuredByMri, "MRI"),
        (Modality::Ct, Reason::MeasuredByCt, "CT"),
        (Modality::Other, Reason::MeasuredOtherwise, "ultrasound"),
    ] {
        let told = results(&known(vec![
            exam(1, "2022-03-01", 5.0),
            by(modality, exam(2, "2023-03-01", 6.1)),
            exam(3, "2024-03-01", 5.0),
            by(modality, exam(4, "2024-06-01", 6.1)),
        ]));
        for at in [1, 3] {
            let one = &told[at];
            assert_eq!(one.assessment.status, Status::NotComparable, "{word}");
            assert_eq!(one.assessment.reason, Some(reason));
            assert!(!one.assessment.flagged);
            assert_eq!(one.exam.modality, modality);
            assert_eq!(
                one.assessment.rows.both.map(|row| row.measured_mm),
                Some(6.1)
            );
            assert_eq!(one.baseline, []);
            let text = text::text(one);
            assert!(text.contains(word), "{text}");
        }
        assert_eq!(told[2].assessment.status, Status::WithinExpected);
        assert_eq!(told[2].baseline.len(), 1);
        assert_eq!(
            why(&told[2], "2023-03-01"),
            Some(Why::Found(Unused::ModalityDiffers))
        );
    }
}

/// The first exam of all, and a labelled one: nothing makes MRI a baseline.
#[test]
fn a_label_does_not_make_mri_a_baseline() {
    let mut known = known(vec![
        by(Modality::Mri, exam(1, "2022-03-01", 6.0)),
        exam(2, "2023-03-01", 5.0),
    ]);
    known.labels = vec![(About::of_study("2.1"), Label::Well)];
    let told = results(&known);
    assert_eq!(told[0].assessment.reason, Some(Reason::MeasuredByMri));
    assert_eq!(told[1].assessment.reason, Some(Reason::ModalityDiffers));
    assert_eq!(told[1].baseline, []);
}

/// Nothing stated is taken for ultrasound; the report's remark says so (`reading`).
#[test]
fn exams_that_do_not_say_are_compared_with_ultrasound() {
    let told = results(&known(vec![
        by(Modality::Unspecified, exam(1, "2022-03-01", 5.0)),
        exam(2, "2023-03-01", 6.2),
    ]));
    assert!(told[1].assessment.flagged);
    assert_eq!(told[0].exam.modality, Modality::Unspecified);
}

/// In one study: ultrasound stands, MRI beside it is kept apart; what does not say goes with
/// ultrasound and not with MRI; several others are never picked from.
#[test]
fn kinds_of_imaging_are_never_pooled() {
    let study = |modality, uid: &str, mm: f64| {
        let mm = [mm, mm + 0.1];
        by(modality, reading(uid, "2.1", "2023-03-01", &mm, &mm))
    };
    let one = |reports: Vec<ObjectReading>| {
        let told = results(&known(reports));
        let content = told.first().expect("one exam");
        let codes: Vec<String> = content
            .measurements_not_used
            .iter()
            .flat_map(|m| m.value.remarks.iter().map(|r| r.code.to_string()))
            .collect();
        let apart = codes
            .iter()
            .filter(|code| *code == "modality-mixed")
            .count();
        let used = content.measurements_used.len();
        (content.exam.modality, used, apart)
    };
    use Modality::{Ct, Mri, Ultrasound, Unspecified};
    for (first, second, mm, expected) in [
        (Ultrasound, Mri, 6.0, (Ultrasound, 4, 4)),
        (Ultrasound, Unspecified, 5.2, (Ultrasound, 8, 0)),
        (Unspecified, Mri, 6.0, (Mri, 4, 4)),
        (Mri, Ct, 6.0, (Modality::Unresolved, 0, 8)),
        (Mri, Mri, 5.2, (Mri, 8, 0)),
    ] {
        let (a, b) = (study(first, "1.1", 5.0), study(second, "1.2", mm));
        assert_eq!(one(vec![a.clone(), b.clone()]), expected);
        assert_eq!(one(vec![b, a]), expected);
    }
}

/// Neither on the page of the one nor of the other do both stand in one picture, and published
/// figures of ultrasound do not stand beside MRI.
#[test]
fn pictures_and_published_figures_are_of_one_kind() {
    let known = known(vec![
        exam(1, "2022-03-01", 5.0),
        exam(2, "2023-03-01", 5.0),
        by(Modality::Mri, exam(3, "2023-06-01", 6.1)),
        exam(4, "2024-03-01", 5.0),
    ]);
    let site = Site {
        context: true,
        ..Site::default()
    };
    let told = of_patient(&known, &site).expect("results");
    let points = |at: usize| html::trends(&told[at], &told)[0].points.len();
    assert_eq!((points(2), points(3)), (1, 3));
    assert!(told[2].context.is_none() && told[3].context.is_some());
    let page = html::page(&samples::envelope(told[2].clone()), &[]);
    assert!(page.contains("<dt>Imaging</dt><dd>MRI</dd>"), "{page}");
}
