//! What an act would do to the results, and the question before a flagged exam becomes baseline.

use super::act::{Act, How, Serves};
use super::person::{Person, status};
use crate::cli::{Code, Failure, print};
use sheathline_model::annotations::Draft;
use sheathline_model::results::Site;
use sheathline_model::results::{Content, change, seen};
use std::collections::{BTreeMap, BTreeSet};
use std::io::{IsTerminal, Write};

/// Results that are shown one by one.
const SHOWN_MAX: usize = 20;

/// Shows which results change where a flagged exam would become part of the baseline, or always for a
/// dry run; asks in the first case.
///
/// # Errors
/// The answer is no, or nobody is there to ask.
pub(super) fn consider(
    act: &Act,
    drafts: &[Vec<Draft>],
    site: &Site,
    how: How,
) -> Result<(), Failure> {
    let mut flagged = Vec::new();
    for (number, (person, drafts)) in act.people.all.iter().zip(drafts).enumerate() {
        if drafts.is_empty() {
            continue;
        }
        let asked: BTreeMap<&str, Serves> = act
            .steps
            .iter()
            .filter(|step| step.person == number && !step.drafts.is_empty())
            .flat_map(|step| &step.exams)
            .filter(|(_, serves)| *serves != Serves::No)
            .filter_map(|(n, serves)| {
                let exam = person.exams.get(*n)?;
                // What is known to be unflagged needs no work; what is not known is worked out.
                let is_calm = person
                    .current(&exam.id)
                    .is_some_and(|content| !content.assessment.flagged);
                (!is_calm).then_some((exam.id.as_str(), *serves))
            })
            .collect();
        if asked.is_empty() && !how.dry_run {
            continue;
        }
        let (before, after) = person.results(drafts, site)?;
        let theirs = flagged_baseline(&asked, &before, &after);
        if !theirs.is_empty() || how.dry_run {
            changes(person, &before, &after)?;
        }
        flagged.extend(theirs);
    }
    if flagged.is_empty() || how.dry_run || how.yes {
        for one in &flagged {
            print::line(format_args!(
                "{one} is flagged and becomes part of the baseline"
            ));
        }
        return Ok(());
    }
    ask(&flagged)
}

/// Exams that are flagged and would be baseline.
fn flagged_baseline(
    asked: &BTreeMap<&str, Serves>,
    before: &[Content],
    after: &[Content],
) -> Vec<String> {
    let baseline = |contents: &[Content]| -> BTreeSet<String> {
        let all = contents.iter().flat_map(|content| &content.baseline);
        all.map(|one| one.exam.clone()).collect()
    };
    let (served, serve) = (baseline(before), baseline(after));
    let is_flagged = |content: &&Content| content.assessment.flagged;
    let flagged = before.iter().filter(is_flagged);
    flagged
        .filter(|content| {
            let id = &content.exam.id;
            match asked.get(id.as_str()) {
                Some(Serves::Yes) => true,
                Some(Serves::Perhaps) => serve.contains(id) && !served.contains(id),
                Some(Serves::No) | None => false,
            }
        })
        .map(|content| content.exam.id.clone())
        .collect()
}

/// Which results get a new version, each with what it says now and what it would say; where that is the
/// same, with the words in which the new version tells why it was made.
fn changes(
    person: &Person,
    before: &[Content],
    after: &[Content],
) -> Result<(), serde_json::Error> {
    let then: BTreeMap<&str, &Content> = after
        .iter()
        .map(|content| (content.exam.id.as_str(), content))
        .collect();
    let mut changed = Vec::new();
    for made in before {
        let id = made.exam.id.as_str();
        let Some(then) = then.get(id) else {
            continue;
        };
        // What stands is what readers have before them.
        let now = person.current(id).unwrap_or(made);
        if seen(now)? == seen(then)? {
            continue;
        }
        let at = now.exam.performed_at.local.format("%Y-%m-%d %H:%M");
        let (now_said, then_said) = (said(now), said(then));
        let what = if now_said == then_said {
            format!(
                "{now_said}, as before; {}",
                change::why(Some(now), then).join("; ")
            )
        } else {
            format!("{now_said} -> {then_said}")
        };
        changed.push(format!("  {at} {id}: {what}"));
    }
    let key = &person.ids.surviving;
    print::line(format_args!(
        "results of {}|{} that change: {} of {}",
        key.issuer,
        key.id,
        changed.len(),
        before.len()
    ));
    for line in changed.iter().take(SHOWN_MAX) {
        print::line(line);
    }
    if changed.len() > SHOWN_MAX {
        print::line(format_args!("  and {} more", changed.len() - SHOWN_MAX));
    }
    Ok(())
}

fn said(content: &Content) -> String {
    let assessment = &content.assessment;
    let row = assessment.rows.deciding(assessment.decided_by);
    let compared = row.and_then(|row| row.comparison);
    match compared {
        Some(compared) => format!(
            "{} (expected {:.2} mm, change {:+.2} mm)",
            status(content),
            compared.expected_mm,
            compared.change_mm
        ),
        None => status(content),
    }
}

fn ask(flagged: &[String]) -> Result<(), Failure> {
    let named = flagged.join(", ");
    let what = match flagged.len() {
        1 => "is flagged and would become part of the baseline",
        _ => "are flagged and would become part of the baseline",
    };
    if !std::io::stdin().is_terminal() {
        return Err(Failure::new(
            Code::NotConfirmed,
            format!(
                "{named} {what}: a rise that is real would then hide later ones. Nothing was recorded. See \
             above which results change; to go on all the same, add --yes"
            ),
        ));
    }
    print::line(format_args!(
        "{named} {what}: a rise that is real would then hide later ones."
    ));
    print::line("Record it all the same? Type yes:");
    let _ = std::io::stdout().flush();
    let mut answer = String::new();
    let read = std::io::stdin().read_line(&mut answer);
    if read.is_ok() && answer.trim().eq_ignore_ascii_case("yes") {
        Ok(())
    } else {
        Err(Failure::new(Code::NotConfirmed, "nothing was recorded"))
    }
}
