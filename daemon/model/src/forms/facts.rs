//! Coded facts of a result beside its measured values: what the status rests on, the change since the
//! last exam, the time since an event, earlier flags. Each form writes them in its own way.

use super::codes::{self, Coded};
use super::values::{self, Which};
use crate::assess::{AfterState, Basis, DecidedBy, Difference, Notice};
use crate::domain::RemarkCode;
use crate::results::{Content, Envelope};
use chrono::{NaiveDate, NaiveTime};

/// What is said of a concept.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Said {
    Code(Coded),
    Number(f64, Coded),
    /// A day, with the time of it where that is told.
    At(NaiveDate, Option<NaiveTime>),
}

/// One concept with what is said of it.
pub(super) type Fact = (Coded, Said);

/// Facts that belong together, with the one that leads them.
pub(super) struct Topic {
    /// Names it within its exam, in lower case.
    pub(super) name: &'static str,
    pub(super) lead: Fact,
    /// `U` or `D` where it counts as a change against the patient's own past.
    pub(super) significant: Option<&'static str>,
    /// Whose, where it is of one eye or of the mean of both.
    pub(super) which: Option<Which>,
    pub(super) facts: Vec<Fact>,
}

/// The exam as a whole: what its status rests on.
pub(super) fn exam(result: &Envelope) -> Topic {
    let content = &result.content;
    let assessment = &content.assessment;
    let mut facts = vec![
        (codes::FLAG, Said::Code(values::flag(content))),
        (codes::BASIS, Said::Code(basis(content.basis()))),
    ];
    let decided = assessment.decided_by;
    let decided = decided.or_else(|| assessment.decided().map(|(by, _)| by));
    facts.extend(decided.map(|by| (codes::DECIDED_BY, Said::Code(decided_by(by)))));
    let doubts = Notice::ALL.into_iter().filter_map(doubt);
    let doubts = doubts.filter(|(notice, _)| assessment.notices.contains(notice));
    facts.extend(doubts.map(|(_, code)| (codes::DOUBT, Said::Code(code))));
    if content.is_date_doubted() {
        facts.push((codes::DOUBT, Said::Code(codes::DATE_DOUBTED)));
    }
    let state = if content.is_preliminary() {
        codes::PRELIMINARY
    } else {
        codes::NOT_PRELIMINARY
    };
    facts.push((codes::REPORT_STATE, Said::Code(state)));
    facts.extend(unread(content).map(|what| (codes::UNREAD, Said::Code(what))));
    if let Some(replaced) = &result.replaces {
        let status = values::status(replaced.status);
        facts.push((codes::REPLACED_STATUS, Said::Code(status)));
        let mm = replaced.measured_mm;
        facts.extend(mm.map(|mm| (codes::REPLACED_VALUE, millimetres(mm))));
    }
    Topic {
        name: "comparison",
        lead: (
            codes::RESULT_STATUS,
            Said::Code(values::status(assessment.status)),
        ),
        significant: values::direction(content),
        which: None,
        facts,
    }
}

/// What stands beside the comparison.
pub(super) fn beside(content: &Content) -> Vec<Topic> {
    [since_last(content), flags(content), after_event(content)]
        .into_iter()
        .flatten()
        .collect()
}

fn since_last(content: &Content) -> Option<Topic> {
    let last = content.course.since_last.as_ref()?;
    let mut facts = vec![
        (codes::SINCE_LAST_LOW, millimetres(last.lower_mm)),
        (codes::SINCE_LAST_HIGH, millimetres(last.upper_mm)),
        (codes::LAST_AT, Said::At(last.date, last.time)),
    ];
    let hours = last.hours;
    facts.extend(hours.map(|hours| (codes::LAST_HOURS, Said::Number(hours, codes::HOUR))));
    Some(Topic {
        name: "since-last",
        lead: (codes::SINCE_LAST, millimetres(last.mm)),
        // It flags nothing by itself.
        significant: None,
        which: which(last.row),
        facts,
    })
}

fn flags(content: &Content) -> Option<Topic> {
    let flags = content.course.flags.as_ref()?;
    let count = |count: usize| Said::Number(count as f64, codes::ONE);
    Some(Topic {
        name: "flags",
        lead: (codes::EARLIER_FLAGS, count(flags.count)),
        significant: None,
        which: None,
        facts: vec![
            (codes::FLAGS_OF, count(flags.of)),
            (codes::FIRST_FLAG, Said::At(flags.since, flags.since_time)),
            (codes::LAST_FLAG, Said::At(flags.last, flags.last_time)),
        ],
    })
}

fn after_event(content: &Content) -> Option<Topic> {
    let event = content.course.after_event.as_ref()?;
    let mut facts = vec![(codes::EVENT_ON, Said::At(event.event, None))];
    let mut difference = |of: &Option<Difference>, concepts: [Coded; 3]| {
        let Some(of) = of else { return };
        let numbers = [of.mm, of.lower_mm, of.upper_mm].map(millimetres);
        facts.extend(concepts.into_iter().zip(numbers));
    };
    difference(
        &event.level,
        [codes::LEVEL, codes::LEVEL_LOW, codes::LEVEL_HIGH],
    );
    difference(
        &event.residual,
        [codes::RESIDUAL, codes::RESIDUAL_LOW, codes::RESIDUAL_HIGH],
    );
    difference(
        &event.narrowed,
        [codes::NARROWED, codes::NARROWED_LOW, codes::NARROWED_HIGH],
    );
    if let Some(nadir) = &event.nadir {
        facts.extend([
            (codes::NADIR, millimetres(nadir.mm)),
            (codes::NADIR_LIMIT, millimetres(nadir.limit_mm)),
            (codes::NADIR_AT, Said::At(nadir.date, nadir.time)),
        ]);
    }
    if let Some(day) = event.returned_on {
        facts.push((codes::RETURNED_ON, Said::At(day, None)));
    }
    Some(Topic {
        name: "after-event",
        lead: (codes::AFTER_EVENT, Said::Code(after(event.state))),
        significant: (event.state == AfterState::WideningAgain).then_some("U"),
        which: None,
        facts,
    })
}

fn millimetres(mm: f64) -> Said {
    Said::Number(mm, codes::MILLIMETRE)
}

fn basis(basis: Basis) -> Coded {
    match basis {
        Basis::Confirmed => codes::CONFIRMED,
        Basis::Provisional => codes::PROVISIONAL,
        Basis::None => codes::NO_BASIS,
    }
}

fn decided_by(by: DecidedBy) -> Coded {
    which(by).map_or(codes::SINCE_EVENT, Which::row)
}

fn which(by: DecidedBy) -> Option<Which> {
    match by {
        DecidedBy::Right => Some(Which::Right),
        DecidedBy::Left => Some(Which::Left),
        DecidedBy::Both => Some(Which::Both),
        DecidedBy::SinceEvent => None,
    }
}

/// What was left unread at the eye.
fn unread(content: &Content) -> Option<Coded> {
    match content.unread()?.code {
        RemarkCode::ValuesUnread => Some(codes::UNREAD_OTHER_EYE),
        _ => Some(codes::UNREAD_AT_THE_EYE),
    }
}

/// Notices that doubt what was measured, and on whom.
fn doubt(notice: Notice) -> Option<(Notice, Coded)> {
    let code = match notice {
        Notice::NerveSuspected => codes::NERVE_SUSPECTED,
        Notice::SameAsEarlierExam => codes::SAME_AS_EARLIER,
        Notice::SidesExchangedSuspected => codes::SIDES_EXCHANGED,
        Notice::FarFromOwnLevel => codes::FAR_FROM_OWN,
        Notice::DepthDiffers => codes::DEPTH_DIFFERS,
        _ => return None,
    };
    Some((notice, code))
}

fn after(state: AfterState) -> Coded {
    match state {
        AfterState::WideningAgain => codes::WIDENING_AGAIN,
        AfterState::TooEarly => codes::TOO_EARLY,
        AfterState::Returned => codes::RETURNED,
        AfterState::Narrowing => codes::NARROWING,
        AfterState::SettledWider => codes::SETTLED_WIDER,
        AfterState::Unclear => codes::UNCLEAR,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A notice that bars an exam from a baseline is never without a code of its own.
    #[test]
    fn every_doubt_has_a_code() {
        for notice in Notice::ALL {
            assert!(!notice.is_doubt() || doubt(notice).is_some(), "{notice:?}");
        }
    }
}
