//! A department of five operators, one of whom reads 0.3 mm high, and what knowing that is worth.

use super::clinic::statistics;
use super::*;
use crate::assess::Question;
use crate::assess::{Assessment, Entry, Exam, KnownOffset, Roster, Status, assess};
use crate::department::invented::department;
use crate::simulate::Dice;

/// The offsets that `calibrate` would write.
fn roster(patients: &[Patient], error: fn(&Predicted) -> f64) -> Roster {
    let found = calibrate(patients, &Parameters::default()).unwrap();
    let known = |kind: &str| {
        let of_kind = found.offsets.iter().filter(|one| one.of.kind() == kind);
        let entry = |one: &Against| {
            let value = one.offset.yes()?;
            Some(Entry {
                name: one.of.name()?.to_owned(),
                offset: Some(KnownOffset {
                    offset_mm: value.offset_mm,
                    standard_error_mm: error(value),
                }),
                ..Entry::default()
            })
        };
        of_kind.filter_map(entry).collect()
    };
    Roster {
        operators: known("operator"),
        devices: known("device"),
    }
}

/// Flags of the last exams by operator 0, by the others, and the median smallest change.
fn judged(patients: &[Patient], roster: &Roster) -> (f64, f64, f64) {
    let (mut own, mut others, mut smallest) = ((0, 0), (0, 0), Vec::new());
    for patient in patients {
        let exams = patient.history.exams.iter().cloned();
        let exams: Vec<Exam> = exams.map(|exam| roster.apply(exam)).collect();
        let last = exams.last().unwrap().clone();
        let answer: Assessment = assess(&Question {
            patient: patient.history.patient.clone(),
            assess: last.id.clone(),
            exams,
            parameters: Parameters::default(),
        })
        .unwrap();
        let flagged = matches!(
            answer.status,
            Status::AboveExpected | Status::WellAboveExpected
        );
        let count = match last.operator.as_deref() {
            Some("Operator 0") => &mut own,
            _ => &mut others,
        };
        count.0 += usize::from(flagged);
        count.1 += 1;
        let row = answer.rows.leading().unwrap().comparison.unwrap();
        smallest.push(row.smallest_change_mm);
    }
    smallest.sort_by(f64::total_cmp);
    let share = |(flagged, all): (usize, usize)| flagged as f64 / all as f64;
    (share(own), share(others), smallest[smallest.len() / 2])
}

/// Known offsets, estimated from other patients, take the false flags of the operator who reads high and
/// narrow the interval of everybody.
#[test]
fn known_offsets_take_the_false_flags_of_who_reads_high() {
    let learned = department(1, 120, 4, 3);
    let patients = department(2, 500, 4, 3);
    let before = judged(&patients, &Roster::default());
    let after = judged(&patients, &roster(&learned, |one| one.standard_error_mm));
    println!("before {before:?}, after {after:?}");
    assert!((0.10..0.25).contains(&before.0), "{before:?}");
    assert!(after.0 < 0.09, "{after:?}");
    assert!(before.2 - after.2 > 0.05, "{before:?} {after:?}");
}

/// The numbers for the manual; takes minutes.
#[test]
#[ignore = "a measurement"]
fn what_knowing_offsets_is_worth() {
    let learned = department(1, 300, 4, 3);
    for exams in [2, 4] {
        let patients = department(2, 6000, exams, 3);
        let told = [
            ("unknown", judged(&patients, &Roster::default())),
            (
                "against all",
                judged(&patients, &roster(&learned, |one| one.standard_error_mm)),
            ),
            (
                "against those here",
                judged(
                    &patients,
                    &roster(&learned, |one| one.standard_error_here_mm),
                ),
            ),
        ];
        for (words, (own, others, smallest)) in told {
            println!(
                "{} baseline exams, {words}: flagged {:.1} % and {:.1} %, smallest change {smallest:.3}",
                exams - 1,
                100.0 * own,
                100.0 * others
            );
        }
    }
}

/// Few exams give no offset, in `calibrate` as in `department`; and one that the configuration has is
/// estimated from what was read, so that it does not go out of the next proposal.
#[test]
fn few_exams_give_no_offset_and_known_ones_are_found_again() {
    let few = department(3, 4, 2, 1);
    let found = calibrate(&few, &Parameters::default()).unwrap();
    assert!(found.offsets.iter().all(|one| one.offset.yes().is_none()));
    let beside = statistics(&few, Period::default());
    let shown = |all: &[Against]| serde_json::to_string(all).unwrap();
    assert_eq!(shown(&found.offsets), shown(&beside.offsets));

    let mut patients = department(4, 60, 4, 1);
    let plain = calibrate(&patients, &Parameters::default()).unwrap();
    let high = |found: &Calibration| *found.offsets[0].offset.yes().unwrap();
    assert!(high(&plain).apart && high(&plain).known_mm.is_none());
    let known = roster(&patients, |one| one.standard_error_mm);
    for patient in &mut patients {
        for exam in &mut patient.history.exams {
            *exam = known.apply(exam.clone());
        }
    }
    let again = calibrate(&patients, &Parameters::default()).unwrap();
    assert_eq!(high(&again).offset_mm, high(&plain).offset_mm);
    assert_eq!(high(&again).known_mm, Some(high(&plain).offset_mm));
    assert!(!high(&again).apart);
}

/// An operator whose readings scatter twice as wide is told, the others are not.
#[test]
fn an_operator_with_a_scatter_of_their_own_is_told() {
    let mut patients = department(5, 60, 4, 1);
    let mut dice = Dice::of(&[18]);
    for patient in &mut patients {
        for exam in &patient.history.exams {
            if exam.operator.as_deref() == Some("Operator 1") {
                let groups = patient.told.get_mut(&exam.id).unwrap().repeats.iter_mut();
                groups.flatten().for_each(|mm| *mm += dice.normal(0.35));
            }
        }
    }
    let found = calibrate(&patients, &Parameters::default()).unwrap();
    let own = |at: usize| *found.scatters[at].own.yes().unwrap();
    close(own(1).sigma_w, (0.04_f64 + 0.35 * 0.35).sqrt(), 0.05);
    assert!(own(1).apart && own(1).sigma_w > 1.5 * own(2).sigma_w);
    let few = calibrate(&patients[..2], &Parameters::default()).unwrap();
    assert!(few.scatters.iter().all(|one| one.own.yes().is_none()));
}
