use super::super::tests::document;
use super::super::{Rules, read_document};
use super::*;
use crate::extract::build::{self, container, number};
use crate::template::Templates;

/// Three values under codes of their own and a unit of its own, read with a dictionary.
fn read(dictionary: &str) -> ObjectReading {
    let named = [("codes.toml".to_owned(), dictionary.to_owned())];
    let rules = Rules::new(Templates::load(&[], &named).unwrap());
    let values = vec![
        number("A 99X", "5.6", "U 99X", vec![]),
        number("B 99X", "4.9", "mm UCUM", vec![]),
        number("C 99X", "0.25", "V 99X", vec![]),
    ];
    let document = document(Some(container(build::REPORT, values).plant()));
    read_document(&document, "SITE", &rules)
}

fn term(code: &str, says: &str) -> String {
    format!("[[term]]\ncode = \"{code}\"\nscheme = \"99X\"\nsays = {{ {says} }}\n")
}

fn sheath(code: &str, eye: &str) -> String {
    term(
        code,
        &format!("quantity = \"sheath_diameter\", eye = \"{eye}\""),
    )
}

fn told(before: &str, after: &str) -> Vec<(String, Vec<Change>)> {
    let compared = compare(&read(before), &read(after));
    let values = compared.values.into_iter();
    values.map(|one| (one.place, one.how)).collect()
}

#[test]
fn values_are_gained_lost_and_changed() {
    let mm = term("U", "unit = \"mm\"");
    let base = sheath("A", "right") + &sheath("B", "left") + &mm;
    let place = |at: &str, how: &[Change]| (at.to_owned(), how.to_vec());
    assert_eq!(told(&base, &base), []);
    // Nothing was explained; the third has no unit still.
    assert_eq!(
        told("", &base),
        [
            place("1.1", &[Change::Gained]),
            place("1.2", &[Change::Gained])
        ]
    );
    assert_eq!(
        told(&base, &(sheath("A", "right") + &mm)),
        [place("1.2", &[Change::Lost])]
    );
    // Right becomes left: the mirror that a draft must never make unseen.
    let mirrored = sheath("A", "left") + &sheath("B", "right") + &mm;
    assert_eq!(
        told(&base, &mirrored),
        [place("1.1", &[Change::Side]), place("1.2", &[Change::Side])]
    );
    // 5.6 cm is no sheath.
    let cm = sheath("A", "right") + &sheath("B", "left") + &term("U", "unit = \"cm\"");
    assert_eq!(told(&base, &cm), [place("1.1", &[Change::Lost])]);
    let compared = compare(&read(&base), &read(&cm));
    let after = compared.values[0].after.as_ref().expect("told");
    assert_eq!(
        after.value_mm.map(|mm| mm.to_string()).as_deref(),
        Some("56 mm")
    );
    assert!(!after.blocked_by.is_empty());
    let nerve = base.replacen("sheath_diameter", "nerve_diameter", 1);
    assert_eq!(told(&base, &nerve), [place("1.1", &[Change::Quantity])]);
    let bordered = base.replacen(
        "eye = \"right\"",
        "eye = \"right\", definition = \"outer\"",
        1,
    );
    assert_eq!(told(&base, &bordered), [place("1.1", &[Change::Otherwise])]);
}

/// 0.25 cm and 0.25 inch both lie within the widths of a sheath; one of them is wrong.
#[test]
fn another_unit_that_is_plausible_too_is_another_width() {
    let of = |unit: &str| sheath("C", "right") + &term("V", &format!("unit = \"{unit}\""));
    let (before, after) = (read(&of("cm")), read(&of("[in_i]")));
    let usable = |reading: &ObjectReading| reading.measurements.iter().any(|one| one.usable);
    assert!(usable(&before) && usable(&after));
    let compared = compare(&before, &after);
    assert_eq!(compared.values.len(), 1);
    assert_eq!(compared.values[0].how, [Change::Width]);
    assert!(Change::Width.is_grave());
}

#[test]
fn doubts_are_counted_both_ways() {
    let base = sheath("A", "right") + &term("U", "unit = \"mm\"");
    let bilateral = sheath("A", "bilateral") + &term("U", "unit = \"mm\"");
    let compared = compare(&read(&base), &read(&bilateral));
    assert!(!compared.remarks_new.is_empty(), "{compared:?}");
    let back = compare(&read(&bilateral), &read(&base));
    assert_eq!(back.remarks_gone, compared.remarks_new);
    assert_eq!(back.remarks_new, compared.remarks_gone);
    assert_eq!(compared.values[0].how, [Change::Lost]);

    let mut tally = Tally::default();
    for (before, after) in [("", base.as_str()), (&base, &bilateral)] {
        let (before, after) = (read(before), read(after));
        tally.add(&before, &after, &compare(&before, &after));
    }
    assert_eq!(tally.reports, 2);
    assert_eq!((tally.before.usable, tally.after.usable), (1, 1));
    assert_eq!((tally.before.without, tally.after.without), (1, 1));
    assert_eq!((tally.before.right, tally.after.right), (1, 1));
    assert_eq!(
        (tally.count(Change::Gained), tally.count(Change::Lost)),
        (1, 1)
    );
    assert!(tally.read_by.iter().any(|by| by.starts_with("codes@")));
}

#[test]
fn places_stand_as_numbers() {
    assert!(ordinals("1.10") > ordinals("1.9"));
}

/// How long a line of a presentation state is, its picture says, which is not in the same file: a label
/// more is a value gained all the same, and of no eye that it does not say.
#[test]
fn a_line_that_waits_for_its_picture_is_gained_and_lost_as_values_are() {
    let state = include_bytes!("../../../../../fixtures/presentations/straight/presentation-1.dcm");
    let read = |label: &str| {
        let named = [("labels.toml".to_owned(), label.to_owned())];
        let mut rules = Rules::new(Templates::load(&[], &named).unwrap());
        rules.presentation_states = true;
        super::super::read_object(state, None, "SITE", &rules)
    };
    let label = |says: &str| format!("[[label]]\ntext = \"ONSD RE\"\nsays = {{ {says} }}\n");
    let changes = |before: &str, after: &str| -> Vec<Vec<Change>> {
        let compared = compare(&read(before), &read(after));
        compared.values.into_iter().map(|one| one.how).collect()
    };
    let right = label("quantity = \"sheath_diameter\", eye = \"right\"");
    assert_eq!(changes("", &right), [[Change::Gained]]);
    assert_eq!(changes(&right, ""), [[Change::Lost]]);
    let nerve = label("quantity = \"nerve_diameter\", eye = \"right\"");
    assert_eq!(changes(&right, &nerve), [[Change::Quantity]]);
    assert_eq!(
        changes("", &label("quantity = \"sheath_diameter\"")),
        Vec::<Vec<Change>>::new()
    );
    let mut tally = Tally::default();
    let (before, after) = (read(""), read(&right));
    tally.add(&before, &after, &compare(&before, &after));
    assert_eq!((tally.before.without, tally.after.without), (1, 0));
    assert_eq!((tally.after.usable, tally.after.right), (1, 1));
}
