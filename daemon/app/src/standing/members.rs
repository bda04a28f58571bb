//! The daemons that share the store, for people: who they are, and how the work is divided among them.

use super::Need;
use crate::config::Config;
use crate::health::needs::Needed;
use chrono::{DateTime, TimeDelta, Utc};
use serde::Serialize;
use sheathline_store::members::{self, BUCKETS, Duty, Member};
use sheathline_store::{Place, Store, StoreError};
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

/// Longer than a takeover lasts: what nobody holds for longer is left lying.
const LEFT_LYING: Duration = Duration::from_secs(60);

/// After so long all members have their shares.
const DIVIDED_AFTER: TimeDelta = TimeDelta::seconds(120);

/// Letters of an id that are shown.
const ID_SHOWN: usize = 8;

/// The daemons that share the store.
#[derive(Debug, Serialize)]
pub(crate) struct Members {
    members: Vec<MemberRow>,
    /// What nobody holds for more than a minute.
    unheld: Vec<String>,
}

#[derive(Debug, Serialize)]
struct MemberRow {
    #[serde(flatten)]
    member: Member,
    /// Buckets of patients that it holds.
    buckets: usize,
    /// What else it does.
    duties: Vec<String>,
    /// By which rules it works.
    rules: Option<String>,
}

/// Who shares the store; `None`: it is a file, which nobody shares.
///
/// # Errors
/// The store cannot be read.
pub(crate) fn of(config: &Config, store: &Store) -> Result<Option<Members>, StoreError> {
    if matches!(store.place(), Place::File(_)) {
        return Ok(None);
    }
    let (all, rules, mut shares, unheld) = store.read(|view| {
        Ok((
            members::all(view)?,
            members::rules(view)?,
            members::shares(view)?,
            members::unheld(view, LEFT_LYING)?,
        ))
    })?;
    let mut rules: BTreeMap<String, String> = rules
        .into_iter()
        .map(|(member, rules)| (member.id, rules))
        .collect();
    let rows = all.into_iter().map(|member| {
        let held = shares.remove(&Some(member.id.clone())).unwrap_or_default();
        let (buckets, duties): (Vec<Duty>, Vec<Duty>) = held.into_iter().partition(Duty::is_bucket);
        MemberRow {
            buckets: buckets.len(),
            duties: duties.iter().map(Duty::to_string).collect(),
            rules: rules.remove(&member.id),
            member,
        }
    });
    // What the configuration names no longer is left lying with good reason.
    let destinations = config.destinations().into_iter();
    let named: BTreeSet<String> = destinations.map(|(one, _)| one.name).collect();
    let is_known = |duty: &&Duty| match duty {
        Duty::Destination(name) => named.contains(name),
        Duty::Archive(_) => false,
        _ => true,
    };
    let unheld = unheld.iter().filter(is_known).map(Duty::to_string);
    Ok(Some(Members {
        members: rows.collect(),
        unheld: unheld.collect(),
    }))
}

impl Members {
    /// What does not pass by itself. Where no daemon runs at all, that is told elsewhere.
    pub(super) fn needs(&self, now: DateTime<Utc>) -> Vec<Need> {
        let mut needs = Vec::new();
        let hosts = || {
            let names = self.members.iter().map(|one| one.member.name.as_str());
            names.collect::<Vec<_>>().join(", ")
        };
        let rules: BTreeSet<&String> = self
            .members
            .iter()
            .filter_map(|one| one.rules.as_ref())
            .collect();
        if rules.len() > 1 {
            needs.push(Need::of(
                Needed::RulesDiffer,
                format!(
                    "the daemons on {} work by different versions, parameters or dictionaries",
                    hosts()
                ),
            ));
        }
        if let (Some(first), false) = (self.unheld.first(), self.members.is_empty()) {
            needs.push(Need::of(
                Needed::DutyUnheld,
                format!(
                    "{} parts of the work are nobody's for more than a minute, the first of them: {first}",
                    self.unheld.len()
                ),
            ));
        }
        let share = usize::from(BUCKETS) / self.members.len().max(1);
        let is_divided = |one: &MemberRow| now - one.member.joined_at >= DIVIDED_AFTER;
        let behind = self.members.iter().find(|one| one.buckets * 2 < share);
        if let Some(behind) = behind.filter(|_| self.members.iter().all(is_divided)) {
            needs.push(Need::of(
                Needed::SharesUneven,
                format!(
                    "the daemon on {} has {} of {BUCKETS} buckets of patients, and its share is {share}",
                    behind.member.name, behind.buckets
                ),
            ));
        }
        needs
    }

    /// Lines for a person, each with its heading.
    pub(crate) fn lines(&self) -> Vec<(String, String)> {
        let mut lines = vec![("members".to_owned(), self.members.len().to_string())];
        for one in &self.members {
            let id: String = one.member.id.chars().take(ID_SHOWN).collect();
            let left = match one.member.left_ms {
                left if left > 0 => format!("{} s left", left / 1000),
                _ => "its time is over".to_owned(),
            };
            let duties = match one.duties.as_slice() {
                [] => String::new(),
                duties => format!("; {}", duties.join(", ")),
            };
            lines.push((
                format!("  {}", one.member.name),
                format!(
                    "{id}, since {}, {left}; {} of {BUCKETS} buckets{duties}",
                    super::time(Some(one.member.joined_at)),
                    one.buckets
                ),
            ));
        }
        lines
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(name: &str, buckets: usize, rules: &str, now: DateTime<Utc>) -> MemberRow {
        MemberRow {
            member: Member {
                id: format!("{name}0123456789"),
                epoch: 1,
                name: name.to_owned(),
                joined_at: now - TimeDelta::seconds(500),
                left_ms: 12_000,
            },
            buckets,
            duties: vec!["outbox".to_owned()],
            rules: Some(rules.to_owned()),
        }
    }

    fn codes(members: Vec<MemberRow>, unheld: &[&str], now: DateTime<Utc>) -> Vec<&'static str> {
        let unheld = unheld.iter().map(|one| (*one).to_owned()).collect();
        let needs = Members { members, unheld }.needs(now);
        needs.iter().map(|need| need.code).collect()
    }

    #[test]
    fn somebody_is_needed_where_members_differ_or_leave_something_lying() {
        let now = Utc::now();
        let two = |buckets, rules| vec![row("a", 128, "r", now), row("b", buckets, rules, now)];
        assert!(codes(two(128, "r"), &[], now).is_empty());
        assert!(codes(two(64, "r"), &[], now).is_empty());
        assert_eq!(codes(two(63, "r"), &[], now), ["shares-uneven"]);
        let early = now - TimeDelta::seconds(400);
        assert!(codes(two(63, "r"), &[], early).is_empty());
        assert_eq!(codes(two(128, "s"), &[], now), ["rules-differ"]);
        assert_eq!(codes(two(128, "r"), &["trail"], now), ["duty-unheld"]);
        assert!(codes(Vec::new(), &["trail"], now).is_empty());
        let members = Members {
            members: two(128, "r"),
            unheld: Vec::new(),
        };
        let (name, line) = members.lines().swap_remove(1);
        assert_eq!(name, "  a");
        assert!(
            line.contains("12 s left; 128 of 256 buckets; outbox"),
            "{line}"
        );
    }
}
