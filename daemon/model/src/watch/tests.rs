//! Senders after an update, and senders that are as they always were.

use super::*;
use crate::domain::{CodeRole, Remark, Severity};
use crate::history::testing::reading;
use proptest::prelude::*;

/// A window of these reports: `v` values, `h` values and a code that nobody explains, `u` none and two
/// such codes, `o` something else.
fn window(reports: &str) -> Window {
    let mut window = Window::default();
    for (at, letter) in reports.chars().enumerate() {
        let (brought, codes) = match letter {
            'v' => (Brought::Values, 0),
            'h' => (Brought::Values, 1),
            'u' => (Brought::Unexplained, 2),
            _ => (Brought::Else, 0),
        };
        let object = at as i64 + 1;
        let report = Report {
            object,
            brought,
            codes,
        };
        window.note(object, Some(report));
    }
    window
}

fn told(reports: &str) -> (bool, bool) {
    let window = window(reports);
    (window.stopped().is_some(), window.grew().is_some())
}

#[test]
fn a_scanner_whose_codes_were_all_renamed_is_told() {
    assert_eq!(told("vvvvvvvvvvuuuu"), (false, false), "too few to say");
    assert_eq!(told("vvvvvvvvvvuuuuu"), (true, true));
    assert_eq!(told("vvvuuuuuu"), (true, false), "a young sender");
    let since = window("vvvvvvvvvvuuuuuuu").stopped().unwrap();
    assert_eq!((since.object, since.reports), (11, 7));
    assert_eq!((since.before, since.then), (10, 10));
    // It stays told, however long nobody looks, and with the same beginning.
    let long = window(&format!("{}{}", "v".repeat(40), "u".repeat(1000)));
    assert_eq!(long.stopped().unwrap().object, 41);
    assert_eq!(long.grew().unwrap().object, 41);
    assert!(long.reports().len() <= MOST);
}

#[test]
fn a_scanner_of_which_one_eye_was_renamed_is_told_by_its_codes() {
    assert_eq!(told("vvvvvvvvhhhh"), (false, false));
    assert_eq!(told("vvvvvvvvhhhhh"), (false, true));
    let since = window("vvvvvvvvhhhhhh").grew().unwrap();
    assert_eq!((since.object, since.reports, since.then), (9, 6, 0));
    assert_eq!(told("hhhhhhhhhhhhhhhh"), (false, false), "as it always was");
}

#[test]
fn other_reports_of_a_sender_are_no_change() {
    // In any mixture, and many in a row: what is understood as something else says nothing.
    assert_eq!(told(&"vo".repeat(40)), (false, false));
    assert_eq!(
        told(&format!("{}{}", "voo".repeat(20), "o".repeat(60))),
        (false, false)
    );
    // Renamed among them.
    assert_eq!(
        told(&format!("{}{}", "vooo".repeat(10), "uooo".repeat(5))),
        (true, true)
    );
    // Reports that hold something unexplained now and then, as before.
    assert_eq!(told(&"vu".repeat(40)), (false, false));
    assert_eq!(told("vuuuvvuuvvvuuuuuvvuvuuuuuuu"), (false, false));
    assert!(told(&format!("{}{}", "vu".repeat(20), "u".repeat(17))).0);
    assert!(!told(&format!("{}{}", "vu".repeat(20), "u".repeat(14))).0);
    // Never had values.
    assert_eq!(told(&"u".repeat(60)), (false, false));
    assert_eq!(told(&"o".repeat(60)), (false, false));
}

/// An update that leaves nothing unexplained: reports without numbers, or of standard codes alone.
#[test]
fn a_scanner_that_sends_only_other_things_now_is_told_where_it_always_had_values() {
    let after = |before: &str, others: usize| told(&format!("{before}{}", "o".repeat(others))).0;
    assert!(!after("vvvvvvvvvvvv", OTHERS - 1));
    assert!(after("vvvvvvvvvvvv", OTHERS));
    assert!(
        !after("vvvvvovvvovv", OTHERS),
        "one in six was something else"
    );
    assert!(!after("vvvvv", OTHERS), "too little is known of it");
}

#[test]
fn a_silent_sender_is_not_told() {
    assert_eq!(told(&"v".repeat(60)), (false, false));
    assert_eq!(told(""), (false, false));
}

#[test]
fn values_end_it_also_when_old_reports_are_read_again() {
    assert_eq!(told("vvvvvvvvvvuuuuuuv"), (false, false));
    let mut window = window(&format!("{}{}", "v".repeat(10), "u".repeat(100)));
    assert!(window.stopped().is_some());
    // The codes were explained, and everything is read again.
    for object in 1..=110 {
        let brought = Brought::Values;
        window.note(
            object,
            Some(Report {
                object,
                brought,
                codes: 0,
            }),
        );
    }
    assert_eq!((window.stopped(), window.grew()), (None, None));
    // Or they are said to be nothing.
    for object in 1..=110 {
        window.note(object, None);
    }
    assert_eq!(window, Window::default());
}

/// What chance may do to a sender that is as it always was: of 200 senders of one in two, 500 reports each.
#[test]
fn a_steady_sender_is_hardly_ever_told() {
    let mut seed = 7_u64;
    let mut told = 0;
    for _ in 0..200 {
        let mut window = Window::default();
        for object in 0..500 {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            let brought = if seed >> 63 == 1 {
                Brought::Values
            } else {
                Brought::Unexplained
            };
            window.note(
                object,
                Some(Report {
                    object,
                    brought,
                    codes: 0,
                }),
            );
            told += u32::from(window.stopped().is_some());
        }
    }
    assert!(told <= 5, "{told} of 100,000");
}

proptest! {
    /// The order in which they were read, and how often, leaves no trace where all are known.
    #[test]
    fn the_order_of_reading_leaves_no_trace(letters in "[vhuo]{0,100}", turn in 0_usize..100) {
        let known = window(&letters);
        let mut reports = known.reports().to_vec();
        if !reports.is_empty() {
            let turn = turn % reports.len();
            reports.rotate_left(turn);
        }
        let mut other = Window::default();
        for one in reports.iter().chain(&reports) {
            other.note(one.object, Some(*one));
        }
        prop_assert_eq!(&other, &known);
        prop_assert_eq!(known.to_string().parse::<Window>(), Ok(known));
    }

    #[test]
    fn any_text_is_read_or_refused(text in "[0-9vux ]{0,60}") {
        let _ = text.parse::<Window>();
    }
}

#[test]
fn what_a_reading_brought() {
    let of = |one: &ObjectReading| Report::of(1, one).map(|report| report.brought);
    let full = || reading("1.1", "2.1", "2024-03-01", &[5.0], &[5.1]);
    let empty = || reading("1.1", "2.1", "2024-03-01", &[], &[]);
    let with = |mut one: ObjectReading, code: RemarkCode| {
        one.remarks.push(Remark::of(code, "x"));
        one
    };
    assert_eq!(of(&full()), Some(Brought::Values));
    assert_eq!(
        of(&with(full(), RemarkCode::LeftUnread)),
        Some(Brought::Values)
    );
    assert_eq!(of(&empty()), Some(Brought::Else));
    assert_eq!(
        of(&with(empty(), RemarkCode::LeftUnread)),
        Some(Brought::Unexplained)
    );
    assert_eq!(
        of(&with(empty(), RemarkCode::TemplateTie)),
        Some(Brought::Unexplained)
    );
    assert_eq!(of(&with(empty(), RemarkCode::OwnResult)), None);
    let holds = |code: &str, scheme: &str| {
        let mut one = empty();
        one.unexplained.push(Unexplained {
            code: code.to_owned(),
            scheme: scheme.to_owned(),
            meaning: String::new(),
            role: CodeRole::Number,
            times: 1,
            called: Vec::new(),
            sides: Vec::new(),
            examples: Vec::new(),
        });
        of(&one)
    };
    assert_eq!(holds("ONSD2-L", "99TARNHOLT"), Some(Brought::Unexplained));
    assert_eq!(holds("L1", "CART"), Some(Brought::Unexplained));
    assert_eq!(holds("", ""), Some(Brought::Unexplained), "a label");
    assert_eq!(holds("11727-5", "LN"), Some(Brought::Else), "a fetus");
    let unusable = |code: RemarkCode| {
        let mut one = full();
        for value in &mut one.measurements {
            value.set_aside(Remark::of(code.clone(), "x").with(Severity::Blocking));
        }
        one
    };
    assert_eq!(
        of(&unusable(RemarkCode::LateralityUnclear)),
        Some(Brought::Unexplained)
    );
    assert_eq!(
        of(&unusable(RemarkCode::Implausible)),
        None,
        "says nothing of codes"
    );
    assert_eq!(of(&unusable(RemarkCode::DocumentHeld)), None);
    let mut picture = empty();
    picture.sop_class_uid = Some("1.2.840.10008.5.1.4.1.1.6.1".to_owned());
    assert_eq!(of(&picture), None);
}

#[test]
fn a_sender_is_a_source_and_the_machine_of_the_header() {
    let machine = Device {
        manufacturer: Some("Tarnholt|x".to_owned()),
        model: Some("Lumen\n4".to_owned()),
        serial: None,
    };
    let of = |source: &str, machine: &Device| {
        let sender = Sender::of(&Source::from(source), machine);
        sender.map(|sender| sender.to_string())
    };
    assert_eq!(
        of("dicom:CART1", &machine).as_deref(),
        Some("dicom:CART1 Tarnholtx|Lumen4|")
    );
    assert_eq!(of("folder", &Device::default()).as_deref(), Some("folder"));
    assert_eq!(
        of("web:192.0.2.7", &Device::default()).as_deref(),
        Some("web")
    );
    assert_eq!(
        of("archive:old", &machine),
        None,
        "history comes in any order"
    );
    assert_eq!(of("file", &machine), None);
}
