//! What pages show of lines of work, of versions and of entries.

use super::exam::{Entry, Version};
use super::layout::Whose;
use super::today::{List, Row, Waits};
use crate::annotations::{self, Author, Kind, Of, Said};
use crate::results::statement::Statement;
use crate::results::{Content, phrases};
use crate::worklist::{self, Line, Rise, Second};
use chrono::{DateTime, Utc};

impl Waits {
    /// Of a rise.
    #[must_use]
    pub fn of(rise: &Rise) -> Waits {
        match rise {
            Rise::New => Waits::New,
            Rise::Acknowledged { .. } => Waits::Acknowledged,
            Rise::Settled { .. } => Waits::Settled,
            Rise::Withdrawn => Waits::Withdrawn,
        }
    }
}

/// How the rise of an exam stands, and in words since when and by whom.
#[must_use]
pub fn rise(line: &Line) -> Option<(Waits, String)> {
    let rise = line.rise.as_ref()?;
    let day = |at: DateTime<Utc>| at.format("%Y-%m-%d %H:%M UTC").to_string();
    let since = line
        .rise_since
        .map_or(String::new(), |at| format!("since {}", day(at)));
    let words = match rise {
        Rise::New => match &line.worse {
            Some(worse) => format!("{since}: {}", worse.sentence()),
            None => since,
        },
        Rise::Withdrawn => format!("{since}: a newer version found no rise"),
        Rise::Acknowledged { by, at, version } => {
            format!("by {by}, {}, version {version}", day(*at))
        }
        Rise::Settled {
            outcome,
            by,
            at,
            reason,
        } => {
            let outcome = outcome.word().replace('_', " ");
            let reason = if reason.is_empty() {
                String::new()
            } else {
                format!(": {reason}")
            };
            format!("{outcome}, by {by}, {}{reason}", day(*at))
        }
    };
    Some((Waits::of(rise), words))
}

impl Whose {
    /// Of a line.
    #[must_use]
    pub fn of(line: &Line) -> Whose {
        Whose {
            id: line.patient.id.clone(),
            issuer: line.patient.issuer.clone(),
            birth_date: line.birth_date,
            sex: line.sex,
            name: line.name.clone(),
            age_years: None,
        }
    }

    /// Of a result, whose name only its line tells.
    #[must_use]
    pub fn of_content(content: &Content, name: Option<String>) -> Whose {
        let patient = &content.patient;
        Whose {
            id: patient.id.clone(),
            issuer: patient.issuer.clone(),
            birth_date: patient.birth_date,
            sex: patient.sex,
            name,
            age_years: content.age_years(),
        }
    }
}

impl Row {
    /// Of a line.
    #[must_use]
    pub fn of(line: &Line) -> Row {
        let doubts = line.doubts.iter().filter_map(|one| one.doubt());
        let date = line.date_doubted.then_some("DATE IN DOUBT");
        let second = line.second.map(|second| match second {
            Second::Asked => "second reading asked for",
            Second::Read => "second reading made, not judged",
            Second::Judged => "second reading judged",
        });
        Row {
            exam_id: line.exam_id.clone(),
            version: line.version,
            whose: Whose::of(line),
            performed_at: line.performed_at,
            first_at: line.first_at,
            waits: line.rise.as_ref().map(Waits::of),
            status: if line.is_gone() {
                "exam withdrawn".to_owned()
            } else {
                phrases::status(line.status)
            },
            why: line
                .why
                .clone()
                .or_else(|| line.reason.map(|reason| reason.sentence().to_owned())),
            eye: match line.eye_word.as_deref() {
                Some("since_event") => "both, since the event".to_owned(),
                Some(word) => word.to_owned(),
                None => "none".to_owned(),
            },
            measured_mm: line.measured_mm,
            expected_mm: line.expected_mm,
            change_mm: line.change_mm,
            operator: line.operator.clone(),
            doubts: doubts
                .chain(date)
                .map(str::to_owned)
                .chain(
                    line.worse
                        .as_ref()
                        .map(|one| phrases::capital(&one.sentence())),
                )
                .collect(),
            second: second.map(str::to_owned),
        }
    }
}

impl List {
    /// Of the store's list.
    #[must_use]
    pub fn of(list: &worklist::List) -> List {
        List {
            rows: list.lines.iter().map(Row::of).collect(),
            total: list.total,
            skipped: list.skipped,
            older: list.older,
        }
    }
}

impl Version {
    /// Of a version; without content where it is damaged.
    #[must_use]
    pub fn of(
        number: u32,
        made_at: DateTime<Utc>,
        why: &[String],
        content: Option<&Content>,
    ) -> Version {
        let said = content.map(|content| {
            let said = Statement::of(content, None);
            (said.title, said.verdict.to_owned())
        });
        let (headline, verdict) = said.unwrap_or_else(|| {
            let words = "It is damaged and cannot be shown";
            (String::new(), words.to_owned())
        });
        Version {
            number,
            made_at,
            headline,
            verdict,
            why: why.to_vec(),
        }
    }
}

impl Entry {
    /// Of an entry as it stands.
    #[must_use]
    pub fn of(one: &annotations::Entry, counts: bool) -> Entry {
        Entry {
            number: one.id,
            at: one.recorded_at,
            by: match &one.by.author {
                Author::Unknown => "unknown".to_owned(),
                author => author.name().to_owned(),
            },
            what: words(&one.said),
            reason: one.by.reason.clone(),
            counts: counts || matches!(one.said, Said::Nothing(..)),
            may_take_back: false,
        }
    }
}

/// What was said, in words.
#[must_use]
pub fn words(said: &Said) -> String {
    match said {
        Said::Label(_, label) => format!("label: {}", label.title()),
        Said::Event(event) => format!("{} on {}", event.kind.title(), event.date),
        Said::Pressure(_, pressure) => format!("opening pressure {pressure}"),
        Said::Acknowledged(_, version) => format!("acknowledged version {version}"),
        Said::Settled(_, outcome) => {
            format!("rise settled: {}", outcome.word().replace('_', " "))
        }
        Said::Note(_) => "note".to_owned(),
        Said::LeftOut(_) => "taken out of the baseline".to_owned(),
        Said::TakenBack(_) => "entered by mistake: taken back".to_owned(),
        Said::SecondAsked(_) => "second reading asked for".to_owned(),
        // Whoever has not read yet must not see what another one read.
        Said::SecondRead(..) => "second reading made".to_owned(),
        Said::SecondJudged(_, judgement) => {
            format!(
                "second reading {} with the first",
                match judgement.word() {
                    "agrees" => "agrees",
                    _ => "does not agree",
                }
            )
        }
        Said::Nothing(kind, of) => {
            let day = match of {
                Of::Day(day) => format!(" of {day}"),
                Of::Exam(_) => String::new(),
            };
            match kind {
                Kind::LeftOut => "put back into the baseline".to_owned(),
                Kind::TakenBack => "counts again".to_owned(),
                kind => format!("{}{day} taken back", kind.title()),
            }
        }
    }
}

#[cfg(test)]
mod tests;
