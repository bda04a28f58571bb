use super::*;
use crate::assess::{DecidedBy, Notice, Reason, Row, Status};
use crate::domain::{Moment, Remark, RemarkCode};
use crate::results::{Expected, samples};

#[test]
fn texts_are_stable() {
    for (name, known) in samples::every() {
        let text = text(&samples::newest(&known).content);
        assert!(!text.to_lowercase().contains("normal"), "{name}");
        assert!(
            text.lines().all(|line| line.chars().count() <= 96),
            "{name}"
        );
        samples::golden(&format!("{name}.txt"), &text);
    }
}

#[test]
fn texts_of_published_results_are_stable() {
    for (name, result) in samples::published() {
        samples::golden(&format!("{name}.txt"), &text_of(&result));
    }
}

#[test]
fn samples_hold_the_statuses_they_are_named_for() {
    let status = |known| samples::newest(&known).content.assessment.status;
    assert!(status(samples::flagged()).flagged());
    assert_eq!(status(samples::within()), Status::WithinExpected);
    assert_eq!(status(samples::no_baseline()), Status::NoBaseline);
    assert_eq!(status(samples::not_comparable()), Status::NotComparable);
    assert_eq!(status(samples::one_eye()), Status::WithinExpected);
    assert_eq!(status(samples::below()), Status::BelowExpected);
    assert!(status(samples::one_eye_out()).flagged());
    let notices = |known| samples::newest(known).content.assessment.notices;
    assert!(notices(&samples::exchanged()).contains(&Notice::SidesExchangedSuspected));
}

#[test]
fn the_sentence_on_chance_stands_once_and_only_beside_a_flag() {
    for (name, known) in samples::every() {
        let content = samples::newest(&known).content;
        let said = summary(&content).matches("comes up by chance").count();
        let rows = &content.assessment.rows;
        let flagged = [&rows.both, &rows.right, &rows.left]
            .into_iter()
            .flatten()
            .filter_map(|row| row.comparison)
            .any(|c| c.status.flagged());
        assert_eq!(said, usize::from(flagged), "{name}");
    }
}

#[test]
fn a_single_eye_out_of_bounds_is_named_with_its_numbers() {
    let content = samples::newest(&samples::one_eye_out()).content;
    let said = summary(&content);
    assert!(said.contains("Only the right eye is outside its expected range."));
    let right = content.assessment.rows.right.unwrap();
    let first = format!(
        "WELL ABOVE EXPECTED, RIGHT EYE. Rise found: right eye {:.2} mm, expected ",
        right.measured_mm
    );
    assert!(said.starts_with(&first), "{said}");
    assert!(!said.contains("Left eye"));
    assert!(!summary(&samples::newest(&samples::flagged()).content).contains("Only the"));
}

/// Eyes that leave in opposite directions can leave their mean where it was.
#[test]
fn eyes_out_in_opposite_directions_are_both_told() {
    let mut content = samples::newest(&samples::flagged()).content;
    let rows = &mut content.assessment.rows;
    let set = |row: &mut Option<Row>, status| {
        let comparison = row.as_mut().unwrap().comparison.as_mut().unwrap();
        comparison.status = status;
    };
    set(&mut rows.both, Status::WithinExpected);
    set(&mut rows.right, Status::AboveExpected);
    set(&mut rows.left, Status::BelowExpected);
    content.assessment.decided_by = Some(DecidedBy::Right);
    let said = summary(&content);
    assert!(said.contains("Rise found: right eye ") && said.contains("Left eye "));
    assert!(said.contains("A value this high in the right eye"));
    assert!(!said.contains("Only the"));
}

#[test]
fn used_readings_are_grouped_and_the_others_keep_their_reasons() {
    let flagged = text(&samples::newest(&samples::flagged()).content);
    assert!(flagged.contains("right, transverse: 5.9 6.0 5.8 mm"));
    assert!(flagged.contains("left, transverse: 5.9 5.8 6.04 mm"));
    assert!(flagged.contains("right 6.0 mm: The caliper lay 17 degrees off"));
    assert!(
        flagged.contains("1 more value: A mean of the readings above; the readings were used.")
    );
    let none = text(&samples::newest(&samples::not_comparable()).content);
    let flat = none.split_whitespace().collect::<Vec<_>>().join(" ");
    // The two of the right eye that share a reason are one line.
    assert_eq!(none.matches("- not used: ").count(), 4);
    assert!(flat.contains("right 5.5 5.6 mm, transverse (sent as 5.5 5.6 mm, items 1.1 1.2): The"));
    assert!(flat.contains("side unresolved 5.4 mm"));
    assert!(flat.contains("The report says both right and left for this value (technical: 1.2.1"));
    assert!(flat.contains("Add the unit to the site dictionary."));
}

#[test]
fn a_withdrawn_result_says_so() {
    let mut content = samples::newest(&samples::no_baseline()).content;
    content.assessment =
        crate::assess::Assessment::not_comparable(&content.exam.id, Reason::Withdrawn);
    content.measurements_used.clear();
    content.measurements_not_used.clear();
    let said = summary(&content);
    assert!(said.starts_with("NOT COMPARABLE.") && said.contains("any more"));
    assert!(
        said.contains("Nothing can be said about a rise. "),
        "{said}"
    );
    assert!(!said.contains(" mm"), "{said}");
}

/// Nothing that a report holds drives a terminal, turns the order of reading or begins a line.
#[test]
fn what_others_wrote_stays_in_its_place() {
    let plain = samples::newest(&samples::flagged()).content;
    let hostile = "x\u{1B}[2J\u{202E}\u{200B}\u{2028}\nLabel well".to_owned();
    let mut content = plain.clone();
    content.patient.id.clone_from(&hostile);
    content.patient.issuer.clone_from(&hostile);
    content.exam.study_instance_uid.clone_from(&hostile);
    content.exam.operator = Some(hostile.clone());
    content.exam.device.model = Some(hostile.clone());
    content.baseline[0].operator = Some(hostile.clone());
    content.would_change.push(hostile);
    let said = text(&content);
    assert!(
        !said.chars().any(|c| c != '\n' && legible::misleads(c)),
        "{said}"
    );
    assert!(
        !said.lines().any(|line| line.starts_with("Label")),
        "{said}"
    );
    assert!(
        said.contains("x\u{FFFD}[2J\u{FFFD}\u{FFFD}\u{FFFD} Label well"),
        "{said}"
    );
}

/// Every number of a row stands in text and page in the same digits, whatever the row says.
#[test]
fn text_and_page_print_the_same_numbers() {
    for (name, known) in samples::every() {
        let result = samples::newest(&known);
        let page = crate::render::html::page(&result, &[]);
        let text = text(&result.content);
        for (_, row) in named_rows(&result.content) {
            let printed = Printed::of(row);
            let mut numbers = vec![printed.measured];
            if let Some(expected) = printed.expected {
                let Expected {
                    mm,
                    interval,
                    change,
                    percent,
                    needed,
                    ..
                } = expected;
                numbers.extend([mm, interval, change, percent, needed]);
            }
            for number in numbers {
                assert!(text.contains(&number), "{name}: {number} in the text");
                assert!(page.contains(&number), "{name}: {number} in the page");
            }
        }
    }
}

/// A flag is never told beside numbers that do not show it.
#[test]
fn the_numbers_of_the_headline_are_those_of_the_row_that_decided() {
    for (name, known) in samples::every() {
        let content = samples::newest(&known).content;
        let Some((_, row)) = content.assessment.decided() else {
            continue;
        };
        let Some(c) = row.comparison else {
            panic!("{name}")
        };
        let said = summary(&content);
        assert!(said.contains(&format!(
            "change {} mm",
            Printed::of(row).expected.unwrap().change
        )));
        if content.assessment.decided_by != Some(DecidedBy::SinceEvent) {
            assert_eq!(c.status, content.assessment.status, "{name}");
        }
    }
    // The right eye rose, the left one narrowed: their mean did not move.
    let content = samples::newest(&samples::apart()).content;
    assert!(content.assessment.flagged);
    assert!(
        content
            .assessment
            .rows
            .both
            .unwrap()
            .comparison
            .unwrap()
            .change_mm
            .abs()
            < 0.1
    );
    let said = summary(&content);
    assert!(said.starts_with("ABOVE EXPECTED, RIGHT EYE"), "{said}");
    assert!(!said.to_lowercase().contains("both eyes"), "{said}");
}

#[test]
fn provisional_preliminary_and_unread_stand_in_the_headline() {
    let mut content = samples::newest(&samples::provisional()).content;
    let said = summary(&content);
    assert!(said.contains("EXPECTED, PROVISIONAL."), "{said}");
    assert!(said.contains("Label each as well or raised"), "{said}");
    assert!(!summary(&samples::newest(&samples::flagged()).content).contains("PROVISIONAL"));
    let remark = Remark::of(RemarkCode::ValuesUnread, "Values were left unread: one.");
    content.remarks.push(remark.act("Add the code."));
    let remark = Remark::of(
        RemarkCode::DocumentPreliminary,
        "The report calls itself preliminary.",
    );
    content.reports[0].remarks.push(remark);
    let said = summary(&content);
    assert!(
        said.contains(", PROVISIONAL, PRELIMINARY REPORT, VALUES LEFT UNREAD."),
        "{said}"
    );
    assert!(
        said.contains("PRELIMINARY REPORT: values may change."),
        "{said}"
    );
    assert!(
        said.contains("VALUES LEFT UNREAD: one. Add the code."),
        "{said}"
    );
    // Of a report that was replaced nothing is told.
    content.reports[0].superseded_by = vec!["2.25.9".to_owned()];
    assert!(!summary(&content).contains("PRELIMINARY"));
}

#[test]
fn doubts_stand_first() {
    let mut content = samples::newest(&samples::within()).content;
    for notice in [
        Notice::SidesExchangedSuspected,
        Notice::FarFromOwnLevel,
        Notice::SameAsEarlierExam,
    ] {
        content.assessment.notices = vec![notice];
        let said = summary(&content);
        let start = format!("CHECK WHAT WAS MEASURED: {}.", notice.doubt().unwrap());
        assert!(said.starts_with(&start), "{said}");
        let page = text(&content);
        assert!(page.contains("CHECK WHAT WAS MEASURED:"));
        assert!(!page.contains("Remarks"), "said once: {page}");
    }
    // Two doubts are one line.
    content.assessment.notices = vec![Notice::FarFromOwnLevel, Notice::NerveSuspected];
    let said = summary(&content);
    assert_eq!(said.matches("CHECK").count(), 1, "{said}");
    assert!(
        said.contains("(which eye, whose eye?); today's value or"),
        "{said}"
    );
    content.assessment.notices = vec![Notice::SingleReading];
    assert!(!summary(&content).contains("CHECK"));
}

#[test]
fn a_rise_since_the_event_has_the_numbers_of_the_narrowest_exam() {
    let said = summary(&samples::since_event());
    assert!(said.contains("WIDER AGAIN SINCE THE LAST EVENT"), "{said}");
    assert!(
        said.contains(
            "Rise found: both eyes 5.50 mm, +0.60 mm since 2024-03-01 06:30 (4.90 mm); a flag needs \
             0.44 mm. Measure again"
        ),
        "{said}"
    );
    assert!(
        said.contains("wider than at the narrowest of 2 exams since by more than error"),
        "{said}"
    );
    assert!(!said.contains("by chance in"), "{said}");
    // The numbers of the comparison before stand in the table and below it.
    let page = text(&samples::since_event());
    assert!(page.contains("the level before is not known"), "{page}");
    assert!(!said.contains("the level before"), "{said}");
}

#[test]
fn an_interval_too_wide_is_shown_without_a_status() {
    let content = samples::newest(&samples::too_wide()).content;
    assert_eq!(content.assessment.reason, Some(Reason::IntervalTooWide));
    let said = summary(&content);
    assert!(
        said.contains("NOT COMPARABLE. Nothing can be said about a rise: both eyes "),
        "{said}"
    );
    assert!(said.contains("a flag would need"), "{said}");
    let page = text(&content);
    assert!(page.contains("interval too wide"), "{page}");
}

/// The words of a text, without signs, in the order of reading.
fn words(text: &str) -> Vec<String> {
    let words = text.split_whitespace();
    let bare = |word: &str| {
        word.trim_matches(|c: char| !c.is_alphanumeric())
            .to_lowercase()
    };
    words.map(bare).filter(|word| !word.is_empty()).collect()
}

/// Three lines carry the answer, and what the statement says stands once on the page.
#[test]
fn three_lines_carry_the_answer_and_nothing_is_said_twice() {
    let every = samples::every().into_iter();
    let every = every.map(|(name, known)| (name, samples::newest(&known)));
    for (name, result) in every.chain(samples::published()) {
        let content = &result.content;
        let page = text(content);
        let statement = Statement::of(content, None);
        let title = format!("{}.", statement.title.to_uppercase());
        let mut lines = page.lines().skip_while(|line| *line != title);
        assert_eq!(lines.next(), Some(title.as_str()), "{name}");
        let found = lines.next().unwrap();
        assert!(found.starts_with(statement.verdict), "{name}: {found}");
        if let Some((_, row)) = content.assessment.decided() {
            let measured = format!(" {} mm", Printed::of(row).measured);
            let much = ["change ", "mm since "]
                .iter()
                .any(|much| found.contains(much));
            assert!(found.contains(&measured) && much, "{name}: {found}");
        }
        let next = lines.next().unwrap();
        if content.assessment.flagged {
            assert_eq!(next, statement.next, "{name}");
        }
        let said = words(&summary(content));
        for (at, run) in said.windows(7).enumerate() {
            // Both eyes may have one expected interval.
            let before = &said[at.saturating_sub(6)..at + 7];
            if before.iter().any(|word| word == "expected") {
                continue;
            }
            let again = said[at + 1..].windows(7).any(|other| other == run);
            assert!(!again, "{name}: {} stands twice", run.join(" "));
        }
        let remarks = phrases::remarks(content);
        let whole = summary(content);
        assert!(remarks.iter().all(|one| !whole.contains(one)), "{name}");
    }
}

/// The hint at what to merge or correct stands in the headline where nothing was compared.
#[test]
fn what_to_merge_or_correct_stands_in_the_headline() {
    let mut content = samples::newest(&samples::no_baseline()).content;
    let elsewhere = Remark::of(
        RemarkCode::SamePatientElsewhere,
        "Exams are stored elsewhere.",
    );
    let differs = Remark::of(
        RemarkCode::IdentityDiffers,
        "Exams give another birth date.",
    );
    content.remarks = vec![elsewhere.act("Join the ids."), differs.act("Find out.")];
    let said = summary(&content);
    assert!(
        said.starts_with("NO BASELINE, ID TO MERGE OR CORRECT, IDENTITY TO CORRECT."),
        "{said}"
    );
    assert!(said.contains("ID TO MERGE OR CORRECT: exams are stored elsewhere. Join the ids."));
    assert!(!text(&content).contains("Remarks"), "said once");
    // Beside a comparison it is a remark.
    let mut compared = samples::newest(&samples::within()).content;
    compared.remarks = content.remarks;
    assert!(!summary(&compared).contains("TO CORRECT"));
    assert!(text(&compared).contains("Exams give another birth date. Find out."));
}

/// What is said of the date is true of it.
#[test]
fn an_exam_before_birth_is_not_said_to_be_dated_after_receipt() {
    let mut content = samples::newest(&samples::no_baseline()).content;
    content.assessment =
        crate::assess::Assessment::not_comparable(&content.exam.id, Reason::BeforeBirth);
    let dated = Remark::of(
        RemarkCode::DateImplausible,
        "The exam is dated 1970-01-01, before the patient's birth on 1980-02-03.",
    );
    content.remarks = vec![dated];
    let page = text(&content);
    assert!(page.contains("dated before the patient's birth"), "{page}");
    assert!(!page.contains("after its report was received"), "{page}");
}

#[test]
fn a_version_that_takes_a_flag_back_says_so_first() {
    let result = samples::replaced();
    let first =
        "Replaces version 1, which said well above expected (5.91 mm): the report was amended.";
    assert!(summary_of(&result).starts_with(first));
    assert!(text_of(&result).contains("Replaces version 1"));
    let page = crate::render::html::page(&result, &[]);
    assert!(page.find("Replaces version 1").unwrap() < page.find("<h1").unwrap());
}

#[test]
fn readings_stand_in_the_order_of_their_times() {
    let mut content = samples::newest(&samples::flagged()).content;
    let line = |content: &Content| {
        let text = text(content);
        let line = text
            .lines()
            .find(|line| line.contains("- right, transverse:"));
        line.unwrap().trim().to_owned()
    };
    // Without times in that of the reports.
    assert_eq!(line(&content), "- right, transverse: 5.9 6.0 5.8 mm");
    for (m, minute) in content
        .measurements_used
        .iter_mut()
        .zip([30, 10, 20, 1, 2, 3])
    {
        let at = format!("2024-05-07T10:{minute:02}:00").parse().unwrap();
        m.value.observed_at = Some(Moment {
            local: at,
            offset_s: None,
        });
    }
    assert_eq!(line(&content), "- right, transverse: 6.0 5.8 5.9 mm");
}
