//! What every reader is told beside the numbers.

use super::content::Content;
use crate::assess::Status;
use serde::{Deserialize, Serialize};

/// One caution, with a stable code.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Caution {
    /// Stable code in kebab case.
    pub code: String,
    /// One or two plain sentences.
    pub text: String,
}

/// The line that stands on everything this project prints.
pub const NOT_A_DEVICE: &str = "Decision support, not a certified medical device. Licensed \
    clinicians and the local protocol decide.";

type Applies = fn(&Content) -> bool;

/// Cautions in the order they are printed; each with when it applies.
///
/// Sources: JAMA Netw Open 2025, doi:10.1001/jamanetworkopen.2025.11009 (own baseline in shunted
/// children); J Neurosurg 1997, lumbar infusion in 12 patients, and Acta Ophthalmol 2011,
/// doi:10.1111/j.1755-3768.2011.02159.x (pressure response and hysteresis); World Neurosurg 2021, 51
/// patients after shunting (time after it); Childs Nerv Syst 2020, doi:10.1007/s00381-019-04266-1
/// (open fontanelle); JAMA Netw Open 2025 again, +0.16 mm without shunt failure, with an SD of 0.2 mm
/// assumed: one exam in six of the unwell without raised pressure; Anaesthesia 2017, PMID 28177116 (carbon dioxide).
/// How many are flagged by chance: simulated (`assess/README.md`, "Rates in the situations of a ward"); of one code
/// exactly one text applies.
const CAUTIONS: [(&str, &str, Applies); 12] = [
    (
        "not-a-diagnosis",
        "This is one element among history, examination and imaging, not a diagnosis. Follow the \
         local protocol for suspected raised pressure or shunt failure.",
        |_| true,
    ),
    (
        "do-not-wait",
        "If the patient is unwell, do not wait for this result and do not be held back by it.",
        |_| true,
    ),
    (
        "no-flag-excludes-nothing",
        "The absence of a flag does not exclude raised pressure: the sheath may not widen below a \
         pressure of its own, may be at its widest already, or may have stayed wide after an \
         earlier rise.",
        |content| !content.assessment.flagged,
    ),
    (
        "rise-proves-nothing",
        "A rise is not proof of raised pressure: measurement error alone reaches half a millimetre. \
         By chance about one exam in twenty is flagged of people who are well, and about one in six \
         of people scanned because they are unwell without raised pressure.",
        |content| content.assessment.flagged && tests(content) == Tests::One,
    ),
    (
        "rise-proves-nothing",
        "A rise is not proof of raised pressure: measurement error alone reaches half a millimetre. \
         After an event an exam is held against two things, the baseline and the narrowest exam since. \
         By chance about one exam in eleven is flagged of people who are well, and about one in four \
         of people scanned because they are unwell without raised pressure.",
        |content| content.assessment.flagged && tests(content) == Tests::OldBaselineAndNarrowest,
    ),
    (
        "rise-proves-nothing",
        "A rise is not proof of raised pressure: measurement error alone reaches half a millimetre. \
         After an event an exam is held against two things, the baseline and the narrowest exam since. \
         By chance about one exam in fifteen is flagged of people who are well, and about one in four \
         of people scanned because they are unwell without raised pressure.",
        |content| content.assessment.flagged && tests(content) == Tests::NewBaselineAndNarrowest,
    ),
    (
        "same-way-only",
        "The comparison holds only between exams measured the same way: same borders, plane and \
         depth, and best the same person and machine. What was unknown is listed as a remark.",
        |content| !matches!(content.assessment.status, Status::NoBaseline),
    ),
    (
        "ids-joined",
        "This result joins exams that came under different patient ids, because somebody stated that \
         they are one person's. If that is wrong, so is the comparison.",
        |content| !content.joined.is_empty(),
    ),
    (
        "open-fontanelle",
        "With an open fontanelle the sheath may not widen when pressure rises. Do not rely on it.",
        |content| content.age_years().is_some_and(|age| age < 1.5),
    ),
    (
        "growth-allowed-for",
        "An allowance for growth is part of the expected value; growth of a single child is known \
         only roughly.",
        |content| content.age_years().is_some_and(|age| age < 10.0),
    ),
    (
        "state-of-the-patient",
        "Posture, breathing (carbon dioxide), sedation and crying change the width within minutes.",
        |_| true,
    ),
    (
        "eye-disease",
        "Eye disease that widens the sheath or the disc (neuritis, drusen, tumour, injury) makes \
         the comparison unsafe.",
        |_| true,
    ),
];

/// Code and text of every caution.
pub(crate) fn all() -> impl Iterator<Item = (&'static str, &'static str)> {
    CAUTIONS.iter().map(|&(code, text, _)| (code, text))
}

/// What an exam was held against, each of which may flag it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Tests {
    /// The baseline, or without one the narrowest exam since an event.
    One,
    /// A baseline from before the event alone, and the narrowest exam since.
    OldBaselineAndNarrowest,
    /// A baseline that holds an exam since the event, and the narrowest exam since: the two agree more often.
    NewBaselineAndNarrowest,
}

fn tests(content: &Content) -> Tests {
    let after = content.course.after_event.as_ref();
    let after = after.filter(|after| after.nadir.is_some());
    match after.filter(|_| content.assessment.rows.leading().is_some()) {
        None => Tests::One,
        Some(after) if after.new_baseline.is_some() => Tests::NewBaselineAndNarrowest,
        Some(_) => Tests::OldBaselineAndNarrowest,
    }
}

/// The cautions that apply to a result.
#[must_use]
pub(super) fn of(content: &Content) -> Vec<Caution> {
    CAUTIONS
        .iter()
        .filter(|(_, _, applies)| applies(content))
        .map(|&(code, text, _)| Caution {
            code: code.to_owned(),
            text: text.to_owned(),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::samples;

    fn chance(content: &Content) -> String {
        let cautions = of(content).into_iter();
        let mut told = cautions.filter(|caution| caution.code == "rise-proves-nothing");
        let text = told.next().expect("the caution").text;
        assert_eq!(told.next(), None, "one text of a code");
        text
    }

    /// As many as are flagged of stable people in the simulation: 5 in 100 by the baseline or by the narrowest
    /// exam alone, 8 to 10 by both, 6.5 to 7.4 once an exam since the event is in the baseline.
    #[test]
    fn how_many_are_flagged_by_chance_depends_on_what_an_exam_is_held_against() {
        let plain = samples::newest(&samples::flagged()).content;
        assert!(chance(&plain).contains("about one exam in twenty"));
        let mut event = samples::since_event();
        assert!(chance(&event).contains("about one exam in eleven"));
        let started = "2024-03-01".parse().ok();
        event.course.after_event.as_mut().unwrap().new_baseline = started;
        assert!(chance(&event).contains("about one exam in fifteen"));
        // Nothing but the narrowest exam to be held against.
        let mut alone = samples::since_event();
        for row in [
            &mut alone.assessment.rows.right,
            &mut alone.assessment.rows.left,
            &mut alone.assessment.rows.both,
        ] {
            row.as_mut().unwrap().comparison = None;
        }
        assert!(chance(&alone).contains("about one exam in twenty"));
        // No earlier exam since the event.
        let mut first = samples::since_event();
        first.course.after_event.as_mut().unwrap().nadir = None;
        assert!(chance(&first).contains("about one exam in twenty"));
        let mut quiet = samples::since_event();
        quiet.assessment.flagged = false;
        assert!(
            of(&quiet)
                .iter()
                .all(|one| one.code != "rise-proves-nothing")
        );
    }
}
