//! What `status` says of deliveries, from the store and the configuration alone: a daemon that cannot
//! be asked leaves in the store since when a destination is not reached.

use super::Need;
use crate::config::Config;
use crate::health::needs::Needed;
use chrono::{DateTime, TimeDelta, Utc};
use serde::Serialize;
use sheathline_store::deliveries::{self, Backlog};
use sheathline_store::trouble::{self, Trouble};
use sheathline_store::{Store, StoreError};
use std::collections::BTreeMap;

/// A destination that is not reached for longer needs somebody: a new start of the other side, or of
/// the network between, takes minutes.
const DOWN_LONG: TimeDelta = TimeDelta::hours(1);

/// How deliveries to one destination stand.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub(crate) struct Deliveries {
    pub(crate) destination: String,
    /// Whether the configuration names it.
    pub(crate) configured: bool,
    pub(crate) waiting: u64,
    pub(crate) oldest_waiting: Option<DateTime<Utc>>,
    pub(crate) dead: u64,
    /// How many of those that wait are of typed reports.
    pub(crate) waiting_entered: u64,
    /// How many of the dead ones are.
    pub(crate) dead_entered: u64,
    /// Since when it is not reached.
    pub(crate) down_since: Option<DateTime<Utc>>,
    /// How far the first attempt came that did not reach it, and the code of its failure.
    pub(crate) failure: Option<String>,
}

/// Every destination that the configuration names or that something waits for, by name.
pub(crate) fn of(config: &Config, store: &Store) -> Result<Vec<Deliveries>, StoreError> {
    let look = |conn: &_| -> Result<_, StoreError> {
        Ok((deliveries::backlog(conn)?, trouble::all(conn)?))
    };
    let (backlog, troubles) = store.read(look)?;
    let names = config.destinations().into_iter();
    let names = names.map(|(destination, _)| destination.name).collect();
    Ok(gathered(names, backlog, troubles))
}

fn gathered(names: Vec<String>, backlog: Vec<Backlog>, troubles: Vec<Trouble>) -> Vec<Deliveries> {
    let named = |destination: String, configured| Deliveries {
        destination,
        configured,
        ..Deliveries::default()
    };
    let mut all: BTreeMap<String, Deliveries> = names
        .into_iter()
        .map(|name| (name.clone(), named(name, true)))
        .collect();
    for Backlog {
        destination,
        waiting,
        oldest,
        dead,
        waiting_entered,
        dead_entered,
    } in backlog
    {
        let one = all
            .entry(destination.clone())
            .or_insert_with(|| named(destination, false));
        one.waiting = waiting;
        one.oldest_waiting = oldest;
        one.dead = dead;
        one.waiting_entered = waiting_entered;
        one.dead_entered = dead_entered;
    }
    for Trouble { of, since, what } in troubles {
        let name = of.strip_prefix(trouble::DESTINATION);
        // Nobody tries one that is named no more.
        if let Some(one) = name.and_then(|name| all.get_mut(name))
            && one.configured
        {
            one.down_since = Some(since);
            one.failure = Some(what);
        }
    }
    all.into_values().collect()
}

impl Deliveries {
    /// What a person has to do about them.
    pub(crate) fn needs(&self, now: DateTime<Utc>) -> Vec<Need> {
        let name = &self.destination;
        let mut needs = Vec::new();
        if self.dead > 0 {
            let dead = self.dead;
            needs.push(Need::of(
                Needed::DeliveriesDead,
                format!(
                    "{dead} deliveries to {name} are dead: `outbox list --state dead` says why, \
                     `outbox retry` or `outbox drop` ends it"
                ),
            ));
        }
        if !self.configured && self.waiting > 0 {
            let waiting = self.waiting;
            needs.push(Need::of(
                Needed::DestinationUnknown,
                format!(
                    "{waiting} deliveries wait for {name}, which the configuration does not name: \
                     name it, or `outbox drop`"
                ),
            ));
        }
        if let Some(since) = self.down_since
            && self.waiting > 0
            && now.signed_duration_since(since) >= DOWN_LONG
        {
            let failure = self.failure.as_deref().unwrap_or("unknown");
            needs.push(Need::of(
                Needed::DestinationDown,
                format!(
                    "{name} is not reached since {} ({failure}); `echo {name}` says what to do",
                    super::time(Some(since))
                ),
            ));
        }
        needs
    }

    /// For a person.
    pub(crate) fn line(&self) -> String {
        let mut line = format!("waiting {}", self.waiting);
        let of_entered = |count: u64| match count {
            0 => String::new(),
            count => format!(" ({count} of typed reports)"),
        };
        line.push_str(&of_entered(self.waiting_entered));
        if self.oldest_waiting.is_some() {
            line.push_str(&format!(", since {}", super::time(self.oldest_waiting)));
        }
        line.push_str(&format!(", dead {}", self.dead));
        line.push_str(&of_entered(self.dead_entered));
        if let Some(since) = self.down_since {
            let failure = self.failure.as_deref().unwrap_or("unknown");
            let since = super::time(Some(since));
            line.push_str(&format!(", DOWN since {since} ({failure})"));
        }
        if !self.configured {
            line.push_str(", not in the configuration");
        }
        line
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn who_needs_somebody() {
        let now = DateTime::from_timestamp(1_700_000_000, 0).expect("a time");
        let backlog = |destination: &str, waiting, dead| Backlog {
            destination: destination.to_owned(),
            waiting,
            oldest: Some(now - TimeDelta::hours(3)),
            dead,
            waiting_entered: waiting / 2,
            dead_entered: dead,
        };
        let down = |name: &str, minutes| Trouble {
            of: format!("{}{name}", trouble::DESTINATION),
            since: now - TimeDelta::minutes(minutes),
            what: "connect: connect-refused".to_owned(),
        };
        let names = ["away", "dead", "idle", "restarted", "well"];
        let found = gathered(
            names.map(str::to_owned).to_vec(),
            vec![
                backlog("away", 2, 0),
                backlog("dead", 0, 1),
                backlog("gone", 4, 0),
                backlog("restarted", 1, 0),
                backlog("well", 1, 0),
            ],
            vec![
                down("away", 60),
                // Nothing waits for it, so nobody is asked.
                down("idle", 600),
                down("restarted", 59),
                down("removed", 600),
            ],
        );
        let told: Vec<(&str, Vec<&str>)> = found
            .iter()
            .map(|one| {
                let codes = one.needs(now).iter().map(|need| need.code).collect();
                (one.destination.as_str(), codes)
            })
            .collect();
        assert_eq!(
            told,
            [
                ("away", vec!["destination-down"]),
                ("dead", vec!["deliveries-dead"]),
                ("gone", vec!["destination-unknown"]),
                ("idle", vec![]),
                ("restarted", vec![]),
                ("well", vec![]),
            ]
        );
        assert!(found[3].down_since.is_some(), "shown all the same");
        assert!(
            found[0].line().contains("DOWN since"),
            "{}",
            found[0].line()
        );
        let (away, dead) = (found[0].line(), found[1].line());
        assert!(
            away.starts_with("waiting 2 (1 of typed reports), since"),
            "{away}"
        );
        assert!(dead.ends_with("dead 1 (1 of typed reports)"), "{dead}");
    }
}
