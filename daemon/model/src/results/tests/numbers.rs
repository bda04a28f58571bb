//! What results say of how an exam was measured: digits, depths, known operators and devices.

use super::*;
use crate::assess::{Entry, KnownOffset, Notice, Roster};
use crate::domain::{Laterality, Quantity};

/// Readings of both eyes with the digits as sent.
fn sent(n: usize, day: &str, right: &[f64], left: &[f64], step: f64) -> ObjectReading {
    let mut report = reading(&format!("1.{n}"), &format!("2.{n}"), day, right, left);
    for value in &mut report.measurements {
        value.step = Millimetres::from_mm(step);
    }
    report
}

fn well(readings: Vec<ObjectReading>) -> Known {
    let studies: Vec<String> = readings
        .iter()
        .filter_map(|one| Some(one.exam.as_ref()?.study_instance_uid.clone()))
        .collect();
    let (_, before) = studies.split_last().unwrap();
    Known {
        labels: before
            .iter()
            .map(|study| (About::of_study(study), Label::Well))
            .collect(),
        ..known(readings)
    }
}

fn last(known: &Known, site: &Site) -> Content {
    of_patient(known, site).unwrap().pop().unwrap()
}

fn baseline() -> Vec<ObjectReading> {
    vec![
        sent(1, "2022-06-01", &[4.8, 4.9, 4.8], &[4.9, 4.8, 4.9], 0.1),
        sent(2, "2022-11-01", &[4.9, 4.9, 4.8], &[4.8, 4.8, 4.9], 0.1),
        sent(3, "2023-03-01", &[4.8, 4.8, 4.8], &[4.9, 4.9, 4.9], 0.1),
    ]
}

/// 0.6 and 0.5 cm.
#[test]
fn readings_of_half_a_centimetre_widen_the_interval_and_are_told() {
    let of = |step: f64| {
        let mut all = baseline();
        all.push(sent(4, "2023-06-01", &[6.0], &[5.0], step));
        last(&well(all), &Site::default())
    };
    let (fine, coarse) = (of(0.1), of(1.0));
    let row = |content: &Content| content.assessment.rows.both.unwrap().comparison.unwrap();
    assert_eq!(fine.assessment.status, Status::WellAboveExpected);
    assert_eq!(coarse.assessment.status, Status::AboveExpected);
    assert!(row(&coarse).smallest_change_mm > row(&fine).smallest_change_mm + 0.1);
    let told = |content: &Content| content.assessment.notices.contains(&Notice::CoarseReadings);
    assert!(told(&coarse) && !told(&fine));
}

/// A sender that leaves noughts out: 5 beside 5.2 of the same report is 5.0; of another report it is not.
#[test]
fn values_of_one_report_speak_for_each_other_s_digits() {
    let steps = |apart: bool| {
        let mut one = sent(1, "2023-06-01", &[5.0], &[5.2], 0.1);
        one.measurements[0].step = Millimetres::from_mm(1.0);
        let mut readings = vec![one];
        if apart {
            let left = readings[0].measurements.remove(1);
            let mut other = sent(2, "2023-06-01", &[], &[5.2], 0.1);
            other.exam = readings[0].exam.clone();
            other.measurements = vec![left];
            readings.push(other);
        }
        let exams = exams(&known(readings), &Site::default());
        digits::steps(&exams[0])
    };
    assert_eq!(steps(false).right, Some(0.1));
    assert_eq!(
        (steps(true).right, steps(true).left),
        (Some(1.0), Some(0.1))
    );
}

#[test]
fn a_baseline_at_another_depth_is_told_beyond_the_site_s_caution() {
    let told = |then: Option<f64>, now: Option<f64>| {
        let mut all = baseline();
        all.push(sent(4, "2023-06-01", &[4.9, 5.0], &[4.9, 4.8], 0.1));
        for report in &mut all {
            let last = report.sop_instance_uid.as_deref() == Some("1.4");
            for value in &mut report.measurements {
                value.depth_mm = Millimetres::from_mm(if last { now } else { then }.unwrap_or(0.0))
                    .filter(|mm| mm.um() > 0);
            }
        }
        let content = last(&well(all), &Site::default());
        assert_eq!(content.baseline.len(), 3);
        content.assessment.notices.contains(&Notice::DepthDiffers)
    };
    assert!(!told(Some(3.0), Some(3.0)));
    assert!(!told(Some(3.0), Some(3.25)));
    assert!(told(Some(3.0), Some(3.251)));
    assert!(told(Some(3.3), Some(3.0)));
    assert!(!told(None, Some(3.0)));
    assert!(!told(Some(2.0), None));
}

/// An eyeball measured at both exams tells a small picture from a nerve.
#[test]
fn the_eyeball_of_the_report_reaches_the_doubt() {
    let told = |eyeball: Option<f64>| {
        let mut all = baseline();
        all.push(sent(4, "2023-06-01", &[3.0, 3.1], &[3.0, 3.1], 0.1));
        for report in &mut all {
            let last = report.sop_instance_uid.as_deref() == Some("1.4");
            for eye in [Laterality::Right, Laterality::Left] {
                let mm = if last { eyeball } else { Some(23.0) };
                let mut value = report.measurements[0].clone();
                (value.quantity, value.eye) = (Quantity::EyeballTransverseDiameter, eye);
                value.value_mm = mm.and_then(Millimetres::from_mm);
                value.place = format!("2.{eye:?}");
                report.measurements.extend(mm.map(|_| value));
            }
        }
        let content = last(&well(all), &Site::default());
        content.assessment.notices.contains(&Notice::NerveSuspected)
    };
    assert!(told(None));
    assert!(told(Some(23.0)));
    assert!(!told(Some(14.0)));
}

fn knowing(offset_mm: f64) -> Site {
    let entry = |name: &str, also: &[&str], offset| Entry {
        name: name.to_owned(),
        also: also.iter().map(ToString::to_string).collect(),
        offset,
        sigma_w: None,
    };
    let offset = KnownOffset {
        offset_mm,
        standard_error_mm: 0.05,
    };
    Site {
        roster: Roster {
            operators: vec![entry("Vantongeren^Amber", &["VANTONGEREN^A"], Some(offset))],
            devices: vec![entry("|Lumen 4|77", &["|Lumen 4|"], None)],
        },
        ..Site::default()
    }
}

/// Whatever changes by what the site knows is a new version that says why, and an exam that it does not
/// touch has none.
#[test]
fn a_change_of_what_is_known_says_why() {
    let mut all = baseline();
    all.push(sent(4, "2023-06-01", &[5.3, 5.4], &[5.3, 5.2], 0.1));
    let other = all.last_mut().unwrap().exam.as_mut().unwrap();
    other.operator = Some("VANTONGEREN^A".to_owned());
    let known = well(all);
    let plain = last(&known, &Site::default());
    let same = last(&known, &Site::default());
    assert_eq!(plain.key().unwrap(), same.key().unwrap());

    let told = last(&known, &knowing(0.3));
    // One operator at all exams, so the offset is in both and the interval is that of one operator.
    let row = |content: &Content| content.assessment.rows.both.unwrap().comparison.unwrap();
    assert!(row(&told).sd_mm < row(&plain).sd_mm);
    assert_eq!(
        told.exam.counted.operator_as.as_deref(),
        Some("Vantongeren^Amber")
    );
    assert_eq!(told.exam.counted.device_as.as_deref(), Some("|Lumen 4|77"));
    assert_eq!(
        told.exam.operator.as_deref(),
        Some("VANTONGEREN^A"),
        "as the report has it"
    );
    let why = change::why(Some(&plain), &told).join("; ");
    assert!(why.contains("joined or parted spellings"), "{why}");
    assert!(why.contains("changed what is known of the errors"), "{why}");
    assert!(!why.contains("corrected"), "{why}");
    let text = text::text(&told);
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        flat.contains("known to read 0.30 mm above the others"),
        "{text}"
    );

    // Only the number changes now; stored and read again it is the same content.
    let again = last(&known, &knowing(0.2));
    let stored: Content = serde_json::from_str(&serde_json::to_string(&told).unwrap()).unwrap();
    let why = change::why(Some(&stored), &again).join("; ");
    assert!(
        why.contains("changed what is known") && !why.contains("spellings"),
        "{why}"
    );
    let why = change::why(Some(&stored), &told);
    assert!(!why.iter().any(|one| one.contains("the site")), "{why:?}");
}
