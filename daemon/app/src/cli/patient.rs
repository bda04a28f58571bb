//! Which patient ids are one person's: `patient merge`, `unmerge`, `import`, `list`.

mod table;

use super::annotate::{Line as Shown, publish, reassess};
use super::args::{PairArgs, PatientCommand};
use super::{Failure, context, print};
use crate::pipeline::Pipeline;
use chrono::{DateTime, SubsecRound, TimeDelta, Utc};
use serde::Serialize;
use sheathline_model::domain::PatientKey;
use sheathline_model::identity::{Act, Pair, Statement, Unsettled};
use sheathline_store::identity::{self, Recorded};
use sheathline_store::{StoreError, Tx};
use std::collections::BTreeMap;
use std::path::Path;

/// Source of what is said on the command line.
const COMMAND: &str = "command";

pub(super) fn patient(command: &PatientCommand) -> Result<(), Failure> {
    match command {
        PatientCommand::Merge(args) => say(args, Act::Merge),
        PatientCommand::Unmerge(args) => say(args, Act::Unmerge),
        PatientCommand::Import { config, file, json } => import(&config.config, file, *json),
        PatientCommand::List { config, json } => list(&config.config, *json),
    }
}

/// An id as `ISSUER|ID`.
fn key(text: &str) -> Result<PatientKey, Failure> {
    let (issuer, id) = text
        .split_once('|')
        .map(|(issuer, id)| (issuer.trim(), id.trim()))
        .filter(|(_, id)| !id.is_empty())
        .ok_or_else(|| {
            Failure::usage(
                "write an id as ISSUER|ID, in quotes; as |ID where the objects name no issuer",
            )
        })?;
    Ok(PatientKey {
        issuer: issuer.to_owned(),
        id: id.to_owned(),
    })
}

/// What `merge` and `unmerge` print with `--json`.
#[derive(Serialize)]
struct Said<'a> {
    kind: &'static str,
    prior: &'a PatientKey,
    into: &'a PatientKey,
    assessed: Vec<Shown>,
}

/// What `import` prints with `--json`.
#[derive(Serialize)]
struct Imported {
    statements: usize,
    new: usize,
}

/// `merge` and `unmerge`.
fn say(args: &PairArgs, act: Act) -> Result<(), Failure> {
    let (from, into) = (key(&args.prior)?, key(&args.surviving)?);
    if from == into {
        return Err(Failure::usage("--prior and --surviving are the same id"));
    }
    let pair = Pair { from, into };
    let (_, pipeline) = context::beside(&args.config.config)?;
    let (said, why) = (pair.clone(), args.reason.clone());
    pipeline
        .store()
        .write(move |tx| stated(tx, &said, act, &why))?;
    // Where the trail cannot be written, whoever works on the store next tells it.
    pipeline.tell_stated()?;
    print::line(match act {
        Act::Merge => "merged",
        Act::Unmerge => "taken back",
    });
    let mut assessed = reassess(&pipeline, &pair.into)?;
    if act == Act::Unmerge {
        assessed.extend(reassess(&pipeline, &pair.from)?);
    }
    if args.json {
        print::json(&Said {
            kind: act.word(),
            prior: &pair.from,
            into: &pair.into,
            assessed,
        })
    } else {
        Ok(())
    }
}

/// Records what was said, if it changes something and can be applied.
fn stated(tx: &Tx, pair: &Pair, act: Act, why: &str) -> Result<(), StoreError> {
    let refused = |what: &str| Err(StoreError::Work(what.to_owned()));
    let person = identity::person(tx, &pair.from)?;
    let merges = person.merges.iter();
    let merges = merges.chain(
        person
            .unsettled
            .iter()
            .flat_map(|(_, merges)| merges.iter()),
    );
    let is_merged = merges
        .into_iter()
        .any(|one| one.from == pair.from && one.into == pair.into);
    match (act, is_merged) {
        (Act::Merge, true) => return refused("these two are merged already"),
        (Act::Unmerge, false) => {
            return refused(
                "no merge of these two is in force; `patient list` shows those that are",
            );
        }
        _ => {}
    }
    // Later than everything said of these two before, whatever clock that was read from.
    let last = identity::last_stated(tx, pair)?;
    let now = Utc::now().trunc_subsecs(6);
    let after = last.map(|last| last + TimeDelta::microseconds(1));
    let recorded = Recorded {
        statement: Statement {
            pair: pair.clone(),
            act,
            stated_at: after.map_or(now, |after| after.max(now)),
            source: COMMAND.to_owned(),
        },
        message: String::new(),
        who: user(),
        why: why.to_owned(),
    };
    identity::state(tx, &recorded, Utc::now())?;
    let then = identity::person(tx, &recorded.statement.pair.from)?;
    match (act, then.unsettled) {
        (Act::Merge, Some((Unsettled::Circle, _))) => refused(
            "with the merges in force this one would lead in a circle; take the wrong one back first",
        ),
        (Act::Merge, Some((Unsettled::Ends, _))) => refused(
            "with the merges in force this one would lead to two surviving ids; merge into the one \
             that survives, or take the wrong one back first",
        ),
        _ => Ok(()),
    }
}

/// Who works at this machine, as far as it says.
fn user() -> String {
    let named = ["SUDO_USER", "USER", "LOGNAME"];
    let mut named = named.iter().filter_map(|name| std::env::var(name).ok());
    named.next().unwrap_or_default()
}

/// `import`: a table, whole or not at all.
fn import(config: &Path, file: &Path, json: bool) -> Result<(), Failure> {
    let text = context::text_of(file)?;
    let all = table::read(&text, &user()).map_err(|mistakes| {
        let named = mistakes
            .iter()
            .map(|one| format!("{}:{one}", file.display()));
        Failure::usage(named.collect::<Vec<_>>().join("\n"))
    })?;
    let (_, pipeline) = context::beside(config)?;
    let count = all.len();
    let new = pipeline.store().write(move |tx| {
        let mut new = 0;
        for one in &all {
            new += usize::from(identity::state(tx, one, Utc::now())?);
        }
        Ok(new)
    })?;
    pipeline.tell_stated()?;
    print::line(format_args!("statements {count}, new {new}"));
    if json {
        print::json(&Imported {
            statements: count,
            new,
        })?;
    }
    finish(&pipeline)
}

fn finish(pipeline: &Pipeline) -> Result<(), Failure> {
    while pipeline.assess_some()? > 0 {}
    publish(pipeline)
}

/// One line of `list --json`.
#[derive(Serialize)]
struct Line<'a> {
    kind: &'static str,
    prior: &'a PatientKey,
    into: &'a PatientKey,
    decided_at: String,
    source: &'a str,
    message: &'a str,
    author: &'a str,
    reason: &'a str,
    in_force: bool,
    surviving: &'a PatientKey,
    unsettled: Option<&'static str>,
}

/// `list`: everything that was said, oldest first.
fn list(config: &Path, json: bool) -> Result<(), Failure> {
    let store = context::guest(&context::config(config)?)?;
    let (all, persons) = store.read(|conn| {
        let all = identity::all(conn)?;
        let named = all.iter().map(|one| &one.statement.pair.from);
        let persons = identity::persons(conn, named)?;
        Ok((all, persons))
    })?;
    let in_force = sheathline_model::identity::in_force(all.iter().map(|one| &one.statement));
    // By pair, since a look through all of them for each would cost their square.
    let in_force: BTreeMap<(&PatientKey, &PatientKey), DateTime<Utc>> = in_force
        .iter()
        .map(|merge| ((&merge.from, &merge.into), merge.since))
        .collect();
    for one in &all {
        let Statement {
            pair,
            act,
            stated_at,
            source,
        } = &one.statement;
        let since = in_force.get(&(&pair.from, &pair.into));
        let is_standing = since.is_some_and(|since| stated_at >= since);
        let person = persons.of(&pair.from);
        let line = Line {
            kind: act.word(),
            prior: &pair.from,
            into: &pair.into,
            decided_at: stated_at.to_rfc3339(),
            source,
            message: &one.message,
            author: &one.who,
            reason: &one.why,
            in_force: *act == Act::Merge && is_standing,
            surviving: person.map_or(&pair.from, |person| &person.surviving),
            unsettled: person.and_then(|person| person.unsettled.as_ref()).map(
                |(why, _)| match why {
                    Unsettled::Circle => "circle",
                    Unsettled::Ends => "several ends",
                },
            ),
        };
        if json {
            print::json(&line)?
        } else {
            show(&line)
        }
    }
    if all.is_empty() && !json {
        print::line("no ids were merged");
    }
    Ok(())
}

fn show(line: &Line<'_>) {
    let state = match (line.in_force, line.unsettled) {
        (_, Some(why)) => format!("not applied: {why}"),
        (true, None) => format!(
            "in force, surviving {}|{}",
            line.surviving.issuer, line.surviving.id
        ),
        (false, None) => "history".to_owned(),
    };
    print::line(format_args!(
        "{} {} {}|{} into {}|{} ({state}); {} {} {} {}",
        line.decided_at,
        line.kind,
        line.prior.issuer,
        line.prior.id,
        line.into.issuer,
        line.into.id,
        line.source,
        line.message,
        line.author,
        line.reason
    ));
}
