//! Means beside their readings, and the same reading twice: each reading counts once.

use crate::domain::{Derivation, Measurement, Modality, Plane, Remark, RemarkCode};
use std::collections::BTreeMap;

/// Codes of remarks on values that are no part of the exam: nothing of it was made from them, and
/// whatever they lack, the exam does not lack.
const APART: [RemarkCode; 9] = [
    RemarkCode::EarlierFinding,
    RemarkCode::ValueQuoted,
    RemarkCode::ObservedBeforeExam,
    RemarkCode::ObservedAnotherDay,
    RemarkCode::ObservedOnSeveralDays,
    RemarkCode::SeveralTimePoints,
    RemarkCode::SubjectNotPatient,
    RemarkCode::OtherSubject,
    RemarkCode::Superseded,
];

/// Whether a value is no part of the exam that its report is of.
#[must_use]
pub fn is_apart(measurement: &Measurement) -> bool {
    let mut codes = measurement.remarks.iter().map(|remark| &remark.code);
    codes.any(|code| APART.contains(code))
}

/// Decides, over the measurements of one object or of all objects of one exam, which derived values
/// and which repeats are set aside. Doing it for each object and then for the exam is fine.
///
/// * The same Observation UID again is the same reading: the first one counts. With another value
///   it is a contradiction, and none of them counts.
/// * A derived value is set aside when usable readings of the same eye and quantity exist in the
///   same plane and by the same borders; "unspecified" matches any. So it is when such readings
///   exist and none is usable: it was made from them.
/// * Without readings a mean, else a median, else a selected value counts as one reading. A smallest
///   or largest value alone is no reading.
pub fn settle<'a>(measurements: impl IntoIterator<Item = &'a mut Measurement>) {
    let mut all: Vec<&mut Measurement> = measurements.into_iter().collect();
    drop_repeats(&mut all);
    settle_derived(&mut all);
}

/// What a derived value is.
fn made(derivation: Derivation) -> &'static str {
    match derivation {
        Derivation::Mean => "A mean",
        Derivation::Median => "A median",
        Derivation::Minimum => "The smallest",
        Derivation::Maximum => "The largest",
        Derivation::Selected | Derivation::Single => "A selected one",
    }
}

fn has(measurement: &Measurement, code: RemarkCode) -> bool {
    measurement.remarks.iter().any(|remark| remark.code == code)
}

fn drop_repeats(all: &mut [&mut Measurement]) {
    let mut by_uid: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    for (at, measurement) in all.iter().enumerate() {
        if let Some(uid) = &measurement.observation_uid
            && !has(measurement, RemarkCode::ObservationSeen)
        {
            by_uid.entry(uid.clone()).or_default().push(at);
        }
    }
    for same in by_uid.values().filter(|same| same.len() > 1) {
        let content = |at: &usize| {
            all.get(*at).map(|one| {
                let what = (one.quantity, one.eye, one.value_mm);
                (what, one.derivation, one.plane, one.definition)
            })
        };
        let first = same.first().and_then(content);
        let equal = same.iter().all(|at| content(at) == first);
        let mut kept = false;
        for &at in same {
            let Some(one) = all.get_mut(at).filter(|one| one.usable) else {
                continue;
            };
            if !equal {
                one.set_aside(
                    Remark::of(
                        RemarkCode::ObservationUidConflict,
                        "The same Observation UID stands at values that are not the same; none is used.",
                    )
                    .at(one.place.clone())
                    .act("Correct the report at its source."),
                );
            } else if kept {
                one.set_aside(
                    Remark::of(
                        RemarkCode::ObservationSeen,
                        "The same Observation UID was read already.",
                    )
                    .at(one.place.clone()),
                );
            } else {
                kept = true;
            }
        }
    }
}

/// How far apart a derived value and the readings behind it can have been observed, in tens of
/// minutes: as far as readings of one session at most are by default.
const ONE_SCAN: i64 = 3;

/// In which ten minutes a value was observed. Coarse, so that there are few kinds to judge by.
fn tenth_minute(one: &Measurement) -> Option<i64> {
    let at = one.observed_at.filter(|_| !one.observed_day_only)?;
    Some(at.local.and_utc().timestamp().div_euclid(600))
}

/// What has to be the same for a derived value to be made from readings.
fn comparable(one: &Measurement, other: &Measurement) -> bool {
    let planes = one.plane == other.plane
        || one.plane == Plane::Unspecified
        || other.plane == Plane::Unspecified;
    let borders = match (one.definition, other.definition) {
        (Some(one), Some(other)) => one == other,
        _ => true,
    };
    let modalities = one.modality == other.modality
        || one.modality == Modality::Unspecified
        || other.modality == Modality::Unspecified;
    let one_time = if one.time_point != other.time_point {
        one.time_point.is_none() || other.time_point.is_none()
    } else {
        match tenth_minute(one).zip(tenth_minute(other)) {
            Some((one, other)) => (one - other).abs() <= ONE_SCAN,
            None => true,
        }
    };
    let same = one.quantity == other.quantity && one.eye == other.eye;
    same && planes && borders && modalities && one_time
}

/// Order of preference among derived values without readings.
fn rank(derivation: Derivation) -> u8 {
    match derivation {
        Derivation::Single => 0,
        Derivation::Mean => 1,
        Derivation::Median => 2,
        Derivation::Selected => 3,
        Derivation::Minimum | Derivation::Maximum => 4,
    }
}

fn settle_derived(all: &mut [&mut Measurement]) {
    // Judged against what was usable before, so that the order of the values decides nothing.
    // One of each kind is enough to judge by.
    let mut kinds: Vec<Measurement> = Vec::new();
    let of_the_exam =
        |one: &&&mut Measurement| !has(one, RemarkCode::ObservationSeen) && !is_apart(one);
    for one in all.iter().filter(of_the_exam) {
        let same = |kind: &Measurement| {
            kind.usable == one.usable
                && kind.time_point == one.time_point
                && tenth_minute(kind) == tenth_minute(one)
                && rank(kind.derivation) == rank(one.derivation)
                && (
                    kind.quantity,
                    kind.eye,
                    kind.plane,
                    kind.definition,
                    kind.modality,
                ) == (
                    one.quantity,
                    one.eye,
                    one.plane,
                    one.definition,
                    one.modality,
                )
        };
        if !kinds.iter().any(same) {
            kinds.push((**one).clone());
        }
    }
    for one in all.iter_mut().filter(|one| one.usable) {
        let own = rank(one.derivation);
        if own == 0 {
            continue;
        }
        one.remarks
            .retain(|remark| remark.code != RemarkCode::DerivedWithoutReadings);
        let alike = || kinds.iter().filter(|kind| comparable(kind, one));
        let best = alike()
            .filter(|kind| kind.usable)
            .map(|kind| rank(kind.derivation))
            .min()
            .unwrap_or(own);
        let readings_unusable = alike().any(|kind| !kind.usable && rank(kind.derivation) == 0);
        let place = one.place.clone();
        if best == 0 {
            one.set_aside(
                Remark::of(
                    RemarkCode::DerivedBesideReadings,
                    format!(
                        "{} of the readings above; the readings were used.",
                        made(one.derivation)
                    ),
                )
                .at(place),
            );
        } else if readings_unusable {
            one.set_aside(
                Remark::of(
                    RemarkCode::DerivedFromUnusable,
                    "Made from readings of which none can be used.",
                )
                .at(place),
            );
        } else if own == rank(Derivation::Minimum) {
            one.set_aside(
                Remark::of(
                    RemarkCode::ExtremeWithoutReadings,
                    "A smallest or largest value without its readings is not comparable.",
                )
                .at(place),
            );
        } else if best < own {
            one.set_aside(
                Remark::of(
                    RemarkCode::DerivedBesideDerived,
                    "Another value made from the same readings is here and is used instead.",
                )
                .at(place),
            );
        } else {
            one.remarks.push(
                Remark::of(
                    RemarkCode::DerivedWithoutReadings,
                    "Made from readings that are not here; it counts as one reading.",
                )
                .at(place),
            );
        }
    }
}
