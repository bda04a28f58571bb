//! How often who was refused for what, within a minute. Pure, and of bounded size.

use super::{Reason, Refused};
use chrono::{DateTime, Utc};
use sheathline_net::shares::Party;
use std::collections::BTreeMap;
use std::fmt;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::net::{IpAddr, Ipv6Addr};
use std::time::{Duration, Instant};

/// Refusals within this time are told together.
const MINUTE: Duration = Duration::from_secs(60);

/// Peers and reasons told apart at one time: at worst two lines and two audit messages a minute each.
const APART_MAX: usize = 512;

/// Details of one peer and reason that are told apart.
const DETAILS_MAX: usize = 16;

/// Stands for the details beyond.
const FURTHER: u64 = u64::MAX;

/// Who was refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Peer {
    /// One IPv4 address.
    V4(IpAddr),
    /// The /64 network of an IPv6 address.
    V6(Ipv6Addr),
    /// More than are told apart.
    Others,
}

impl Peer {
    fn of(address: IpAddr) -> Self {
        match Party::of(address).address() {
            IpAddr::V6(prefix) => Peer::V6(prefix),
            address => Peer::V4(address),
        }
    }
}

impl fmt::Display for Peer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Peer::V4(address) => address.fmt(f),
            Peer::V6(prefix) => write!(f, "{prefix}/64"),
            Peer::Others => f.write_str("others"),
        }
    }
}

/// What is told together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Key {
    peer: Peer,
    code: &'static str,
    detail: u64,
}

#[derive(Debug)]
struct Counted {
    ends: Instant,
    reason: Reason,
    /// The address, while it is one alone.
    address: Option<IpAddr>,
    /// The calling AE title, while it is one alone.
    calling: String,
    /// Those that were not told at once.
    repeats: u64,
    since: DateTime<Utc>,
    until: DateTime<Utc>,
}

/// Refusals that were not told one by one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sum {
    /// Whose.
    pub peer: Peer,
    /// Its address, if they came from one alone.
    pub address: Option<IpAddr>,
    /// Its calling AE title, if they had one alone.
    pub calling: String,
    /// Why.
    pub reason: Reason,
    /// How many.
    pub repeats: u64,
    /// When the first of them came.
    pub since: DateTime<Utc>,
    /// When the last of them came.
    pub until: DateTime<Utc>,
}

/// The table.
#[derive(Debug, Default)]
pub(super) struct Tally(BTreeMap<Key, Counted>);

impl Tally {
    /// Counts a refusal. Returns whether it is the first of its kind, and to be told at once.
    pub(super) fn note(&mut self, one: &Refused<'_>, now: Instant, at: DateTime<Utc>) -> bool {
        let key = self.key(one);
        let is_apart = key.peer != Peer::Others;
        let is_new = !self.0.contains_key(&key);
        let counted = self.0.entry(key).or_insert_with(|| Counted {
            ends: now + MINUTE,
            reason: one.reason,
            address: Some(one.peer),
            calling: one.calling.to_owned(),
            repeats: 0,
            since: at,
            until: at,
        });
        if is_new && is_apart {
            return true;
        }
        if counted.repeats == 0 {
            counted.since = at;
        }
        counted.repeats += 1;
        counted.until = at;
        if counted.address != Some(one.peer) {
            counted.address = None;
        }
        if counted.calling != one.calling {
            counted.calling.clear();
        }
        false
    }

    fn key(&self, one: &Refused<'_>) -> Key {
        let code = one.reason.code;
        let key = |peer, detail| Key { peer, code, detail };
        let peer = Peer::of(one.peer);
        let mut own = key(peer, 0);
        if one.apart {
            let mut hash = DefaultHasher::new();
            one.detail.hash(&mut hash);
            own.detail = hash.finish();
            let of_it = self.0.range(key(peer, 0)..key(peer, FURTHER)).count();
            if of_it >= DETAILS_MAX && !self.0.contains_key(&own) {
                own.detail = FURTHER;
            }
        }
        if self.0.len() < APART_MAX || self.0.contains_key(&own) {
            own
        } else {
            key(Peer::Others, 0)
        }
    }

    /// Takes out those whose minute has ended.
    pub(super) fn ended(&mut self, now: Instant) -> Vec<Sum> {
        self.take(|counted| counted.ends <= now)
    }

    /// Takes out all.
    pub(super) fn all(&mut self) -> Vec<Sum> {
        self.take(|_| true)
    }

    fn take(&mut self, which: impl Fn(&Counted) -> bool) -> Vec<Sum> {
        let ended = self.0.extract_if(.., |_, counted| which(counted));
        let repeated = ended.filter(|(_, counted)| counted.repeats > 0);
        repeated
            .map(|(key, counted)| Sum {
                peer: key.peer,
                address: counted.address,
                calling: counted.calling,
                reason: counted.reason,
                repeats: counted.repeats,
                since: counted.since,
                until: counted.until,
            })
            .collect()
    }
}
