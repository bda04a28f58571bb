//! One act of a command: prepared, shown, asked about, and recorded.

use crate::acts::{self, ActError, Changes, Effect, Look, Order, Prepared, Question, Recorded};
use crate::cli::{Code, Failure, print};
use crate::pipeline::Pipeline;
use sheathline_model::domain::PatientKey;
use sheathline_model::results::Site;
use std::io::{IsTerminal, Write};

/// How often an act is prepared again because something of the same patient came in between.
const TRIES: usize = 20;

/// Results that are shown one by one.
const SHOWN_MAX: usize = 20;

/// How a command wants it.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct How {
    /// Show and record nothing.
    pub(super) dry_run: bool,
    /// Do not ask again.
    pub(super) yes: bool,
}

/// What an act came to.
#[derive(Debug, Default)]
pub(super) struct Done {
    /// Nothing was recorded.
    pub(super) dry_run: bool,
    /// Entries that were recorded, or would be.
    pub(super) entries: usize,
    /// Number of the first of them.
    pub(super) first: Option<i64>,
    /// The surviving ids of whom something new was said.
    pub(super) of_whom: Vec<PatientKey>,
}

/// Prepares an act, shows it, asks where that is needed, and records it. `refused` makes the failure
/// of an act that cannot be prepared.
///
/// # Errors
/// It cannot be prepared; the answer to the question is no; the store failed.
pub(super) fn act(
    pipeline: &Pipeline,
    site: &Site,
    how: How,
    orders: &[Order],
    refused: impl Fn(ActError) -> Failure,
) -> Result<Done, Failure> {
    let look = if how.dry_run { Look::All } else { Look::Asked };
    for _ in 0..TRIES {
        let prepared = acts::prepare(pipeline.store(), site, orders, look).map_err(&refused)?;
        show(&prepared);
        consider(&prepared, how)?;
        if how.dry_run {
            let entries = prepared.entries();
            print::line(format_args!(
                "dry run: {entries} entries would be recorded; nothing was"
            ));
            return Ok(Done {
                dry_run: true,
                entries,
                ..Done::default()
            });
        }
        if prepared.is_nothing() {
            return Ok(Done::default());
        }
        match acts::record(pipeline.store(), &prepared)? {
            Some(Recorded {
                first,
                entries,
                of_whom,
            }) => {
                tell(&prepared, first);
                return Ok(Done {
                    dry_run: false,
                    entries,
                    first: Some(first),
                    of_whom,
                });
            }
            None => print::line(
                "another entry or report of the same patient was recorded meanwhile; checked again",
            ),
        }
    }
    Err(Failure::new(
        Code::Incomplete,
        "others keep recording entries of the same patient; nothing was recorded, try again",
    ))
}

fn show(act: &Prepared) {
    let mut last = None;
    for step in act.steps() {
        if last != Some(step.person)
            && let Some(person) = act.people().get(step.person)
        {
            print::line(person.line());
            last = Some(step.person);
        }
        print::line(format_args!("  {}", step.shown));
        if !step.is_new() {
            print::line(format_args!("  {}", step.already));
        }
    }
}

/// Shows which results change where something has to be asked, or always for a dry run; asks in the
/// first case.
fn consider(act: &Prepared, how: How) -> Result<(), Failure> {
    for changes in act.changes() {
        if !changes.questions.is_empty() || how.dry_run {
            changed(changes);
        }
    }
    let questions: Vec<&Question> = act.questions().collect();
    if questions.is_empty() {
        return Ok(());
    }
    if !how.dry_run && !how.yes {
        return ask(&questions);
    }
    for one in questions {
        print::line(match one {
            Question::BecomesBaseline(exam) => {
                format!("{exam} is flagged and becomes part of the baseline")
            }
            Question::LosesFlag(exam) => format!("{exam} is flagged and loses its flag"),
        });
    }
    Ok(())
}

fn changed(changes: &Changes) {
    let key = &changes.patient;
    print::line(format_args!(
        "results of {}|{} that change: {} of {}",
        key.issuer,
        key.id,
        changes.effects.len(),
        changes.of
    ));
    for effect in changes.effects.iter().take(SHOWN_MAX) {
        lines(effect).iter().for_each(print::line);
    }
    if changes.effects.len() > SHOWN_MAX {
        print::line(format_args!(
            "  and {} more",
            changes.effects.len() - SHOWN_MAX
        ));
    }
}

/// An exam, what it says now, and what it would say.
fn lines(effect: &Effect) -> Vec<String> {
    const GONE: &str = "not told: its readings are taken back";
    let at = effect.at.format("%Y-%m-%d %H:%M");
    let now = effect.now.as_deref().unwrap_or(GONE);
    let then = match effect.then.as_deref() {
        Some(then) if then == now => format!("the same; {}", effect.why.join("; ")),
        then => then.unwrap_or(GONE).to_owned(),
    };
    vec![
        format!("  {at} {}", effect.exam),
        format!("    now:  {now}"),
        format!("    then: {then}"),
    ]
}

/// What the questions say, in a sentence each.
fn asked(questions: &[&Question]) -> Vec<String> {
    let named = |joins: bool| -> Vec<&str> {
        let of_kind = questions
            .iter()
            .filter(|one| matches!(one, Question::BecomesBaseline(_)) == joins);
        of_kind.map(|one| one.exam()).collect()
    };
    let (joining, losing) = (named(true), named(false));
    let be = |exams: &[&str]| if exams.len() == 1 { "is" } else { "are" };
    let mut said = Vec::new();
    if !joining.is_empty() {
        said.push(format!(
            "{} {} flagged and would become part of the baseline: a rise that is real would then hide \
             later ones.",
            joining.join(", "),
            be(&joining)
        ));
    }
    if !losing.is_empty() {
        let flags = if losing.len() == 1 {
            "its flag"
        } else {
            "their flags"
        };
        said.push(format!(
            "{} {} flagged and would lose {flags}: a rise that is real would then be told no more.",
            losing.join(", "),
            be(&losing)
        ));
    }
    said
}

fn ask(questions: &[&Question]) -> Result<(), Failure> {
    let said = asked(questions);
    if !std::io::stdin().is_terminal() {
        return Err(Failure::new(
            Code::NotConfirmed,
            format!(
                "{} Nothing was recorded. See above which results change; to go on all the same, add --yes",
                said.join(" ")
            ),
        ));
    }
    said.iter().for_each(print::line);
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

fn tell(act: &Prepared, first: i64) {
    for step in act.steps().iter().filter(|step| step.is_new()) {
        print::line(&step.told);
    }
    let by = act.steps().iter().find(|step| step.is_new());
    if let Some(step) = by {
        let name = step.by.author.name();
        print::line(format_args!("recorded from entry {first} on, by {name}"));
    }
}
