//! Which planes both sides of a comparison rest on: planes read up to 0.4 mm apart.

use super::PerEye;
use super::summary::Reading;
use crate::domain::{Eye, Plane};

/// Every plane, alphabetical as its word; ties are decided in this order.
const ALPHABETICAL: [Plane; 4] = [
    Plane::Oblique,
    Plane::Sagittal,
    Plane::Transverse,
    Plane::Unspecified,
];

/// A set of planes as bits in the order of [`ALPHABETICAL`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct PlaneSet(u8);

impl PlaneSet {
    fn of(planes: impl Iterator<Item = Plane>) -> Self {
        PlaneSet(planes.fold(0, |bits, plane| bits | Self::bit(plane)))
    }

    fn bit(plane: Plane) -> u8 {
        match plane {
            Plane::Oblique => 1,
            Plane::Sagittal => 2,
            Plane::Transverse => 4,
            Plane::Unspecified => 8,
        }
    }

    fn has(self, plane: Plane) -> bool {
        self.0 & Self::bit(plane) != 0
    }

    fn within(self, other: PlaneSet) -> bool {
        self.0 & !other.0 == 0
    }

    fn planes(self) -> Vec<Plane> {
        ALPHABETICAL
            .into_iter()
            .filter(|&plane| self.has(plane))
            .collect()
    }
}

/// What one eye of one exam says of its planes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum EyePlanes {
    /// No reading.
    Nothing,
    /// Readings, none with a plane: it qualifies for every choice.
    Unknown,
    /// Planes of the readings; readings without one, beside others, count as a plane of their own.
    Known(PlaneSet),
}

impl EyePlanes {
    pub(super) fn of(readings: &[Reading]) -> Self {
        if readings.is_empty() {
            EyePlanes::Nothing
        } else if readings.iter().all(|r| r.plane == Plane::Unspecified) {
            EyePlanes::Unknown
        } else {
            EyePlanes::Known(PlaneSet::of(readings.iter().map(|r| r.plane)))
        }
    }

    fn covers(self, wanted: PlaneSet) -> bool {
        match self {
            EyePlanes::Nothing => false,
            EyePlanes::Unknown => true,
            EyePlanes::Known(has) => wanted.within(has),
        }
    }
}

/// The planes that a comparison rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Choice {
    /// Whatever planes an exam has: today's exam names none.
    All,
    /// These, and only eyes that have all of them.
    Only(PlaneSet),
}

impl Choice {
    /// The planes by name; `unspecified` when today's exam names none.
    pub(super) fn planes(self) -> Vec<Plane> {
        match self {
            Choice::All => vec![Plane::Unspecified],
            Choice::Only(set) => set.planes(),
        }
    }

    /// Micrometres of one eye by plane, on the chosen planes; empty when the eye lacks one of them.
    pub(super) fn groups(self, readings: &[Reading]) -> Vec<Vec<i64>> {
        let eye = EyePlanes::of(readings);
        let wanted = match (self, eye) {
            (Choice::Only(set), EyePlanes::Known(_)) if eye.covers(set) => set,
            (Choice::Only(_), EyePlanes::Known(_)) => PlaneSet(0),
            _ => PlaneSet::of(ALPHABETICAL.into_iter()),
        };
        wanted
            .planes()
            .into_iter()
            .map(|plane| {
                let in_plane = readings.iter().filter(|r| r.plane == plane);
                in_plane.map(|r| r.um).collect::<Vec<i64>>()
            })
            .filter(|group| !group.is_empty())
            .collect()
    }

    /// Whether the choice uses at least one eye of an exam.
    pub(super) fn serves(self, exam: &PerEye<EyePlanes>) -> bool {
        Eye::BOTH.into_iter().any(|eye| match self {
            Choice::All => *exam.of(eye) != EyePlanes::Nothing,
            Choice::Only(set) => exam.of(eye).covers(set),
        })
    }

    /// Whether the choice leaves out readings of an exam.
    pub(super) fn restricts(self, exam: &PerEye<EyePlanes>) -> bool {
        Eye::BOTH.into_iter().any(|eye| match (self, exam.of(eye)) {
            (Choice::Only(set), EyePlanes::Known(has)) => *has != set,
            _ => false,
        })
    }
}

/// Whether some readings name a plane and others do not.
pub(super) fn mixed<'a>(exams: impl Iterator<Item = &'a PerEye<EyePlanes>>) -> bool {
    let (mut known, mut unknown) = (false, false);
    for exam in exams {
        for eye in Eye::BOTH {
            match exam.of(eye) {
                EyePlanes::Nothing => {}
                EyePlanes::Unknown => unknown = true,
                EyePlanes::Known(set) => {
                    known = true;
                    unknown |= set.has(Plane::Unspecified);
                }
            }
        }
    }
    known && unknown
}

/// Of all subsets of today's planes the one that the most baseline exams have; ties go to more
/// planes, then to the alphabet. `None` when no baseline exam shares a plane with today.
pub(super) fn choose(today: &PerEye<EyePlanes>, baseline: &[PerEye<EyePlanes>]) -> Option<Choice> {
    let named = Eye::BOTH.into_iter().filter_map(|eye| match today.of(eye) {
        EyePlanes::Known(set) => Some(set.0),
        _ => None,
    });
    let todays = named.fold(0, |bits, set| bits | set);
    if todays == 0 {
        return Some(Choice::All);
    }
    (1..=todays)
        .filter(|bits| bits & !todays == 0)
        .map(PlaneSet)
        .filter_map(|set| {
            let eyes = Eye::BOTH
                .into_iter()
                .filter(|&eye| today.of(eye).covers(set))
                .count();
            let choice = Choice::Only(set);
            let exams = baseline.iter().filter(|exam| choice.serves(exam)).count();
            // Today's eyes come first where they differ in planes: an eye left out hides its rise.
            let rank = (eyes, exams, set.0.count_ones());
            (eyes > 0 && exams > 0).then_some((rank, set))
        })
        // Among equals the alphabetically first: the set with the lowest differing bit.
        .max_by(|(a, left), (b, right)| a.cmp(b).then_with(|| alphabetical(*right, *left)))
        .map(|(_, set)| Choice::Only(set))
}

/// Order of two sets of the same size by their words.
fn alphabetical(a: PlaneSet, b: PlaneSet) -> std::cmp::Ordering {
    let order = |set: PlaneSet| ALPHABETICAL.map(|plane| !set.has(plane));
    order(a).cmp(&order(b))
}

#[cfg(test)]
mod tests;
