//! What a reader must know of the reports of a session and how they stand to each other.

use super::replacing::Replacing;
use super::sessions::{Part, Session};
use crate::domain::{Eye, Quantity, Remark, RemarkCode};

/// Remarks on a report that is not final yet, and what they make of its exam.
const EARLY: [(RemarkCode, RemarkCode, &str); 3] = [
    (
        RemarkCode::DocumentPreliminary,
        RemarkCode::ExamPreliminary,
        "preliminary",
    ),
    (
        RemarkCode::DocumentPartial,
        RemarkCode::ExamPartial,
        "partial",
    ),
    (
        RemarkCode::DocumentUnverified,
        RemarkCode::ExamUnverified,
        "unverified",
    ),
];

/// Reports that are named in one remark.
const NAMED: usize = 8;

/// The remark on a value of a report in a circle.
pub(super) fn in_circle() -> Remark {
    Remark::of(
        RemarkCode::ReplacementCircle,
        "Its report and others name each other as predecessor; nobody can tell which was corrected.",
    )
}

/// The remark on a value that may be of another time than the rest.
pub(super) fn untimed() -> Remark {
    Remark::of(
        RemarkCode::ReportsDifferUntimed,
        "Nobody says when it was read, and it may be of another time than the other readings of its \
         study; it is not pooled with them.",
    )
}

/// The remarks on the session as a whole.
pub(super) fn of_session(session: &Session<'_>, replacing: &Replacing<'_>) -> Vec<Remark> {
    let mut remarks = Vec::new();
    let parts = || session.parts.iter();
    let stands = |part: &&Part<'_>| replacing.by(part.reading.uid()).next().is_none();
    for (of_report, code, word) in EARLY {
        let says = |part: &Part<'_>| {
            let mut remarks = part.reading.remarks.iter();
            remarks.any(|remark| remark.code == of_report)
        };
        let early: Vec<&str> = parts()
            .filter(stands)
            .filter(|part| says(part))
            .map(|part| part.reading.uid())
            .collect();
        if !early.is_empty() {
            remarks.push(
                Remark::of(
                    code,
                    format!("This exam rests on a {word} report ({}).", names(&early)),
                )
                .act("Expect a new version when the final report comes."),
            );
        }
    }
    for early in parts().map(|part| part.reading.uid()) {
        if let Some(late) = replacing.early.became.get(early) {
            remarks.push(Remark::of(
                RemarkCode::PreliminarySuperseded,
                format!(
                    "Report {late} is final and took the place of report {early}, which was not, \
                     though it does not name it: same study, same eyes, same observer or machine."
                ),
            ));
        }
    }
    let unclear: Vec<&str> = parts()
        .map(|part| part.reading.uid())
        .filter(|uid| replacing.early.unclear.contains(uid))
        .collect();
    if !unclear.is_empty() {
        remarks.push(
            Remark::of(
                RemarkCode::FinalOfWhich,
                format!(
                    "Nobody can tell which of several preliminary reports was made final ({}); \
                     nothing was replaced.",
                    names(&unclear)
                ),
            )
            .act("Send the final report with its predecessor named."),
        );
    }
    let circle: Vec<&str> = parts()
        .filter(stands)
        .map(|part| part.reading.uid())
        .filter(|uid| replacing.is_in_circle(uid))
        .collect();
    if !circle.is_empty() {
        remarks.push(
            Remark::of(
                RemarkCode::ReplacementCircle,
                format!(
                    "Reports name each other as predecessor in a circle ({}). None replaces another, \
                     and nobody can tell which is right: their values are shown and not used.",
                    names(&circle)
                ),
            )
            .act("Send one report that names them all as its predecessors."),
        );
    }
    let doubted: Vec<&Part<'_>> = parts().filter(stands).filter(|part| part.doubted).collect();
    if !doubted.is_empty() {
        let each: Vec<String> = doubted
            .iter()
            .take(NAMED)
            .map(|part| values(part))
            .collect();
        remarks.push(
            Remark::of(
                RemarkCode::ReportsDifferUntimed,
                format!(
                    "Reports of this study do not say when they were read, and may be of different \
                     times. They are not pooled. {}{}",
                    each.join(" "),
                    more(doubted.len()),
                ),
            )
            .act(
                "Send them with observation or content time, or name the predecessor where one \
                 replaces another.",
            ),
        );
    }
    // The first session shows them.
    let elsewhere: &[&str] = if session.is_first {
        &[]
    } else {
        &session.untimed
    };
    if !elsewhere.is_empty() {
        remarks.push(
            Remark::of(
                RemarkCode::ReportOfNoTime,
                format!(
                    "The study holds several exams, and nobody can tell to which these reports belong, \
                     which have no time: {}. They are shown with the first, and not used.",
                    names(elsewhere)
                ),
            )
            .act("Send them with observation or content time."),
        );
    }
    remarks
}

fn names(uids: &[&str]) -> String {
    let named: Vec<&str> = uids.iter().take(NAMED).copied().collect();
    format!("{}{}", named.join(", "), more(uids.len()))
}

fn more(count: usize) -> String {
    match count.saturating_sub(NAMED) {
        0 => String::new(),
        more => format!(" and {more} more"),
    }
}

/// What a report says of each eye, in words.
fn values(part: &Part<'_>) -> String {
    let of = |eye: Eye| -> Option<String> {
        let all = part.values.iter();
        let all = all.filter_map(|(value, _)| part.reading.measurements.get(*value));
        let sheath: Vec<String> = all
            .filter(|one| one.quantity == Quantity::SheathDiameter && one.usable)
            .filter(|one| one.eye.eye() == Some(eye))
            .filter_map(|one| Some(format!("{:.2}", one.value_mm?.mm())))
            .take(12)
            .collect();
        (!sheath.is_empty()).then(|| format!("{} {} mm", eye.word(), sheath.join(", ")))
    };
    let eyes: Vec<String> = [of(Eye::Right), of(Eye::Left)]
        .into_iter()
        .flatten()
        .collect();
    format!("Report {}: {}.", part.reading.uid(), eyes.join("; "))
}
