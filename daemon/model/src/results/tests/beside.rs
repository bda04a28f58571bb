//! What stands beside a comparison: in the content, in the text, and in the reasons for a version.

use super::*;
use crate::domain::{Laterality, Quantity};
use crate::history::testing::reading;
use crate::render::text;

/// Exams of one patient, eyes alike: study number, day, width of three readings.
fn visits(list: &[(u32, &str, f64)]) -> Known {
    let readings = list.iter().map(|(n, day, mm)| {
        let same = [*mm, *mm, *mm];
        reading(&format!("1.{n}"), &format!("2.{n}"), day, &same, &same)
    });
    let labels = list
        .iter()
        .map(|(n, _, _)| (About::of_study(format!("2.{n}")), Label::Well));
    Known {
        readings: readings.collect(),
        labels: labels.collect(),
        ..Known::default()
    }
}

/// Says of a study what it was, in place of what was said before.
fn label(known: &mut Known, study: &str, label: Label) {
    known
        .labels
        .retain(|(about, _)| about.study_instance_uid != study);
    known.labels.push((About::of_study(study), label));
}

/// Well twice, ruled out, confirmed, and today.
fn story() -> Known {
    let mut known = visits(&[
        (1, "2023-01-10", 5.0),
        (2, "2023-02-10", 5.1),
        (3, "2023-04-10", 5.3),
        (4, "2023-06-10", 6.2),
        (5, "2023-09-10", 5.5),
    ]);
    label(&mut known, "2.3", Label::RaisedRuledOut);
    label(&mut known, "2.4", Label::RaisedConfirmed);
    known
        .labels
        .retain(|(about, _)| about.study_instance_uid != "2.5");
    known
}

fn last(known: &Known, site: &Site) -> Content {
    of_patient(known, site).unwrap().pop().unwrap()
}

#[test]
fn the_text_tells_growth_threshold_event_and_trend() {
    let content = last(&story(), &Site::default());
    let course = &content.course;
    assert!(course.growth.is_some() && course.threshold.is_some());
    assert!(course.after_event.is_some() && course.trend.is_none());
    let text = text::text(&content);
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for said in [
        "Age and growth",
        "at the last baseline exam",
        "This patient's own threshold",
        "This never changes the status.",
        "After raised pressure was confirmed on 2023-06-10",
    ] {
        assert!(flat.contains(said), "{said}: {text}");
    }
    let mut without_event = story();
    label(&mut without_event, "2.4", Label::Well);
    let content = last(&without_event, &Site::default());
    assert!(content.course.trend.is_some());
    assert!(text::text(&content).contains("a year (95 % interval"));
    assert!(
        text.lines().all(|line| line.chars().count() <= 96),
        "{text}"
    );
    assert!(
        !flat.contains("Published") && content.context.is_none(),
        "off by default"
    );
}

#[test]
fn a_lonely_exam_has_nothing_beside_it() {
    let content = last(&visits(&[(1, "2023-01-10", 5.0)]), &Site::default());
    let json = serde_json::to_value(&content).unwrap();
    for absent in ["course", "companions", "context"] {
        assert_eq!(json.get(absent), None);
    }
    assert_eq!(json["exam"].get("opening_pressure"), None);
}

/// A content as an older version of the program stored it: without the newer fields.
#[test]
fn stored_contents_are_read_back_and_keep_their_key() {
    for known in [story(), visits(&[(1, "2023-01-10", 5.0)])] {
        for content in of_patient(&known, &Site::default()).unwrap() {
            let json = serde_json::to_string(&content).unwrap();
            let back: Content = serde_json::from_str(&json).unwrap();
            assert_eq!(back.key().unwrap(), content.key().unwrap());
            let mut old = serde_json::to_value(&content).unwrap();
            for newer in ["course", "companions", "context"] {
                old.as_object_mut().unwrap().remove(newer);
            }
            let old: Content = serde_json::from_value(old).unwrap();
            assert_eq!(old.assessment.status, content.assessment.status);
        }
    }
}

#[test]
fn an_opening_pressure_is_shown_and_changes_no_number() {
    let mut known = story();
    let before = last(&known, &Site::default());
    let pressure = OpeningPressure::typed("32", "cm[H2O]").unwrap();
    known.pressures.push((About::of_study("2.5"), pressure));
    let now = last(&known, &Site::default());
    assert_eq!(now.assessment, before.assessment);
    assert_eq!(now.course, before.course);
    let json = serde_json::to_value(&now).unwrap();
    assert_eq!(json["exam"]["opening_pressure"]["value"], "32");
    assert_eq!(json["exam"]["opening_pressure"]["unit"], "cm[H2O]");
    assert!(text::text(&now).contains("Opening pressure 32 cm[H2O]"));
    assert_eq!(
        change::why(Some(&before), &now),
        ["an opening pressure of 32 cm[H2O] was recorded"]
    );
    assert_eq!(
        change::why(Some(&now), &before),
        ["the opening pressure was taken back"]
    );
    // It belongs to its exam alone.
    let all = of_patient(&known, &Site::default()).unwrap();
    let with = all.iter().filter(|one| one.exam.opening_pressure.is_some());
    assert_eq!(with.count(), 1);
}

/// The change of an episode stands beside the pressure that was found at it.
#[test]
fn an_opening_pressure_stands_beside_its_episode() {
    let mut known = story();
    let pressure = OpeningPressure::typed("32", "cm[H2O]").unwrap();
    known
        .pressures
        .push((About::of_study("2.4"), pressure.clone()));
    let now = last(&known, &Site::default());
    let threshold = now.course.threshold.as_ref().unwrap();
    let told: Vec<_> = threshold
        .episodes
        .iter()
        .map(|one| (one.raised, one.opening_pressure.clone()))
        .collect();
    assert_eq!(told, [(false, None), (true, Some(pressure))]);
    let flat = text::text(&now)
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ");
    assert!(
        flat.contains("predict, opening pressure 32 cm[H2O]"),
        "{flat}"
    );
}

/// Two exams of a week: the change since the last and the flags before stand in the text.
#[test]
fn the_last_exam_and_earlier_flags_are_told() {
    let mut known = visits(&[
        (1, "2023-01-10", 5.0),
        (2, "2023-02-10", 5.1),
        (3, "2023-09-10", 6.2),
        (4, "2023-09-12", 5.2),
    ]);
    for study in ["2.3", "2.4"] {
        known
            .labels
            .retain(|(about, _)| about.study_instance_uid != study);
    }
    let flat = text::text(&last(&known, &Site::default()))
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ");
    assert!(
        flat.contains("Flagged once on 2023-09-10") && flat.contains(", not now."),
        "{flat}"
    );
    assert!(flat.contains("Since the last exam (2023-09-10"), "{flat}");
    assert!(flat.contains("-1.00 mm ("), "{flat}");
}

#[test]
fn published_figures_are_shown_only_when_switched_on_and_change_no_status() {
    let known = story();
    let off = of_patient(&known, &Site::default()).unwrap();
    let site = Site {
        context: true,
        ..Site::default()
    };
    let on = of_patient(&known, &site).unwrap();
    for (off, on) in off.iter().zip(&on) {
        assert_eq!(off.assessment, on.assessment);
        assert_eq!(off.course, on.course);
        let context = on.context.as_ref().unwrap();
        assert!(context.norms.iter().any(|norm| norm.z.is_some()));
        let text = text::text(on);
        assert!(
            text.contains("Published figures (context only, no part of any flag)"),
            "{text}"
        );
        assert!(text.contains("3.85 to 6.4 mm"), "{text}");
        assert_eq!(
            change::why(Some(off), on),
            ["the site switched published figures on or off"]
        );
    }
}

#[test]
fn companions_of_an_exam_are_shown_beside_it() {
    let mut known = visits(&[(1, "2023-01-10", 5.0), (2, "2023-04-10", 5.2)]);
    let before = last(&known, &Site::default());
    for (n, eyeball) in [(0, 23.0), (1, 23.1)] {
        let report: &mut ObjectReading = &mut known.readings[n];
        let mut value = report.measurements[0].clone();
        value.quantity = Quantity::EyeballTransverseDiameter;
        value.eye = Laterality::Left;
        value.value_mm = Millimetres::from_mm(eyeball);
        value.place = "9.1".into();
        report.measurements.push(value);
    }
    let now = last(&known, &Site::default());
    let ratio = now
        .companions
        .as_ref()
        .unwrap()
        .eyeball
        .left
        .as_ref()
        .unwrap();
    assert!((ratio.ratio - 5.2 / 23.1).abs() < 1e-12);
    assert!((ratio.change.unwrap() - (5.2 / 23.1 - 5.0 / 23.0)).abs() < 1e-12);
    assert_eq!(now.assessment, before.assessment);
    assert!(text::text(&now).contains("Measured beside the sheath"));
    assert_eq!(
        change::why(Some(&before), &now),
        ["values measured beside the sheath changed, here or at an earlier exam"]
    );
}

#[test]
fn a_new_episode_is_a_reason_of_its_own() {
    let mut known = story();
    let now = last(&known, &Site::default());
    label(&mut known, "2.4", Label::RaisedRuledOut);
    let relabelled = last(&known, &Site::default());
    let why = change::why(Some(&now), &relabelled);
    let threshold = "the own-threshold estimate changed because an earlier episode was labelled";
    assert!(why.iter().any(|reason| reason == threshold), "{why:?}");
    // A stored content, whose numbers are rounded, is no other content.
    let stored: Content = serde_json::from_str(&serde_json::to_string(&now).unwrap()).unwrap();
    assert_eq!(
        change::why(Some(&stored), &now),
        ["another version of the software words the result differently"]
    );
}

#[test]
fn a_withdrawn_exam_says_nothing_beside_its_withdrawal() {
    let content = last(&story(), &Site::default());
    let withdrawn = withdraw(&content, &Homes::of([]), &[]);
    assert!(withdrawn.course.is_empty() && withdrawn.companions.is_none());
    assert_eq!(withdrawn.context, None);
}
