//! Where readings went: a late report may join two exams of a study, or be the first of it, and then
//! names of exams pass from readings to readings.

use crate::domain::{Moment, Remark, RemarkCode};
use crate::history::Made;
use crate::results::Content;
use std::collections::{BTreeMap, BTreeSet};

/// Exams that are named one by one.
const NAMED: usize = 8;

/// An exam by name and time.
type Named<'a> = (&'a str, Moment);

impl Content {
    /// What its exam is made of, as entries name it.
    #[must_use]
    pub fn made(&self) -> Made<'_> {
        Made {
            study: &self.exam.study_instance_uid,
            objects: self
                .reports
                .iter()
                .map(|one| one.sop_instance_uid.as_str())
                .collect(),
            readings: values(self).collect(),
        }
    }
}

/// Under which exam each sheath value is told.
pub(super) struct Homes<'a> {
    of: BTreeMap<(&'a str, &'a str), Named<'a>>,
    /// Under which exams each report is told: read again, a value may have another place.
    of_report: BTreeMap<&'a str, BTreeSet<Named<'a>>>,
}

/// Sheath values of a result, by report and place.
fn values(content: &Content) -> impl Iterator<Item = (&str, &str)> {
    let all = content.measurements_used.iter();
    let all = all.chain(&content.measurements_not_used);
    all.map(|one| (one.object.as_str(), one.value.place.as_str()))
}

impl<'a> Homes<'a> {
    pub(super) fn of(contents: impl IntoIterator<Item = &'a Content>) -> Self {
        let mut homes = Homes {
            of: BTreeMap::new(),
            of_report: BTreeMap::new(),
        };
        for content in contents {
            let exam = (content.exam.id.as_str(), content.exam.performed_at);
            for value in values(content) {
                homes.of.insert(value, exam);
                homes.of_report.entry(value.0).or_default().insert(exam);
            }
        }
        homes
    }

    /// The other exams that have values of `content`.
    fn others(&self, content: &Content) -> BTreeSet<Named<'a>> {
        let mut others = BTreeSet::new();
        for value in values(content) {
            match self.of.get(&value) {
                Some(exam) => {
                    others.insert(*exam);
                }
                None => others.extend(self.of_report.get(value.0).into_iter().flatten().copied()),
            }
        }
        others.retain(|(id, _)| *id != content.exam.id);
        others
    }

    /// The remark on a withdrawn exam.
    pub(super) fn remark(&self, old: &Content) -> Option<Remark> {
        let others = self.others(old);
        (!others.is_empty()).then(|| {
            Remark::of(
                RemarkCode::ReadingsMoved,
                format!("Its readings belong to {} now.", named(&others)),
            )
        })
    }

    /// Why there is a version: values that its exam had before are told elsewhere, or values that it
    /// has now were told elsewhere before, as `before` knows.
    pub(super) fn why(
        &self,
        old: Option<&Content>,
        now: &Content,
        before: &Homes<'_>,
    ) -> Vec<String> {
        let lost = old.map(|old| self.others(old)).unwrap_or_default();
        let won = before.others(now);
        let mut why = Vec::new();
        if !won.is_empty() {
            why.push(format!(
                "readings of {} belong to this exam now",
                named(&won)
            ));
        }
        if !lost.is_empty() {
            why.push(format!(
                "readings of this exam belong to {} now",
                named(&lost)
            ));
        }
        why
    }
}

fn named(exams: &BTreeSet<Named<'_>>) -> String {
    let each: Vec<String> = exams
        .iter()
        .take(NAMED)
        .map(|(id, at)| format!("exam {id} of {}", at.local.format("%Y-%m-%d %H:%M")))
        .collect();
    let more = match exams.len().saturating_sub(NAMED) {
        0 => String::new(),
        more => format!(" and {more} more"),
    };
    format!("{}{more}", each.join(", "))
}
