//! The same report read by other rules: what is gained, lost or changed.

use crate::domain::{
    Border, Derivation, Laterality, Measurement, Millimetres, Modality, ObjectReading, Plane,
    Quantity, Remark, RemarkCode, Severity,
};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// A value as one of the two readings has it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Told {
    /// What was measured.
    pub quantity: Quantity,
    /// Whose eye.
    pub eye: Laterality,
    /// Its width.
    pub value_mm: Option<Millimetres>,
    /// Digits as sent.
    pub value_as_sent: Option<String>,
    /// Unit as sent.
    pub unit_as_sent: Option<String>,
    /// Plane of the picture.
    pub plane: Plane,
    /// Reading or derived value.
    pub derivation: Derivation,
    /// Borders touched.
    pub definition: Option<Border>,
    /// Kind of imaging.
    pub modality: Modality,
    /// Whether it may enter a comparison.
    pub usable: bool,
    /// Why not, where it may not: codes of its blocking remarks.
    pub blocked_by: Vec<RemarkCode>,
}

impl From<&Measurement> for Told {
    fn from(value: &Measurement) -> Self {
        let remarks = value.remarks.iter();
        let blocking = remarks.filter(|one| one.severity == Severity::Blocking);
        Told {
            quantity: value.quantity,
            eye: value.eye,
            value_mm: value.value_mm,
            value_as_sent: value.value_as_sent.clone(),
            unit_as_sent: value.unit_as_sent.clone(),
            plane: value.plane,
            derivation: value.derivation,
            definition: value.definition,
            modality: value.modality,
            usable: value.usable,
            blocked_by: blocking.map(|one| one.code.clone()).collect(),
        }
    }
}

/// How a value differs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Change {
    /// Usable after, and not before.
    Gained,
    /// Usable before, and not after.
    Lost,
    /// Of another eye.
    Side,
    /// Of another width.
    Width,
    /// Another quantity.
    Quantity,
    /// Otherwise: plane, derivation, borders, imaging.
    Otherwise,
}

impl Change {
    /// Whether it takes something away or makes it something else.
    #[must_use]
    pub fn is_grave(self) -> bool {
        match self {
            Change::Lost | Change::Side | Change::Width | Change::Quantity => true,
            Change::Gained | Change::Otherwise => false,
        }
    }
}

/// One value that differs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Changed {
    /// Its place in the report.
    pub place: String,
    /// How; a value may differ in several ways.
    pub how: Vec<Change>,
    /// As it was read before, if at all.
    pub before: Option<Told>,
    /// As it is read after, if at all.
    pub after: Option<Told>,
}

/// One report before and after.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Compared {
    /// Values that differ, in the order of their places.
    pub values: Vec<Changed>,
    /// Remarks that there were not before, by code: how many more.
    pub remarks_new: BTreeMap<String, usize>,
    /// Remarks that there are no more, by code: how many fewer.
    pub remarks_gone: BTreeMap<String, usize>,
}

/// What one reading holds.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Count {
    /// Values of our quantities, usable or not.
    pub values: usize,
    /// Those that may enter a comparison, lines of presentation states that wait for their pictures
    /// among them.
    pub usable: usize,
    /// Of these the right eye's.
    pub right: usize,
    /// Of these the left eye's.
    pub left: usize,
    /// Reports without a usable value.
    pub without: usize,
    /// Codes and texts in the way of values that nobody explains, each once a report.
    pub unexplained: usize,
}

/// Reports of one sender, before and after.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Tally {
    /// How many there are.
    pub reports: usize,
    /// What is read of them before.
    pub before: Count,
    /// What is read of them after.
    pub after: Count,
    /// Values that differ, by how.
    pub changes: BTreeMap<Change, usize>,
    /// Remarks that there were not before, by code.
    pub remarks_new: BTreeMap<String, usize>,
    /// Remarks that there are no more, by code.
    pub remarks_gone: BTreeMap<String, usize>,
    /// Templates and dictionaries that read them after.
    pub read_by: BTreeSet<String>,
}

impl Tally {
    /// Adds one report.
    pub fn add(&mut self, before: &ObjectReading, after: &ObjectReading, compared: &Compared) {
        self.reports += 1;
        self.before.add(before);
        self.after.add(after);
        for how in compared.values.iter().flat_map(|one| &one.how) {
            *self.changes.entry(*how).or_default() += 1;
        }
        for (sum, more) in [
            (&mut self.remarks_new, &compared.remarks_new),
            (&mut self.remarks_gone, &compared.remarks_gone),
        ] {
            for (code, count) in more {
                *sum.entry(code.clone()).or_default() += count;
            }
        }
        let by = after.template.iter().chain(&after.dictionaries);
        self.read_by.extend(by.cloned());
    }

    /// Values that differ in this way.
    #[must_use]
    pub fn count(&self, how: Change) -> usize {
        self.changes.get(&how).copied().unwrap_or_default()
    }
}

impl Count {
    fn add(&mut self, reading: &ObjectReading) {
        let usable = || reading.measurements.iter().filter(|one| counts(one));
        let of = |eye| usable().filter(|one| one.eye == eye).count();
        self.values += reading.measurements.len();
        self.usable += usable().count();
        self.right += of(Laterality::Right);
        self.left += of(Laterality::Left);
        self.without += usize::from(usable().next().is_none());
        self.unexplained += reading.unexplained.len();
    }
}

/// Whether a value is as good as the report can make it: usable, or a line of a presentation state that
/// only waits for its picture.
fn counts(value: &Measurement) -> bool {
    let is_grave = |one: &&Remark| one.severity == Severity::Blocking;
    let mut grave = value.remarks.iter().filter(is_grave);
    let waits = |one: &Remark| one.code == RemarkCode::PresentationPictureMissing;
    value.usable || grave.next().is_some_and(waits) && grave.all(waits)
}

/// Compares two readings of one report.
#[must_use]
pub fn compare(before: &ObjectReading, after: &ObjectReading) -> Compared {
    let (old, new) = (by_place(before), by_place(after));
    let places: BTreeSet<&str> = old.keys().chain(new.keys()).copied().collect();
    let mut places: Vec<&str> = places.into_iter().collect();
    places.sort_by_cached_key(|place| ordinals(place));
    let values = places.into_iter().filter_map(|place| {
        let (before, after) = (old.get(place), new.get(place));
        let how = differences(before.copied(), after.copied());
        (!how.is_empty()).then(|| Changed {
            place: place.to_owned(),
            how,
            before: before.map(|&one| one.into()),
            after: after.map(|&one| one.into()),
        })
    });
    let (old, new) = (remarks(before), remarks(after));
    Compared {
        values: values.collect(),
        remarks_new: more_of(&new, &old),
        remarks_gone: more_of(&old, &new),
    }
}

fn by_place(reading: &ObjectReading) -> BTreeMap<&str, &Measurement> {
    let values = reading.measurements.iter();
    values.map(|one| (one.place.as_str(), one)).collect()
}

/// So that `1.10` stands after `1.9`.
fn ordinals(place: &str) -> Vec<u32> {
    place
        .split('.')
        .filter_map(|one| one.parse().ok())
        .collect()
}

fn differences(before: Option<&Measurement>, after: Option<&Measurement>) -> Vec<Change> {
    let is_usable = |one: Option<&Measurement>| one.is_some_and(counts);
    let (before, after) = match (is_usable(before), is_usable(after)) {
        (false, false) => return Vec::new(),
        (false, true) => return vec![Change::Gained],
        (true, false) => return vec![Change::Lost],
        (true, true) => match (before, after) {
            (Some(before), Some(after)) => (before, after),
            _ => return Vec::new(),
        },
    };
    let rest = |one: &Measurement| (one.plane, one.derivation, one.definition, one.modality);
    let ways = [
        (before.eye != after.eye, Change::Side),
        (before.value_mm != after.value_mm, Change::Width),
        (before.quantity != after.quantity, Change::Quantity),
        (rest(before) != rest(after), Change::Otherwise),
    ];
    let differing = ways.into_iter().filter(|(differs, _)| *differs);
    differing.map(|(_, how)| how).collect()
}

/// Doubts on the report and its values, with what nobody explained; how often each.
fn remarks(reading: &ObjectReading) -> BTreeMap<String, usize> {
    let of_values = reading.measurements.iter().flat_map(|one| &one.remarks);
    let mut counts = BTreeMap::new();
    for remark in reading
        .remarks
        .iter()
        .chain(of_values)
        .filter(|one| matters(one))
    {
        *counts.entry(remark.code.word().to_owned()).or_default() += 1;
    }
    counts
}

fn matters(remark: &Remark) -> bool {
    remark.severity > Severity::Info
        || matches!(
            remark.code,
            RemarkCode::LocalCodeUnknown | RemarkCode::ValueNotRecognised
        )
}

/// What there is more of in the one than in the other.
fn more_of(
    one: &BTreeMap<String, usize>,
    other: &BTreeMap<String, usize>,
) -> BTreeMap<String, usize> {
    let more = one.iter().map(|(code, count)| {
        let others = other.get(code).copied().unwrap_or_default();
        (code.clone(), count.saturating_sub(others))
    });
    more.filter(|(_, count)| *count > 0).collect()
}

#[cfg(test)]
mod tests;
