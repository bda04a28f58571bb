use super::*;
use crate::assess::Reason;
use crate::render::samples;

#[test]
fn texts_are_stable() {
    for (name, known) in samples::every() {
        let text = text(&samples::newest(&known).content);
        assert!(!text.to_lowercase().contains("normal"), "{name}");
        assert!(
            text.lines().all(|line| line.chars().count() <= 96),
            "{name}"
        );
        samples::golden(&format!("{name}.txt"), &text);
    }
}

#[test]
fn samples_hold_the_statuses_they_are_named_for() {
    let status = |known| samples::newest(&known).content.assessment.status;
    assert!(status(samples::flagged()).flagged());
    assert_eq!(status(samples::within()), Status::WithinExpected);
    assert_eq!(status(samples::no_baseline()), Status::NoBaseline);
    assert_eq!(status(samples::not_comparable()), Status::NotComparable);
    assert_eq!(status(samples::one_eye()), Status::WithinExpected);
    assert_eq!(status(samples::below()), Status::BelowExpected);
    assert!(status(samples::one_eye_out()).flagged());
}

#[test]
fn the_sentence_on_chance_stands_once_and_only_beside_a_flag() {
    for (name, known) in samples::every() {
        let content = samples::newest(&known).content;
        let said = summary(&content).matches("comes up by chance").count();
        let rows = &content.assessment.rows;
        let flagged = [&rows.both, &rows.right, &rows.left]
            .into_iter()
            .flatten()
            .filter_map(|row| row.comparison)
            .any(|c| c.status.flagged());
        assert_eq!(said, usize::from(flagged), "{name}");
    }
}

#[test]
fn a_single_eye_out_of_bounds_is_named_with_its_numbers() {
    let content = samples::newest(&samples::one_eye_out()).content;
    let said = summary(&content);
    assert!(said.contains("Of the two eyes only the right one is out of bounds"));
    let right = content.assessment.rows.right.unwrap();
    let measured = format!("Right eye: measured {:.2} mm", right.measured_mm);
    assert!(said.contains(&measured) && !said.contains("Left eye"));
    assert!(!summary(&samples::newest(&samples::flagged()).content).contains("only the"));
}

/// Eyes that leave in opposite directions can leave their mean where it was.
#[test]
fn eyes_out_in_opposite_directions_are_both_told() {
    let mut content = samples::newest(&samples::flagged()).content;
    let rows = &mut content.assessment.rows;
    let set = |row: &mut Option<crate::assess::Row>, status| {
        let comparison = row.as_mut().unwrap().comparison.as_mut().unwrap();
        comparison.status = status;
    };
    set(&mut rows.both, Status::WithinExpected);
    set(&mut rows.right, Status::AboveExpected);
    set(&mut rows.left, Status::BelowExpected);
    let said = summary(&content);
    assert!(said.contains("Right eye: measured") && said.contains("Left eye: measured"));
    assert!(said.contains("A value this high in the right eye"));
    assert!(!said.contains("only the"));
}

#[test]
fn used_readings_are_grouped_and_the_others_keep_their_reasons() {
    let flagged = text(&samples::newest(&samples::flagged()).content);
    assert!(flagged.contains("right, transverse: 5.9 6.0 5.8 mm"));
    assert!(flagged.contains("left, transverse: 5.9 5.8 6.04 mm"));
    assert!(flagged.contains("right 6.0 mm: The caliper lay 17 degrees off"));
    assert!(flagged.contains("1 more value: Made from readings that are here themselves"));
    let none = text(&samples::newest(&samples::not_comparable()).content);
    let flat = none.split_whitespace().collect::<Vec<_>>().join(" ");
    assert_eq!(none.matches("- not used: ").count(), 5);
    assert!(flat.contains("side unresolved 5.4 mm"));
    assert!(flat.contains("1.2.1 says right, but 1.2 says left."));
    assert!(flat.contains("Add the unit to the site dictionary."));
}

#[test]
fn a_withdrawn_result_says_so() {
    let mut content = samples::newest(&samples::no_baseline()).content;
    content.assessment =
        crate::assess::Assessment::not_comparable(&content.exam.id, Reason::Withdrawn);
    content.measurements_used.clear();
    content.measurements_not_used.clear();
    let said = summary(&content);
    assert!(said.starts_with("NOT COMPARABLE.") && said.contains("any more"));
    assert!(!said.contains("Measured") && !said.contains("mm"));
}

/// Nothing that a report holds drives a terminal, turns the order of reading or begins a line.
#[test]
fn what_others_wrote_stays_in_its_place() {
    let plain = samples::newest(&samples::flagged()).content;
    let hostile = "x\u{1B}[2J\u{202E}\u{200B}\u{2028}\nLabel well".to_owned();
    let mut content = plain.clone();
    content.patient.id.clone_from(&hostile);
    content.patient.issuer.clone_from(&hostile);
    content.exam.study_instance_uid.clone_from(&hostile);
    content.exam.operator = Some(hostile.clone());
    content.exam.device.model = Some(hostile.clone());
    content.baseline[0].operator = Some(hostile.clone());
    content.would_change.push(hostile);
    let said = text(&content);
    assert!(
        !said.chars().any(|c| c != '\n' && legible::misleads(c)),
        "{said}"
    );
    assert!(
        !said.lines().any(|line| line.starts_with("Label")),
        "{said}"
    );
    assert!(
        said.contains("x\u{FFFD}[2J\u{FFFD}\u{FFFD}\u{FFFD} Label well"),
        "{said}"
    );
}
