use super::*;
use crate::domain::{Laterality, Measurement, Millimetres, ObjectReading};
use crate::history;
use crate::history::testing::reading;

/// A report of both eyes with further values: quantity, eye, mm.
fn report(n: u32, day: &str, sheath: f64, more: &[(Quantity, Laterality, f64)]) -> ObjectReading {
    let (uid, study) = (format!("1.{n}"), format!("2.{n}"));
    let mut report = reading(&uid, &study, day, &[sheath], &[sheath]);
    let model: Measurement = report.measurements[0].clone();
    for (at, (quantity, eye, mm)) in more.iter().enumerate() {
        report.measurements.push(Measurement {
            quantity: *quantity,
            eye: *eye,
            value_mm: Millimetres::from_mm(*mm),
            place: format!("2.{at}"),
            ..model.clone()
        });
    }
    report
}

fn told(reports: &[ObjectReading]) -> Vec<Exam> {
    history::tell(
        reports,
        history::Entries::default(),
        &crate::history::Apart::default(),
    )
}

const RIGHT: Laterality = Laterality::Right;
const EYEBALL: Quantity = Quantity::EyeballTransverseDiameter;
const DISC: Quantity = Quantity::DiscElevation;

/// Means published side by side: sheath 3.96 and eyeball 23.11 mm (BMC Neurol 2023;23:16,
/// doi:10.1186/s12883-023-03062-4), 5.1 and 22.3 mm (BMC Neurol 2015,
/// doi:10.1186/s12883-015-0361-x).
#[test]
fn the_ratio_is_sheath_by_eyeball() {
    for (sheath, eyeball, expected) in [(3.96, 23.11, 0.1714), (5.1, 22.3, 0.2287)] {
        let exams = told(&[report(
            1,
            "2023-01-10",
            sheath,
            &[(EYEBALL, RIGHT, eyeball)],
        )]);
        let found = of(&exams[0], &[], &exams).expect("an eyeball");
        let right = found.eyeball.right.clone().expect("measured");
        assert!((right.ratio - expected).abs() <= 0.00005, "{}", right.ratio);
        assert_eq!((right.change, right.baseline.len()), (None, 0));
        assert_eq!(found.eyeball.left, None, "the fellow eye lends nothing");
    }
}

#[test]
fn the_change_is_against_the_baseline_exams_that_have_a_ratio() {
    let exams = told(&[
        report(1, "2023-01-10", 5.0, &[(EYEBALL, RIGHT, 25.0)]),
        report(2, "2023-02-10", 5.0, &[]),
        report(3, "2023-03-10", 4.5, &[(EYEBALL, RIGHT, 25.0)]),
        report(4, "2023-04-10", 9.0, &[(EYEBALL, RIGHT, 25.0)]),
        report(5, "2023-06-01", 5.5, &[(EYEBALL, RIGHT, 25.0)]),
    ]);
    // The fourth is no baseline.
    let baseline: Vec<String> = exams[..3].iter().map(|exam| exam.id.clone()).collect();
    let found = of(&exams[4], &baseline, &exams).expect("an eyeball");
    let right = found.eyeball.right.as_ref().expect("measured");
    assert_eq!(right.baseline.len(), 2);
    assert!((right.change.expect("two") - (0.22 - 0.19)).abs() < 1e-12);
    let said = found.sentences().join(" ");
    assert!(
        said.contains("5.50 / 25.00 mm = 0.220; 0.190 at 2 baseline exams, change +0.030"),
        "{said}"
    );
    assert_eq!(found.eyeball_growing, Some(false));
}

#[test]
fn an_eyeball_that_is_none_makes_no_ratio() {
    for mm in [2.3, 230.0] {
        let exams = told(&[report(1, "2023-01-10", 5.0, &[(EYEBALL, RIGHT, mm)])]);
        assert_eq!(of(&exams[0], &[], &exams), None);
    }
}

#[test]
fn a_growing_eyeball_is_said() {
    let with = |born: Option<&str>| {
        let mut one = report(1, "2023-01-10", 4.0, &[(EYEBALL, RIGHT, 20.0)]);
        let patient = one.patient.as_mut().expect("a patient");
        patient.birth_date = born.map(|born| born.parse().expect("a date"));
        let exams = told(&[one]);
        of(&exams[0], &[], &exams).expect("an eyeball")
    };
    let infant = with(Some("2021-06-01"));
    assert_eq!(infant.eyeball_growing, Some(true));
    assert!(infant.sentences().join(" ").contains("first three years"));
    let unknown = with(None);
    assert_eq!(unknown.eyeball_growing, None);
    assert!(
        unknown
            .sentences()
            .join(" ")
            .contains("birth date is unknown")
    );
}

#[test]
fn the_disc_is_shown_over_all_earlier_exams_with_its_lag() {
    let exams = told(&[
        report(1, "2023-01-10", 5.0, &[(DISC, RIGHT, 0.2)]),
        report(2, "2023-02-10", 5.0, &[(DISC, RIGHT, 0.7)]),
        report(3, "2023-06-01", 5.5, &[(DISC, RIGHT, 0.1)]),
        report(4, "2023-07-01", 5.5, &[(DISC, RIGHT, 0.9)]),
    ]);
    let found = of(&exams[2], &[], &exams).expect("a disc");
    let right = found.disc.right.as_ref().expect("measured");
    assert_eq!(right.earlier.len(), 2, "nothing later");
    assert!((right.change_mm.expect("two earlier") + 0.6).abs() < 1e-12);
    let said = found.sentences().join(" ");
    assert!(
        said.contains("0.10 mm; before: 0.20 mm on 2023-01-10, 0.70 mm on 2023-02-10"),
        "{said}"
    );
    assert!(said.contains("a flat disc never cancels a rise"), "{said}");
    assert!(
        said.contains("does not prove that the pressure is raised now"),
        "{said}"
    );
}

#[test]
fn values_of_another_person_or_of_no_side_are_not_shown() {
    let mut stranger = report(1, "2023-01-10", 5.0, &[(DISC, RIGHT, 0.2)]);
    stranger.patient.as_mut().expect("a patient").birth_date = "1999-09-09".parse().ok();
    let exams = told(&[
        stranger,
        report(2, "2023-06-01", 5.5, &[(DISC, Laterality::Unresolved, 0.4)]),
    ]);
    let now = exams.last().expect("two exams");
    assert_eq!(of(now, &[], &exams), None);
}

#[test]
fn the_nerve_is_kept_apart() {
    let exams = told(&[report(
        1,
        "2023-01-10",
        5.0,
        &[(Quantity::NerveDiameter, RIGHT, 3.1)],
    )]);
    let found = of(&exams[0], &[], &exams).expect("a nerve");
    assert_eq!(found.nerve_mm.right, Some(3.1));
    assert_eq!(found.eyeball.right, None);
    assert!(
        found
            .sentences()
            .join(" ")
            .contains("never compared with a sheath")
    );
}

#[test]
fn an_exam_of_sheaths_alone_has_no_companions() {
    let exams = told(&[report(1, "2023-01-10", 5.0, &[])]);
    assert_eq!(of(&exams[0], &[], &exams), None);
}
