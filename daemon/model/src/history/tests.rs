//! The set decides: order, repeats and timing do not.

mod early;
mod sessions;

use super::*;
use crate::domain::*;
use proptest::prelude::*;

/// A report of one exam with three readings an eye.
fn report(uid: &str, study: &str, day: &str, mm: f64) -> ObjectReading {
    testing::reading(
        uid,
        study,
        day,
        &[mm, mm + 0.1, mm - 0.1],
        &[mm, mm + 0.1, mm],
    )
}

fn used(exam: &Exam) -> Vec<f64> {
    exam.readings()
        .filter_map(|m| m.value_mm)
        .map(Millimetres::mm)
        .collect()
}

#[test]
fn an_amended_report_replaces_its_predecessor_whichever_comes_first() {
    let old = report("1.1", "2.1", "2024-05-01", 5.0);
    let mut new = report("1.2", "2.1", "2024-05-01", 5.4);
    new.predecessors = vec!["1.1".into()];
    let one = tell(
        &[old.clone(), new.clone()],
        Entries::default(),
        &Apart::default(),
    );
    let other = tell(&[new, old], Entries::default(), &Apart::default());
    assert_eq!(one, other);
    assert_eq!(used(&one[0]), [5.4, 5.5, 5.3, 5.4, 5.5, 5.4]);
    assert_eq!(one[0].objects[0].superseded_by, ["1.2"]);
}

/// A correction may keep the Observation UID of what it corrects (PS3.3 C.17.3), and may hold a
/// mean where the report before it held readings.
#[test]
fn a_replaced_value_has_no_say_in_what_its_successor_counts_for() {
    let mut old = report("1.1", "2.1", "2024-05-01", 5.0);
    let mut new = report("1.2", "2.1", "2024-05-01", 5.4);
    old.measurements[0].observation_uid = Some("9.1".into());
    new.measurements[0].observation_uid = Some("9.1".into());
    new.measurements.truncate(1);
    new.measurements[0].derivation = Derivation::Mean;
    new.predecessors = vec!["1.1".into()];
    let exams = tell(&[old, new], Entries::default(), &Apart::default());
    assert_eq!(used(&exams[0]), [5.4]);
}

#[test]
fn two_reports_that_replace_each_other_leave_nothing_usable() {
    let mut a = report("1.1", "2.1", "2024-05-01", 5.0);
    a.predecessors = vec!["1.2".into()];
    let mut b = report("1.2", "2.1", "2024-05-01", 5.4);
    b.predecessors = vec!["1.1".into()];
    let exams = tell(&[a, b], Entries::default(), &Apart::default());
    assert_eq!(used(&exams[0]), Vec::<f64>::new());
}

#[test]
fn a_successor_without_values_withdraws_nothing_by_guess() {
    let old = report("1.1", "2.1", "2024-05-01", 5.0);
    let mut text = report("1.2", "2.1", "2024-05-01", 5.0);
    text.measurements.clear();
    text.disposition = Disposition::NoSheathMeasurement;
    text.predecessors = vec!["1.1".into()];
    let exams = tell(&[old, text], Entries::default(), &Apart::default());
    assert_eq!(used(&exams[0]).len(), 6);
    assert_eq!(exams[0].remarks[0].code, "amended-without-values");
}

#[test]
fn a_corrected_birth_date_is_no_contradiction_but_two_standing_ones_are() {
    let old = report("1.1", "2.1", "2024-05-01", 5.0);
    let mut new = report("1.2", "2.1", "2024-05-01", 5.0);
    if let Some(patient) = &mut new.patient {
        patient.birth_date = "2011-11-11".parse().ok();
    }
    assert!(
        tell(
            &[old.clone(), new.clone()],
            Entries::default(),
            &Apart::default()
        )[0]
        .identity
        .contradictory
    );
    new.predecessors = vec!["1.1".into()];
    assert!(
        !tell(&[old, new], Entries::default(), &Apart::default())[0]
            .identity
            .contradictory
    );
}

#[test]
fn reports_by_two_operators_make_an_exam_of_unknown_operator() {
    let a = report("1.1", "2.1", "2024-05-01", 5.0);
    let mut b = report("1.2", "2.1", "2024-05-01", 5.0);
    if let Some(exam) = &mut b.exam {
        exam.operator = Some("Someone^Else".into());
    }
    let exam = &tell(&[a, b], Entries::default(), &Apart::default())[0];
    assert_eq!(exam.operator, None);
    assert!(exam.remarks.iter().any(|r| r.code == "operators-differ"));
    assert!(exam.remarks.iter().any(|r| r.code == "reports-pooled"));
}

#[test]
fn outer_and_inner_borders_are_never_averaged() {
    let mut a = report("1.1", "2.1", "2024-05-01", 5.0);
    a.measurements[0].definition = Some(Border::Outer);
    a.measurements[1].definition = Some(Border::Inner);
    let exam = &tell(&[a], Entries::default(), &Apart::default())[0];
    assert_eq!(used(exam), Vec::<f64>::new());
}

#[test]
fn exam_names_are_fixed_in_form_whatever_the_study_uid_holds() {
    let key = PatientKey {
        issuer: "X".into(),
        id: "1".into(),
    };
    let id = exam_id(&key, "../../etc\0");
    assert_eq!(id.len(), 17);
    assert!(id.starts_with('E') && id[1..].bytes().all(|b| b.is_ascii_hexdigit()));
    let joined = PatientKey {
        issuer: "X1".into(),
        id: String::new(),
    };
    assert_ne!(id, exam_id(&joined, "../../etc\0"));
}

proptest! {
    /// Any order of arrival of any set tells the same exams.
    #[test]
    fn order_leaves_no_trace(
        picks in proptest::collection::vec((0_u8..4, 0_u8..8, 40_u8..70), 1..9),
        seed in any::<u64>(),
    ) {
        let readings: Vec<ObjectReading> = picks
            .iter()
            .enumerate()
            .map(|(n, &(study, named, mm))| {
                let day = format!("2024-0{}-01", study + 1);
                let mut reading =
                    report(&format!("1.{n}"), &format!("2.{study}"), &day, f64::from(mm) / 10.0);
                if named % 3 == 0 {
                    reading.predecessors = vec![format!("1.{named}")];
                }
                reading
            })
            .collect();
        let mut shuffled = readings.clone();
        let mut state = seed | 1;
        for i in (1..shuffled.len()).rev() {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            shuffled.swap(i, (state >> 33) as usize % (i + 1));
        }
        prop_assert_eq!(tell(&readings, Entries::default(), &Apart::default()), tell(&shuffled, Entries::default(), &Apart::default()));
    }
}
