use super::*;
use crate::results::samples;

fn changes(exams: &[(Option<&str>, Option<&str>)]) -> Vec<Option<String>> {
    let one = samples::newest(&samples::no_baseline()).content;
    let contents: Vec<Content> = exams
        .iter()
        .enumerate()
        .map(|(n, (operator, model))| {
            let mut content = one.clone();
            content.exam.id = format!("E{n}");
            content.exam.performed_at.local += chrono::TimeDelta::days(n as i64);
            content.exam.operator = operator.map(str::to_owned);
            content.exam.device.model = model.map(str::to_owned);
            content
        })
        .collect();
    // Their order makes no difference.
    let contents: Vec<&Content> = contents.iter().rev().collect();
    let trend = of_contents(String::new(), &contents, &[], None);
    trend.points.into_iter().map(|p| p.changed).collect()
}

#[test]
fn a_change_of_hands_or_machine_is_marked_where_it_happens() {
    let (a, b) = (Some("Amber"), Some("Iolo"));
    let (m, n) = (Some("Lumen 4"), Some("Pocket T"));
    let said = changes(&[(a, m), (a, m), (b, m), (b, n), (a, m), (a, m)]);
    let said: Vec<&str> = said.iter().map(|s| s.as_deref().unwrap_or("")).collect();
    assert_eq!(
        said,
        [
            "",
            "",
            "other operator",
            "other device",
            "other operator and device",
            ""
        ]
    );
}

#[test]
fn what_is_unknown_is_said_once_and_not_taken_for_another() {
    let (a, m) = (Some("Amber"), Some("Lumen 4"));
    let said = changes(&[
        (None, None),
        (a, m),
        (None, m),
        (Some("  "), m),
        (a, m),
        (Some("Iolo"), None),
    ]);
    let said: Vec<&str> = said.iter().map(|s| s.as_deref().unwrap_or("")).collect();
    assert_eq!(
        said,
        [
            "",
            "",
            "unknown operator",
            "",
            "",
            "other operator, unknown device"
        ]
    );
}

#[test]
fn one_eye_has_its_own_value_and_band() {
    let all = samples::all(&samples::flagged());
    let contents: Vec<&Content> = all.iter().collect();
    for eye in Eye::BOTH {
        let trend = of_contents(String::new(), &contents, &[], Some(eye));
        let point = trend.points.last().unwrap();
        let row = all[3].assessment.rows.of(eye).unwrap();
        let own = row.comparison.unwrap();
        assert_eq!(point.both_mm, Some(row.measured_mm));
        assert_eq!(point.upper_mm, Some(own.upper_mm));
        assert!((point.right_mm, point.left_mm) == (None, None));
        let svg = crate::render::trend::svg(&trend);
        assert!(svg.contains(&format!("{} eye", eye.word())));
        assert!(!svg.contains(&format!("{} eye", eye.other().word())));
    }
}

#[test]
fn an_eye_that_was_not_measured_is_no_eye_within_bounds() {
    let all = samples::all(&samples::one_eye());
    let contents: Vec<&Content> = all.iter().collect();
    let trend = of_contents(String::new(), &contents, &[], Some(Eye::Left));
    let last = trend.points.last().unwrap();
    assert_eq!((last.status, last.both_mm), (None, None));
}
