//! `daemon/docs/codes.md`: every code that a result can hold, with the program's own sentence on it.

use crate::assess::{
    AfterState, Apart, Basis, DecidedBy, HappenedKind, Notice, Reason, Status, Unused,
};
use crate::domain::RemarkCode;
use crate::forms::codes::PRIVATE;
use crate::results::cautions;
use crate::results::phrases::word;
use serde::Serialize;
use std::fmt::Write;

/// Codes of one kind: where they stand in `result.json`, and what each of them says.
struct Kind {
    title: &'static str,
    place: &'static str,
    about: &'static str,
    codes: Vec<(String, String)>,
}

/// The document, Markdown.
#[must_use]
pub fn manual() -> String {
    let mut text = String::from(
        "# Codes of a result\n\n\
         Made by `sheathline generate codes` from the lists in the program; the sentences on notices \
         and reasons are those that readers see. [result.md](result.md) tells clinicians what to do, \
         [data.md](data.md) how to open the data. Codes are added; one that goes or changes its name \
         is a breaking change.\n",
    );
    for kind in kinds() {
        // Writing to text cannot fail.
        let _ = write!(
            text,
            "\n## {}\n\n`{}`. {}\n\n| code | says |\n|---|---|\n",
            kind.title, kind.place, kind.about
        );
        for (code, says) in kind.codes {
            let _ = writeln!(text, "| `{code}` | {says} |");
        }
    }
    text + &remarks()
}

fn remarks() -> String {
    let mut text = String::from(
        "\n## Remarks\n\n`remarks[].code`. Of the exam, of each of `reports` and of each value; of objects in \
         quarantine too. `severity` is `info`, `caution` (less trust) or `blocking` (not used because of \
         it), for some codes also another one than here where the case asks for it; `text` says it of the \
         case at hand.\n\n| code | severity | means | what to do |\n|---|---|---|---|\n",
    );
    for code in RemarkCode::ALL {
        let (severity, means, action) = (word(&code.severity()), code.means(), code.action());
        let _ = writeln!(text, "| `{code}` | {severity} | {means} | {action} |");
    }
    text
}

fn kinds() -> Vec<Kind> {
    vec![
        Kind {
            title: "Status",
            place: "assessment.status",
            about: "Of a row likewise, `rows.right`, `left` and `both`. None of them means normal.",
            codes: list(&Status::ALL, status),
        },
        Kind {
            title: "Basis",
            place: "assessment.basis",
            about: "What the baseline rests on.",
            codes: list(&[Basis::Confirmed, Basis::Provisional, Basis::None], basis),
        },
        Kind {
            title: "Decided by",
            place: "assessment.decided_by",
            about: "The comparison that the status is that of; its numbers stand in the headline.",
            codes: list(
                &[
                    DecidedBy::Right,
                    DecidedBy::Left,
                    DecidedBy::Both,
                    DecidedBy::SinceEvent,
                ],
                decided_by,
            ),
        },
        Kind {
            title: "Why there is no comparison",
            place: "assessment.reason",
            about: "With the status `no_baseline` or `not_comparable`.",
            codes: list(&Reason::ALL, |reason| reason.sentence().to_owned()),
        },
        Kind {
            title: "Notices",
            place: "assessment.notices",
            about: "What a reader must know of the comparison. *Doubt*: the exam is no baseline until a \
                    person has labelled it; a flag stays.",
            codes: list(&Notice::ALL, |notice| {
                if notice.is_doubt() {
                    format!("*Doubt.* {}", notice.sentence())
                } else {
                    notice.sentence().to_owned()
                }
            }),
        },
        Kind {
            title: "Why an earlier exam was not used",
            place: "assessment.set_aside[].reason",
            about: "Also `not_compared[].reason`, and `reason` in the table `baselines`. Where a remark \
                    keeps an exam out, the reason is the code of the remark.",
            codes: list(&Unused::ALL, |unused| unused.sentence().to_owned()),
        },
        Kind {
            title: "Since the last exam",
            place: "course.not_since_last.reason",
            about: "Why there is no `course.since_last`: the latest earlier exam and today's are not held \
                    against each other. Without either there is no exam within 30 days. `course.flags` \
                    counts earlier exams that were flagged.",
            codes: list(&Apart::ALL, |apart| {
                format!("Not given: {}.", apart.phrase())
            }),
        },
        Kind {
            title: "After an event",
            place: "course.after_event.state",
            about: "The first that holds. `level` is the new level less the old one, `nadir` the narrowest \
                    exam since, `exams` those since, `narrowed` the fall, `returned_on` when the earlier \
                    level was reached.",
            codes: list(&AfterState::ALL, after_event),
        },
        Kind {
            title: "What happened",
            place: "course.after_event.what[].kind",
            about: "Recorded events, and what labels of exams tell of one.",
            codes: list(
                &[
                    HappenedKind::RaisedConfirmed,
                    HappenedKind::CsfSurgery,
                    HappenedKind::ShuntRevision,
                    HappenedKind::Other,
                    HappenedKind::AfterDecompression,
                ],
                happened,
            ),
        },
        Kind {
            title: "Cautions",
            place: "cautions[].code",
            about: "Printed where they apply.",
            codes: told(cautions::all()),
        },
        Kind {
            title: "In HL7, FHIR and SR",
            place: "99SHEATHLINE",
            about: "Codes of our own scheme, where DICOM, SNOMED CT and LOINC have none. \
                    [integration.md](integration.md) says which stand together.",
            codes: told(PRIVATE.iter().map(|code| (code.value, code.meaning))),
        },
    ]
}

fn list<T: Copy + Serialize>(all: &[T], says: impl Fn(T) -> String) -> Vec<(String, String)> {
    all.iter().map(|one| (word(one), says(*one))).collect()
}

fn told<'a>(all: impl Iterator<Item = (&'a str, &'a str)>) -> Vec<(String, String)> {
    all.map(|(code, says)| (code.to_owned(), says.to_owned()))
        .collect()
}

fn status(status: Status) -> String {
    let says = match status {
        Status::WithinExpected => "No change beyond error. Raised pressure is not excluded.",
        Status::AboveExpected => {
            "Wider than one in twenty stable exams would be by chance. Flagged."
        }
        Status::WellAboveExpected => {
            "Wider than one in a hundred stable exams would be by chance. Flagged."
        }
        Status::BelowExpected => "Narrower than expected; check what was measured.",
        Status::NoBaseline => "Nothing to compare with; never replaced by a population figure.",
        Status::NotComparable => "A comparison would mislead; `reason` says why.",
    };
    says.to_owned()
}

fn basis(basis: Basis) -> String {
    let says = match basis {
        Basis::Confirmed => {
            "A person has labelled at least one baseline exam as one without raised pressure."
        }
        Basis::Provisional => {
            "Nobody has labelled any baseline exam: the headline says PROVISIONAL."
        }
        Basis::None => "There is no baseline.",
    };
    says.to_owned()
}

fn decided_by(by: DecidedBy) -> String {
    let says = match by {
        DecidedBy::Right => "The right eye.",
        DecidedBy::Left => "The left eye.",
        DecidedBy::Both => "The mean of both eyes.",
        DecidedBy::SinceEvent => "The narrowest exam since the last event, whatever the rows say.",
    };
    says.to_owned()
}

fn after_event(state: AfterState) -> String {
    let says = match state {
        AfterState::WideningAgain => {
            "Wider than the narrowest exam since by more than error. Flagged, whatever the older \
             baseline says."
        }
        AfterState::TooEarly => "No exam yet from `washout_days` after it on.",
        AfterState::Returned => "A remainder of `returned_margin` or more is excluded.",
        AfterState::Narrowing => "Narrower than an exam at the event or since, by more than error.",
        AfterState::SettledWider => {
            "The new level lies above the old one, over at least two exams that are 60 days apart."
        }
        AfterState::Unclear => "None of these; the numbers stand alone.",
    };
    says.to_owned()
}

fn happened(kind: HappenedKind) -> String {
    let says = match kind {
        HappenedKind::RaisedConfirmed => {
            "An exam is labelled: raised pressure was confirmed at it."
        }
        HappenedKind::CsfSurgery => "Surgery that changes the flow of cerebrospinal fluid.",
        HappenedKind::ShuntRevision => "Revision of a shunt.",
        HappenedKind::Other => "Another recorded event.",
        HappenedKind::AfterDecompression => {
            "An exam is labelled: taken after the pressure had been relieved."
        }
    };
    says.to_owned()
}
