//! What kind of change a version is, for whoever chooses what to be told of.

use super::Envelope;
use crate::assess::Status;
use crate::domain::{Label, Source};
use serde::{Deserialize, Serialize};

/// A kind of change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Change {
    /// The first version of an exam's result.
    First,
    /// A further version, whatever it says.
    Changed,
    /// A version that is flagged where the one before it was not, or where there was none.
    NewRise,
    /// A version that takes a flag back.
    WithdrawnRise,
    /// No version, but a second notice of a rise that nobody has acknowledged.
    Reminder,
}

impl Change {
    /// Every kind.
    pub const ALL: [Change; 5] = [
        Change::First,
        Change::Changed,
        Change::NewRise,
        Change::WithdrawnRise,
        Change::Reminder,
    ];

    /// The word in settings and in JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Change::First => "first",
            Change::Changed => "changed",
            Change::NewRise => "new_rise",
            Change::WithdrawnRise => "withdrawn_rise",
            Change::Reminder => "reminder",
        }
    }

    /// The kinds that a version is of: whether it is flagged, and whether the one before it was, if
    /// there was one. The last says most.
    #[must_use]
    pub fn of(before: Option<bool>, now: bool) -> &'static [Change] {
        match (before, now) {
            (None, false) => &[Change::First],
            (None, true) => &[Change::First, Change::NewRise],
            (Some(false), true) => &[Change::Changed, Change::NewRise],
            (Some(true), false) => &[Change::Changed, Change::WithdrawnRise],
            (Some(_), _) => &[Change::Changed],
        }
    }
}

impl Envelope {
    /// The kind of change that says most of it.
    #[must_use]
    pub fn change(&self) -> Change {
        let now = self.content.assessment.flagged;
        let before = match (&self.replaces, self.supersedes) {
            (Some(replaced), _) => Some(replaced.flagged),
            // It says so where the flag is another one.
            (None, Some(_)) => Some(now),
            (None, None) => None,
        };
        let kinds = Change::of(before, now);
        kinds.last().copied().unwrap_or(Change::Changed)
    }
}

/// What a receiver wants to be told of; empty lists: everything but reminders.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Wanted {
    /// Results of these statuses.
    pub statuses: Vec<Status>,
    /// Changes of these kinds.
    pub changes: Vec<Change>,
    /// Results of exams with these labels; `None`: without one.
    pub labels: Vec<Option<Label>>,
    /// Results of exams of which a report came from one of these.
    pub senders: Vec<Source>,
    /// Results of exams measured in these departments, as the newest report states it; empty text: it
    /// states none.
    pub departments: Vec<String>,
}

/// What of a version a receiver may choose by.
#[derive(Debug, Clone, Copy)]
pub struct Chosen<'a> {
    /// Its status.
    pub status: Status,
    /// The label of its exam.
    pub label: Option<Label>,
    /// Where the reports of its exam came from.
    pub senders: &'a [Source],
    /// Where it was measured, as the newest report states it.
    pub department: Option<&'a str>,
}

impl Chosen<'_> {
    /// A version of which only the status is known.
    #[must_use]
    pub fn by_status(status: Status) -> Self {
        Chosen {
            status,
            label: None,
            senders: &[],
            department: None,
        }
    }
}

impl Wanted {
    /// Whether it wants every version.
    #[must_use]
    pub fn is_everything(&self) -> bool {
        self == &Wanted::default()
    }

    /// Whether it wants a version of these kinds, of which this is known.
    ///
    /// Who was told of an exam before must be told that its flag is taken back, whatever it wants:
    /// `was_told`.
    #[must_use]
    pub fn takes(&self, kinds: &[Change], of: &Chosen<'_>, was_told: bool) -> bool {
        if was_told && kinds.contains(&Change::WithdrawnRise) {
            return true;
        }
        let kind = if self.changes.is_empty() {
            kinds.iter().any(|one| *one != Change::Reminder)
        } else {
            kinds.iter().any(|one| self.changes.contains(one))
        };
        kind && any_or(&self.statuses, |one| *one == of.status)
            && any_or(&self.labels, |one| *one == of.label)
            && any_or(&self.senders, |one| of.senders.contains(one))
            && any_or(&self.departments, |one| {
                one.trim() == of.department.unwrap_or_default().trim()
            })
    }
}

/// Whether one of them is it; none of them means any.
fn any_or<T>(all: &[T], is_it: impl Fn(&T) -> bool) -> bool {
    all.is_empty() || all.iter().any(is_it)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::samples;

    #[test]
    fn a_version_is_of_the_kinds_that_its_flag_says() {
        assert_eq!(Change::of(None, false), [Change::First]);
        assert_eq!(Change::of(None, true), [Change::First, Change::NewRise]);
        assert_eq!(Change::of(Some(true), true), [Change::Changed]);
        let again = [Change::Changed, Change::NewRise];
        assert_eq!(Change::of(Some(false), true), again);
        let back = [Change::Changed, Change::WithdrawnRise];
        assert_eq!(Change::of(Some(true), false), back);
        for one in Change::ALL {
            let word = serde_json::to_value(one).unwrap();
            assert_eq!(word.as_str(), Some(one.word()));
        }
    }

    #[test]
    fn a_published_result_says_the_same() {
        let mut first = samples::newest(&samples::flagged());
        (first.version, first.supersedes, first.replaces) = (1, None, None);
        assert_eq!(first.change(), Change::NewRise);
        let mut second = first.clone();
        (second.version, second.supersedes) = (2, Some(1));
        assert_eq!(second.change(), Change::Changed);
        let calm = samples::newest(&samples::within()).content;
        let why = ["the report was amended".to_owned()];
        second.content = calm.clone();
        second.replaces = crate::results::Replaced::of(1, &first.content, &calm, &why);
        assert_eq!(second.change(), Change::WithdrawnRise);
        first.content = calm;
        assert_eq!(first.change(), Change::First);
    }

    /// Every choice of lists, every kind and status: nobody is left with a rise that was taken back, and
    /// a reminder reaches only who asks for it.
    #[test]
    fn whoever_was_told_of_a_rise_is_told_that_it_is_withdrawn() {
        let lists = |all: &[Change]| -> Vec<Vec<Change>> {
            let all = all.to_vec();
            (0..1 << all.len())
                .map(|bits: usize| {
                    let one = all.iter().enumerate();
                    let one = one.filter(|(n, _)| bits & (1 << n) != 0);
                    one.map(|(_, change)| *change).collect()
                })
                .collect()
        };
        let statuses = [
            vec![],
            vec![Status::AboveExpected, Status::WellAboveExpected],
            vec![Status::NoBaseline],
        ];
        for changes in lists(&Change::ALL) {
            for statuses in &statuses {
                let wanted = Wanted {
                    statuses: statuses.clone(),
                    changes: changes.clone(),
                    ..Wanted::default()
                };
                let rise = Change::of(Some(false), true);
                let told = wanted.takes(rise, &Chosen::by_status(Status::AboveExpected), false);
                let back = Change::of(Some(true), false);
                if told {
                    assert!(
                        wanted.takes(back, &Chosen::by_status(Status::WithinExpected), true),
                        "{wanted:?}"
                    );
                }
                let reminded = wanted.takes(
                    &[Change::Reminder],
                    &Chosen::by_status(Status::AboveExpected),
                    true,
                );
                let asked = changes.contains(&Change::Reminder);
                let of_status = statuses.is_empty() || statuses.contains(&Status::AboveExpected);
                assert_eq!(reminded, asked && of_status);
                if wanted.is_everything() {
                    assert!(
                        told && wanted.takes(
                            &[Change::First],
                            &Chosen::by_status(Status::NoBaseline),
                            false
                        )
                    );
                }
            }
        }
    }

    #[test]
    fn statuses_and_kinds_are_both_asked_of_a_version() {
        let wanted = Wanted {
            statuses: vec![Status::WellAboveExpected],
            changes: vec![Change::NewRise],
            ..Wanted::default()
        };
        let new = Change::of(None, true);
        assert!(wanted.takes(new, &Chosen::by_status(Status::WellAboveExpected), false));
        assert!(!wanted.takes(new, &Chosen::by_status(Status::AboveExpected), false));
        let further = Change::of(Some(true), true);
        assert!(!wanted.takes(further, &Chosen::by_status(Status::WellAboveExpected), true));
    }

    #[test]
    fn label_sender_and_department_are_asked_too() {
        let from = [Source::Dicom("CART1".to_owned()), Source::Folder];
        let of = Chosen {
            status: Status::AboveExpected,
            label: None,
            senders: &from,
            department: Some("Ward 3 "),
        };
        let takes = |wanted: &Wanted| wanted.takes(&[Change::First], &of, false);
        let mut wanted = Wanted::default();
        assert!(takes(&wanted));
        wanted.labels = vec![Some(Label::Well)];
        assert!(!takes(&wanted) && !wanted.is_everything());
        wanted.labels.push(None);
        assert!(takes(&wanted));
        wanted.senders = vec![Source::Dicom("CART2".to_owned())];
        assert!(!takes(&wanted));
        wanted.senders.push(Source::Folder);
        assert!(takes(&wanted));
        wanted.departments = vec![String::new(), "ward 3".to_owned()];
        assert!(!takes(&wanted));
        wanted.departments.push("Ward 3".to_owned());
        assert!(takes(&wanted));
        let nowhere = Chosen {
            department: None,
            ..of
        };
        assert!(wanted.takes(&[Change::First], &nowhere, false));
        wanted.departments.remove(0);
        assert!(!wanted.takes(&[Change::First], &nowhere, false));
        // Whoever was told of an exam is told that its flag is taken back.
        assert!(wanted.takes(&[Change::WithdrawnRise], &nowhere, true));
    }
}
