//! What a result says first, for a reader with ten seconds: text, page and PDF print the same.
//!
//! Three lines carry the answer: the status with its eye; whether there is a rise and how much; what to
//! do next. The rest follows in the order of its weight, and nothing is said twice.

use crate::assess::{AfterState, Basis, DecidedBy, Nadir, Notice, Reason, Row, SinceLast, Status};
use crate::domain::time::written;
use crate::domain::{Remark, RemarkCode};
use crate::results::numbers::{self, Expected, Printed};
use crate::results::{Content, Replaced, phrases};

/// Remarks that change how the headline is read, each with the words that stand in it and the beginning
/// of its text that they replace: on the exam or on a report that stands.
const IN_THE_HEADLINE: [(RemarkCode, &str, &str); 3] = [
    (RemarkCode::DocumentPreliminary, "PRELIMINARY REPORT", ""),
    (
        RemarkCode::ValuesUnread,
        UNREAD,
        "Values were left unread: ",
    ),
    (RemarkCode::LeftUnread, UNREAD, "Values were left unread: "),
];

/// Something at the eye was not read: of the other eye, or of any.
const UNREAD: &str = "VALUES LEFT UNREAD";

/// The same where nothing was compared: why, and what to merge or to correct.
const WITHOUT_COMPARISON: [(RemarkCode, &str, &str); 3] = [
    (
        RemarkCode::SamePatientElsewhere,
        "ID TO MERGE OR CORRECT",
        "",
    ),
    (RemarkCode::IdentityDiffers, "IDENTITY TO CORRECT", ""),
    (RemarkCode::MergesUnsettled, "MERGE TO CORRECT", ""),
];

/// What a person does about a flag.
const AGAIN: &str = "Measure again straight across the nerve, if possible by another operator; follow \
    local protocol.";

/// The statement, piece by piece in the order of reading.
pub(crate) struct Statement {
    /// What was taken back or changed of the version before.
    pub(crate) replaces: Option<String>,
    /// Doubts about what was measured: they stand before the answer.
    pub(crate) doubts: Vec<String>,
    /// `Well above expected, right eye, PROVISIONAL`.
    pub(crate) title: String,
    /// `Rise found`.
    pub(crate) verdict: &'static str,
    /// The same with the numbers of the row that decided, as a sentence.
    pub(crate) found: String,
    /// What to do next.
    pub(crate) next: String,
    /// What the words in capitals mean and what a person can do about it.
    pub(crate) marks: Vec<String>,
    /// The numbers of the row that decided, each with its name.
    pub(crate) figures: Vec<(String, String)>,
    /// What explains it: other eyes, the last event, earlier flags, the exam before, baseline, chance.
    pub(crate) details: Vec<String>,
}

impl Statement {
    pub(crate) fn of(content: &Content, replaces: Option<&Replaced>) -> Self {
        let assessment = &content.assessment;
        let (words, marks) = marks(content);
        let verdict = match (assessment.flagged, assessment.decided().is_some()) {
            (true, _) => "Rise found",
            (false, true) => "No rise found",
            (false, false) => "Nothing can be said about a rise",
        };
        Statement {
            replaces: replaces.map(Replaced::sentence),
            doubts: doubts(content),
            title: [vec![title(content)], words].concat().join(", "),
            verdict,
            found: match found(content) {
                Some(found) => format!("{verdict}: {found}."),
                None => format!("{verdict}."),
            },
            next: next(content),
            marks,
            figures: figures(content),
            details: details(content),
        }
    }
}

/// Status and eye: `well above expected, right eye`.
fn title(content: &Content) -> String {
    let assessment = &content.assessment;
    let status = phrases::capital(&phrases::status(assessment.status));
    if assessment.flagged && !assessment.status.flagged() {
        // The notice says why.
        return format!("{status}, but above even the widest interval");
    }
    if assessment.decided_by == Some(DecidedBy::SinceEvent) {
        return format!("{status}, wider again since the last event");
    }
    let Some((by, _)) = assessment.decided() else {
        return status;
    };
    let only = phrases::only_eye(content).filter(|(_, c)| c.status.flagged());
    match (phrases::eye_named(content, by), only) {
        (Some(eye), _) => format!("{status}, {eye}"),
        (None, Some((eye, _))) => format!("{status}, mainly the {} eye", eye.word()),
        (None, None) => status,
    }
}

/// What was measured, and how it compares, of the row that decided.
fn found(content: &Content) -> Option<String> {
    if let Some((nadir, row)) = nadir(content) {
        return Some(format!(
            "{} {} mm, {} mm since {} ({} mm); a flag needs {} mm",
            phrases::row_name(content, DecidedBy::Both),
            numbers::mm(row.measured_mm),
            numbers::signed(nadir.mm),
            written(nadir.date, nadir.time),
            numbers::mm(row.measured_mm - nadir.mm),
            numbers::mm(nadir.limit_mm),
        ));
    }
    if let Some((by, row)) = content.assessment.decided() {
        return Some(compared(&phrases::row_name(content, by), row));
    }
    let mut rows = phrases::named_rows(content).peekable();
    if let Some((name, row)) = rows.peek().filter(|(_, row)| row.too_wide.is_some()) {
        // Each eye stands in the table.
        return Some(compared(&name.to_lowercase(), row));
    }
    let values: Vec<String> = rows
        .map(|(name, row)| compared(&name.to_lowercase(), row))
        .collect();
    // Without values what follows says why.
    (!values.is_empty()).then(|| values.join(", "))
}

/// One row in words, without a full stop.
pub(crate) fn compared(name: &str, row: &Row) -> String {
    let Printed { measured, expected } = Printed::of(row);
    let Some(expected) = expected else {
        return format!("{name} {measured} mm");
    };
    let Expected {
        mm,
        interval,
        change,
        percent,
        needed,
        ..
    } = expected;
    match row.too_wide {
        Some(_) => format!(
            "{name} {measured} mm, expected {mm} mm ({interval}); a flag would need {needed} mm"
        ),
        None => format!(
            "{name} {measured} mm, expected {mm} mm ({interval}), change {change} mm ({percent} %)"
        ),
    }
}

/// What to do next, or what the absence of a flag leaves open.
fn next(content: &Content) -> String {
    let assessment = &content.assessment;
    if assessment.flagged {
        return AGAIN.to_owned();
    }
    if assessment.decided().is_none() {
        return phrases::not_compared(content);
    }
    match assessment.status {
        Status::BelowExpected => {
            "Raised pressure is not excluded; check what was measured.".to_owned()
        }
        _ => format!("Raised pressure is not excluded: {}", assessment.missed()),
    }
}

/// Words in capitals behind the status, and a sentence for each.
fn marks(content: &Content) -> (Vec<String>, Vec<String>) {
    let (mut words, mut sentences) = (Vec::new(), Vec::new());
    let mut told = |word: &str, sentence: String| {
        words.push(word.to_owned());
        sentences.push(format!("{word}: {sentence}"));
    };
    if is_provisional(content) {
        let who = match content.baseline.len() {
            1 => "at the earlier exam used. Label it",
            _ => "at any of the earlier exams used. Label each",
        };
        told(
            "PROVISIONAL",
            format!(
                "nobody has confirmed that the patient was well {who} as well or raised; an exam \
                 labelled raised is no longer used."
            ),
        );
    }
    let is_none_usable = content.assessment.reason == Some(Reason::NoUsableMeasurement);
    for (code, word, instead) in in_the_headline(content) {
        // What one report left another may hold: where the exam says what is left of all, that is told.
        let is_said_else = content
            .unread()
            .is_some_and(|unread| Content::UNREAD.contains(&code) && unread.code != code);
        let mut remarks = phrases::stated(content).filter(|_| !is_said_else);
        if let Some(remark) = remarks.find(|remark| remark.code == code) {
            let text = match code {
                RemarkCode::DocumentPreliminary => "values may change.".to_owned(),
                // Why is told as the reason that nothing was compared.
                RemarkCode::ValuesUnread | RemarkCode::LeftUnread if is_none_usable => {
                    "look at the report itself; a rise there would not be seen.".to_owned()
                }
                _ => phrases::said_of_it(remark),
            };
            let text = text.strip_prefix(instead).unwrap_or(&text);
            told(word, phrases::small(text));
        }
    }
    (words, sentences)
}

/// Which remarks stand in the headline.
fn in_the_headline(
    content: &Content,
) -> impl Iterator<Item = (RemarkCode, &'static str, &'static str)> {
    let without = match content.assessment.decided() {
        None => &WITHOUT_COMPARISON[..],
        Some(_) => &[],
    };
    IN_THE_HEADLINE.iter().chain(without).cloned()
}

fn is_provisional(content: &Content) -> bool {
    let rests = content.assessment.decided().is_some() || content.assessment.flagged;
    rests && content.basis() == Basis::Provisional
}

/// Whether the statement says what a remark says.
pub(crate) fn tells_remark(content: &Content, remark: &Remark) -> bool {
    let dated = remark.code == RemarkCode::DateImplausible
        && content.assessment.reason != Some(Reason::BeforeBirth);
    dated || in_the_headline(content).any(|(code, _, _)| remark.code == code)
}

/// Whether the statement says what a notice says.
pub(crate) fn tells_notice(content: &Content, notice: Notice) -> bool {
    match notice {
        Notice::WideningAgain => {
            let event = content.course.after_event.as_ref();
            event.is_some_and(|event| event.state == AfterState::WideningAgain)
        }
        Notice::UnlabelledBaseline => is_provisional(content),
        Notice::AboveWideInterval => content.assessment.decided().is_none(),
        _ => notice.doubt().is_some(),
    }
}

/// Doubts about what was measured.
fn doubts(content: &Content) -> Vec<String> {
    let notices = content.assessment.notices.iter();
    let doubts: Vec<&str> = notices.filter_map(|notice| notice.doubt()).collect();
    if doubts.is_empty() {
        Vec::new()
    } else {
        vec![format!("CHECK WHAT WAS MEASURED: {}.", doubts.join("; "))]
    }
}

/// Today beside the narrowest exam since the event, where that decided.
pub(crate) fn nadir(content: &Content) -> Option<(&Nadir, &Row)> {
    let by = content.assessment.decided_by;
    let after = content.course.after_event.as_ref();
    // There may be no comparison with a baseline beside it.
    let (_, row) = phrases::named_rows(content).next()?;
    let nadir = after?.nadir.as_ref();
    let nadir = nadir.filter(|_| by == Some(DecidedBy::SinceEvent))?;
    Some((nadir, row))
}

/// The numbers of the comparison that the headline prints, for a list of exams.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Figures {
    /// The expected value, mm.
    pub expected: Option<String>,
    /// The interval at whose limits the status changes, mm.
    pub interval: Option<String>,
    /// The change, mm: from the expected value, or since the narrowest exam after an event.
    pub change: Option<String>,
    /// Change needed for a flag, mm.
    pub needed: Option<String>,
}

impl Figures {
    /// Of one result.
    #[must_use]
    pub fn of(content: &Content) -> Self {
        if let Some((nadir, _)) = nadir(content) {
            return Figures {
                change: Some(numbers::signed(nadir.mm)),
                needed: Some(numbers::mm(nadir.limit_mm)),
                ..Figures::default()
            };
        }
        let decided = content.assessment.decided().map(|(_, row)| row);
        let row = decided.or_else(|| {
            let (_, row) = phrases::named_rows(content).next()?;
            row.too_wide.is_some().then_some(row)
        });
        let Some(printed) = row.and_then(|row| Printed::of(row).expected) else {
            return Figures::default();
        };
        Figures {
            expected: Some(printed.mm),
            interval: Some(printed.interval),
            // Of an interval too wide to compare no change is told.
            change: decided.map(|_| printed.change),
            needed: Some(printed.needed),
        }
    }
}

/// Numbers of the deciding row, or what was measured.
fn figures(content: &Content) -> Vec<(String, String)> {
    if let Some((nadir, row)) = nadir(content) {
        let name = phrases::row_name(content, DecidedBy::Both);
        let of = written(nadir.date, nadir.time);
        return vec![
            (
                format!("Measured, {name}"),
                millimetres(&numbers::mm(row.measured_mm)),
            ),
            (format!("Narrowest since the event, {of}"), {
                millimetres(&numbers::mm(row.measured_mm - nadir.mm))
            }),
            ("Change".to_owned(), millimetres(&numbers::signed(nadir.mm))),
            (
                "Change needed for a flag".to_owned(),
                millimetres(&numbers::mm(nadir.limit_mm)),
            ),
        ];
    }
    let decided = content.assessment.decided();
    if let Some((by, row)) = decided {
        return figures_of(&phrases::row_name(content, by), row);
    }
    let mut shown = phrases::named_rows(content).peekable();
    if let Some((name, row)) = shown.peek().filter(|(_, row)| row.too_wide.is_some()) {
        // The limits, without a change; each eye stands in the table.
        let mut figures = figures_of(&name.to_lowercase(), row);
        figures.truncate(2);
        return figures;
    }
    shown
        .flat_map(|(name, row)| figures_of(&name.to_lowercase(), row))
        .collect()
}

fn figures_of(name: &str, row: &Row) -> Vec<(String, String)> {
    let printed = Printed::of(row);
    let mut figures = vec![(format!("Measured, {name}"), millimetres(&printed.measured))];
    if let Some(Expected {
        mm,
        interval,
        change,
        percent,
        needed,
        ..
    }) = printed.expected
    {
        figures.extend([
            ("Expected".to_owned(), format!("{mm} mm ({interval})")),
            ("Change".to_owned(), format!("{change} mm ({percent} %)")),
            ("Change needed for a flag".to_owned(), millimetres(&needed)),
        ]);
    }
    figures
}

fn millimetres(number: &str) -> String {
    format!("{number} mm")
}

/// What explains the answer, a sentence or two each, the weightiest first; empty ones are left out.
fn details(content: &Content) -> Vec<String> {
    let mut all = other_rows(content);
    let is_said = matches!(
        content.assessment.reason,
        Some(Reason::DateImplausible | Reason::BeforeBirth)
    );
    if content.is_date_doubted() && !is_said {
        let mut remarks = content.remarks.iter();
        let dated = remarks.find(|remark| remark.code == RemarkCode::DateImplausible);
        all.extend(dated.map(phrases::said_of_it));
    }
    all.extend(since_event(content));
    let course = &content.course;
    all.extend(course.flags.iter().map(|flags| flags.sentence()));
    all.extend(since_last(content).map(SinceLast::sentence));
    all.extend(course.not_since_last.iter().map(|not| not.sentence()));
    all.push(phrases::answer(content));
    all.push(phrases::chance(content));
    all.into_iter().filter(|one| !one.is_empty()).collect()
}

/// The time since the last event.
pub(crate) fn since_event(content: &Content) -> Option<String> {
    let event = content.course.after_event.as_ref()?;
    Some(event.sentence(nadir(content).is_some()))
}

/// The change since the last exam, unless it is what is told of the time since the event.
pub(crate) fn since_last(content: &Content) -> Option<&SinceLast> {
    let course = &content.course;
    let event = course.after_event.as_ref();
    let last = course.since_last.as_ref();
    last.filter(|last| event.is_none_or(|event| !event.tells(last)))
}

/// The rows out of bounds beside the one that decided, unless all are; the one eye that alone is.
fn other_rows(content: &Content) -> Vec<String> {
    let assessment = &content.assessment;
    let Some((by, row)) = assessment.decided() else {
        return Vec::new();
    };
    if by == DecidedBy::SinceEvent {
        return Vec::new();
    }
    let out = |row: &Row| {
        row.comparison
            .is_some_and(|c| c.status != Status::WithinExpected)
    };
    let others = || {
        phrases::named_rows(content)
            .filter(|(_, other)| !std::ptr::eq(*other, row) && other.comparison.is_some())
    };
    if let Some((eye, _)) = phrases::only_eye(content) {
        let alone = format!("Only the {} eye is outside its expected range", eye.word());
        let own = assessment.rows.of(eye);
        let own = own.filter(|own| !std::ptr::eq(*own, row));
        return vec![match own {
            Some(own) => format!("{alone}: {}.", compared("measured", own)),
            None => format!("{alone}."),
        }];
    }
    if out(row) && others().all(|(_, other)| out(other)) {
        return Vec::new();
    }
    others()
        .filter(|(_, other)| out(other))
        .map(|(name, other)| format!("{}.", compared(name, other)))
        .collect()
}
