use super::*;
use proptest::prelude::*;

fn row(measured: f64, expected: f64, half: f64, below: f64, status: Status) -> Row {
    Row {
        measured_mm: measured,
        comparison: Some(Comparison {
            expected_mm: expected,
            sd_mm: half / 1.645,
            z: (measured - expected) / (half / 1.645),
            lower_mm: expected - below,
            upper_mm: expected + half,
            change_mm: measured - expected,
            change_percent: 100.0 * (measured - expected) / expected,
            smallest_change_mm: half,
            eight_of_ten_mm: half * 1.51,
            probability_high: 0.05,
            status,
        }),
        too_wide: None,
    }
}

#[test]
fn two_decimals_are_enough_for_most() {
    let printed = Printed::of(&row(5.2, 5.0, 0.4, 0.5, Status::WithinExpected));
    let expected = printed.expected.unwrap();
    assert_eq!(printed.measured, "5.20");
    assert_eq!(expected.interval, "4.50 to 5.40");
    assert_eq!(
        (expected.change.as_str(), expected.percent.as_str()),
        ("+0.20", "+4.0")
    );
    assert_eq!(mm(-0.001), "0.00");
    assert_eq!(signed(-0.001), "+0.00");
    assert_eq!(signed(-0.006), "-0.01");
}

/// 5.3963 is within an interval up to 5.3968, and both would be 5.40.
#[test]
fn a_value_beside_its_limit_is_told_with_a_decimal_more() {
    let within = Printed::of(&row(5.3963, 5.0, 0.3968, 0.5, Status::WithinExpected));
    assert_eq!(within.measured, "5.396");
    assert_eq!(within.expected.unwrap().interval, "4.500 to 5.397");
    // A change of exactly the limit is a flag: nothing contradicts it.
    let above = Printed::of(&row(5.4, 5.0, 0.4, 0.5, Status::AboveExpected));
    assert_eq!(above.measured, "5.40");
}

proptest! {
    /// Whatever the numbers, the printed ones say what the status says.
    #[test]
    fn printed_numbers_never_contradict_the_status(
        expected in 3.0..8.0_f64, half in 0.1..1.5_f64, below in 0.1..2.0_f64,
        near in -0.02..0.02_f64, side in 0..3_u8,
    ) {
        let measured = match side {
            0 => expected + half + near,
            1 => expected - below + near,
            _ => expected + near,
        };
        // As stored: six decimals.
        let stored = |v: f64| (v * 1e6).round() / 1e6;
        let (measured, expected, half, below) =
            (stored(measured), stored(expected), stored(half), stored(below));
        let status = match measured - expected {
            change if stored(change) >= half => Status::AboveExpected,
            change if stored(change) <= -below => Status::BelowExpected,
            _ => Status::WithinExpected,
        };
        let printed = Printed::of(&row(measured, expected, half, below, status));
        let read = |text: &str| text.parse::<f64>().unwrap();
        let beside = printed.expected.unwrap();
        let (lower, upper) = beside.interval.split_once(" to ").unwrap();
        let value = read(&printed.measured);
        let inside = read(lower) < value && value < read(upper);
        prop_assert_eq!(inside, status == Status::WithinExpected, "{} in {}", value, beside.interval);
        let is_flagged = read(&beside.change) >= read(&beside.needed);
        prop_assert_eq!(is_flagged, status == Status::AboveExpected);
    }
}
