//! One line, saved several times: by report and presentation state, or by every presentation state
//! that a viewer writes anew.

use crate::domain::{
    Caliper, Disposition, Eye, Laterality, Measurement, ObjectReading, Point, Quantity, Remark,
    RemarkCode,
};
use std::collections::{BTreeMap, BTreeSet};

/// Ends that lie no further apart than this are one place, pixels. Common practice, no source:
/// viewers round to whole or half pixels.
const SAME_PX: f64 = 0.5;

/// Which measurement of which reading.
type At = (usize, usize);

/// Counts each line over a picture once. A report goes before a presentation state, and of these
/// the first by UID and place; two that name different eyes for one line take the side from both.
pub(super) fn once(readings: &mut [ObjectReading]) {
    let is_drawn = |one: &Measurement| presented(one).is_some();
    let mut drawn = readings.iter().flat_map(|one| &one.measurements);
    if !drawn.any(is_drawn) {
        return;
    }
    let replaced: BTreeSet<&str> = readings
        .iter()
        .filter(|one| one.holds_sheath_values())
        .flat_map(|one| one.predecessors.iter().map(String::as_str))
        .collect();
    // Reports first, then by UID and place.
    let mut order: Vec<(u8, &str, At)> = Vec::new();
    for (n, reading) in readings.iter().enumerate() {
        let stands =
            reading.disposition != Disposition::Quarantined && !replaced.contains(reading.uid());
        for (m, one) in reading.measurements.iter().enumerate() {
            if stands && one.caliper.is_some() {
                // A line that cannot be used goes behind one that can.
                let rank = u8::from(is_drawn(one)) * if one.usable { 1 } else { 2 };
                order.push((rank, reading.uid(), (n, m)));
            }
        }
    }
    order.sort_unstable();
    let order: Vec<At> = order.into_iter().map(|(_, _, at)| at).collect();
    let mut firsts: BTreeMap<(String, Quantity, [i64; 2]), Vec<At>> = BTreeMap::new();
    for at in order {
        let Some((one, caliper)) = of(readings, at) else {
            continue;
        };
        let (image, quantity, cell) = (caliper.image.clone(), one.quantity, cell(caliper));
        let mut near = around(cell)
            .filter_map(|cell| firsts.get(&(image.clone(), quantity, cell)))
            .flatten()
            .copied();
        let same = near
            .find(|&other| of(readings, other).is_some_and(|(_, other)| same_line(caliper, other)));
        let Some(first) = same.filter(|_| is_drawn(one)) else {
            firsts.entry((image, quantity, cell)).or_default().push(at);
            continue;
        };
        let eyes = (
            one.eye.eye(),
            of(readings, first).and_then(|(one, _)| one.eye.eye()),
        );
        match eyes {
            (Some(own), Some(other)) if own != other => {
                take_side(readings, at, (own, other));
                take_side(readings, first, (other, own));
            }
            _ => set_aside(
                readings,
                at,
                Remark::of(
                    RemarkCode::LineSeen,
                    "The same line over the same picture was read already; it counts once.",
                ),
            ),
        }
    }
}

/// The pixel in which the middle of a line lies: one line drawn twice lies in the same or the next.
fn cell(caliper: &Caliper) -> [i64; 2] {
    let [a, b] = caliper.ends;
    [
        f64::midpoint(a.column, b.column).floor() as i64,
        f64::midpoint(a.row, b.row).floor() as i64,
    ]
}

/// A pixel and those around it.
fn around([column, row]: [i64; 2]) -> impl Iterator<Item = [i64; 2]> {
    (-1..=1).flat_map(move |across| {
        (-1..=1).map(move |down| [column.saturating_add(across), row.saturating_add(down)])
    })
}

fn presented(measurement: &Measurement) -> Option<&Caliper> {
    let caliper = measurement.caliper.as_ref()?;
    caliper.presentation.is_some().then_some(caliper)
}

fn of(readings: &[ObjectReading], (n, m): At) -> Option<(&Measurement, &Caliper)> {
    let one = readings.get(n)?.measurements.get(m)?;
    Some((one, one.caliper.as_ref()?))
}

fn set_aside(readings: &mut [ObjectReading], (n, m): At, remark: Remark) {
    let one = readings.get_mut(n);
    if let Some(one) = one.and_then(|one| one.measurements.get_mut(m)) {
        let place = one.place.clone();
        one.set_aside(remark.at(place));
    }
}

fn take_side(readings: &mut [ObjectReading], at: At, (own, other): (Eye, Eye)) {
    let text = format!(
        "This line is said to be of the {} eye here and of the {} eye elsewhere.",
        own.word(),
        other.word()
    );
    let remark = Remark::of(RemarkCode::LateralityConflict, text)
        .act("Correct the drawing at its source; no side was picked.");
    set_aside(readings, at, remark);
    let one = readings.get_mut(at.0);
    if let Some(one) = one.and_then(|one| one.measurements.get_mut(at.1)) {
        one.eye = Laterality::Unresolved;
    }
}

/// Whether two lines of one picture are one, whichever end comes first.
fn same_line(one: &Caliper, other: &Caliper) -> bool {
    let frames = match (one.frame, other.frame) {
        (Some(one), Some(other)) => one == other,
        _ => true,
    };
    let near = |a: Point, b: Point| {
        (a.column - b.column).abs() <= SAME_PX && (a.row - b.row).abs() <= SAME_PX
    };
    let ([a, b], [c, d]) = (one.ends, other.ends);
    frames && (near(a, c) && near(b, d) || near(a, d) && near(b, c))
}
