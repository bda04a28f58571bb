//! What is delivered to destinations: `outbox`.

use super::args::{ConfigArg, OutboxCommand, PeriodArgs, WhichArgs};
use super::{Code, Failure, context, print};
use chrono::{DateTime, SecondsFormat, Utc};
use serde::Serialize;
use sheathline_model::legible;
use sheathline_store::deliveries::{self, Delivery, State, Which};
use std::fmt;

/// `outbox`: lists deliveries, or changes how they stand; a running daemon sees it within a second.
pub(super) fn outbox(command: &OutboxCommand) -> Result<(), Failure> {
    match command {
        OutboxCommand::List {
            config,
            which,
            json,
        } => list(config, &which.into(), *json),
        OutboxCommand::Retry {
            config,
            which,
            json,
        } => {
            let which = chosen(which)?;
            if which.state == Some(State::Delivered) {
                return Err(Failure::usage(
                    "delivered ones are not tried again; outbox replay delivers them again",
                ));
            }
            let store = context::guest(&context::config(&config.config)?)?;
            let count = store.write(move |tx| deliveries::retry(tx, &which, Utc::now()))?;
            changed(
                count,
                "deliveries will be tried at once",
                "waits, is dead or was dropped",
                *json,
            )
        }
        OutboxCommand::Drop {
            config,
            which,
            json,
        } => {
            let which = chosen(which)?;
            let store = context::guest(&context::config(&config.config)?)?;
            let count = store.write(move |tx| deliveries::drop_some(tx, &which, Utc::now()))?;
            changed(count, "deliveries dropped", "waits or is dead", *json)
        }
        OutboxCommand::Replay {
            config,
            destination,
            period,
            json,
        } => replay(config, destination, period, *json),
    }
}

impl From<&WhichArgs> for Which {
    fn from(args: &WhichArgs) -> Self {
        Which {
            ids: args.numbers.clone(),
            destination: args.destination.clone(),
            state: args.state.map(State::from),
        }
    }
}

/// What is to be changed has to be said: nothing said would be everything.
fn chosen(args: &WhichArgs) -> Result<Which, Failure> {
    let which = Which::from(args);
    if which == Which::default() {
        return Err(Failure::usage(
            "name deliveries: numbers as outbox list shows them, --destination NAME or --state STATE",
        ));
    }
    Ok(which)
}

/// What `retry`, `drop` and `replay` print with `--json`.
#[derive(Serialize)]
struct Changed {
    deliveries: usize,
}

fn changed(count: usize, how: &str, none: &str, json: bool) -> Result<(), Failure> {
    match count {
        0 => Err(Failure::new(
            Code::NotFound,
            format!("nothing changed: no delivery named here {none}"),
        )),
        count => {
            print::line(format_args!("{count} {how}"));
            in_json(count, json)
        }
    }
}

fn in_json(deliveries: usize, json: bool) -> Result<(), Failure> {
    if json {
        print::json(&Changed { deliveries })
    } else {
        Ok(())
    }
}

fn list(config: &ConfigArg, which: &Which, json: bool) -> Result<(), Failure> {
    let store = context::guest(&context::config(&config.config)?)?;
    let all = store.read(|conn| deliveries::list(conn, which))?;
    let damaged = all.iter().filter(|one| one.is_none()).count();
    for one in all.iter().flatten() {
        if json {
            print::json(one)?
        } else {
            print::lines(Line(one))
        }
    }
    if !json {
        sum(all.iter().flatten());
    }
    match damaged {
        0 => Ok(()),
        some => Err(Failure::new(
            Code::Incomplete,
            format!("{some} deliveries cannot be read; verify tells which"),
        )),
    }
}

fn sum<'a>(all: impl Iterator<Item = &'a Delivery> + Clone) {
    let counts = State::ALL.map(|state| {
        let count = all.clone().filter(|one| one.state == state).count();
        format!("{} {count}", state.word())
    });
    print::line(counts.join(", "));
}

fn replay(
    config: &ConfigArg,
    destination: &str,
    period: &PeriodArgs,
    json: bool,
) -> Result<(), Failure> {
    period.check()?;
    let PeriodArgs { from, to } = *period;
    let config = context::config(&config.config)?;
    let all = config.destinations();
    let named = all.iter().find(|(one, _)| one.name == destination);
    let Some((named, _)) = named else {
        let known = context::destinations(&config);
        let known = if known.is_empty() {
            "it names none".to_owned()
        } else {
            format!("it names {}", known.join(", "))
        };
        return Err(Failure::usage(format!(
            "the configuration has no [[destination]] named {destination:?}; {known}"
        )));
    };
    let store = context::guest(&config)?;
    let (name, way) = (destination.to_owned(), named.way.clone());
    let (results, entered) = store.write(move |tx| {
        let now = Utc::now();
        let mut counts = (0, 0);
        if way.takes_results() {
            counts.0 = deliveries::replay(tx, &name, from, to, now)?;
        }
        if way.takes_entered() {
            counts.1 = deliveries::replay_entered(tx, &name, from, to, now)?;
        }
        Ok(counts)
    })?;
    if results + entered == 0 {
        return Err(Failure::new(
            Code::NotFound,
            format!("no published result was made from {from} to {to} (UTC)"),
        ));
    }
    if results > 0 {
        print::line(format_args!(
            "{results} results will be delivered to {destination}"
        ));
    }
    if entered > 0 {
        print::line(format_args!(
            "{entered} deliveries of typed reports will be made to {destination}"
        ));
    }
    in_json(results + entered, json)
}

/// A delivery for a person: one line, and a second one where it failed.
struct Line<'a>(&'a Delivery);

impl fmt::Display for Line<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let one = self.0;
        write!(
            f,
            "{} {} {} since {}: {} v{}",
            one.id,
            one.destination,
            one.state.word(),
            short(one.since),
            one.exam_id,
            one.version
        )?;
        if let Some(what) = one.what.beside() {
            write!(f, ", {what}")?;
        }
        if one.state == State::Waiting {
            match one.due_at {
                Some(at) => write!(f, ", next attempt {}", short(at))?,
                None if one.attempts > 0 => f.write_str(", next attempt when it is reached")?,
                None => {}
            }
        }
        let (Some(failed), Some(at)) = (&one.failed, one.failed_at) else {
            return Ok(());
        };
        // A receiver's words may be any text; here they stay on their line.
        let words = legible::line(&failed.words);
        write!(
            f,
            "\n    failed {} at {} ({}, attempt {}): {words}",
            short(at),
            failed.stage,
            failed.code,
            one.attempts
        )
    }
}

fn short(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Secs, true)
}
