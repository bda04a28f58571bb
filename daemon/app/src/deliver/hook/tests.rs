use super::*;
use sheathline_model::results::samples;

/// The whole of the notice: nothing of the patient, and of the outcome only whether a rise is new or
/// taken back.
#[test]
fn a_notice_says_that_there_is_a_result_and_where() {
    for (name, results) in samples::every() {
        let result = samples::newest(&results);
        let notice = serde_json::to_value(Notice::of(&result, false, false)).unwrap();
        let exam = &result.content.exam.id;
        let wanted = serde_json::json!({
            "key": result.key,
            "exam": exam,
            "version": result.version,
            "folder": format!("{exam}-v{}", result.version),
            "change": result.change().word(),
        });
        assert_eq!(notice, wanted, "{name}");
        let mut telling = wanted;
        telling["status"] = serde_json::to_value(result.content.assessment.status).unwrap();
        let notice = serde_json::to_value(Notice::of(&result, false, true)).unwrap();
        assert_eq!(notice, telling, "{name}");
        let text = notice.to_string();
        assert!(!text.contains(&result.content.patient.id), "{name}");
    }
}

/// A structured string of RFC 8941 3.3.3 in visible ASCII, another for each version.
#[test]
fn the_idempotency_key() {
    let (_, results) = samples::every().remove(0);
    let mut result = samples::newest(&results);
    let first = Notice::of(&result, false, false).idempotency_key();
    let reminder = Notice::of(&result, true, false);
    assert_eq!(serde_json::to_value(&reminder).unwrap()["reminder"], true);
    let reminder = reminder.idempotency_key();
    assert_ne!(reminder, first, "it is another notice");
    let inside = first
        .strip_prefix('"')
        .and_then(|text| text.strip_suffix('"'));
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '-';
    assert!(
        inside.is_some_and(|text| text.chars().all(plain)),
        "{first}"
    );
    result.version += 1;
    assert_ne!(Notice::of(&result, false, false).idempotency_key(), first);
}
