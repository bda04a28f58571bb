//! What stands beside the comparison, as lines of text.

use crate::results::Content;

/// Title of the published figures.
pub(super) const PUBLISHED: &str = "Published figures (context only, no part of any flag)";

/// Titles and lines, in the order they are printed; a title without lines has nothing to say.
pub(super) fn sections(content: &Content) -> [(&'static str, Vec<String>); 6] {
    let course = &content.course;
    let growth = course.growth.iter().map(|growth| growth.sentence());
    let last = course.since_last.as_ref();
    // What stands in the statement is not said twice.
    let since_event = course.after_event.iter();
    let since_event = since_event.flat_map(|event| event.numbers(last));
    let trend = course.trend.iter().filter(|trend| trend.is_long_enough());
    let trend = trend.map(|trend| trend.sentence());
    let shift = course.change_point.iter();
    let shift = shift.filter_map(|shift| shift.sentence());
    let threshold = course.threshold.iter();
    let pressure = content.exam.opening_pressure.iter();
    let companions = content.companions.iter();
    let events = content.events.iter();
    [
        ("Age and growth", growth.collect()),
        (
            "Opening pressure",
            pressure.map(|one| one.sentence()).collect(),
        ),
        (
            "Events",
            events
                .map(|event| format!("{}: {}", event.date, event.kind.title()))
                .collect(),
        ),
        ("Course", since_event.chain(trend).chain(shift).collect()),
        (
            "This patient's own threshold",
            threshold.map(|threshold| threshold.sentence()).collect(),
        ),
        (
            "Measured beside the sheath",
            companions.flat_map(|one| one.sentences()).collect(),
        ),
    ]
}
