//! How often somebody may try a password: a bound for each address, and for each name that is no account.
//! Accounts count their own in the store.

use chrono::{DateTime, TimeDelta, Utc};
use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Refused passwords in a row after which an account is not looked at for [`LOCKED`].
pub(super) const OF_ACCOUNT: u32 = 10;

/// Refused passwords of one address within [`LOCKED`]. A ward behind one address may mistype; a list of
/// passwords is longer.
const OF_ADDRESS: u32 = 30;

/// For how long nothing more is looked at.
pub(super) const LOCKED: TimeDelta = TimeDelta::minutes(15);

/// Addresses and names that are remembered; beyond that the oldest are forgotten.
const KEPT: usize = 10_000;

/// Who tries.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Who {
    /// An address. Of IPv6 the network of a subscriber: whoever has one address of it has them all.
    Address(IpAddr),
    /// A name that is no account; it locks as an account does, so that nobody can tell them apart.
    Name(String),
}

impl Who {
    /// An address as it is counted.
    #[must_use]
    pub fn at(address: IpAddr) -> Who {
        match address {
            IpAddr::V6(v6) if !v6.is_loopback() => {
                let [a, b, c, d, ..] = v6.segments();
                Who::Address([a, b, c, d, 0, 0, 0, 0].into())
            }
            other => Who::Address(other),
        }
    }

    fn most(&self) -> u32 {
        match self {
            Who::Address(_) => OF_ADDRESS,
            Who::Name(_) => OF_ACCOUNT,
        }
    }
}

#[derive(Debug, Clone, Copy)]
struct Tally {
    refused: u32,
    until: DateTime<Utc>,
}

/// What was refused lately.
#[derive(Debug, Default)]
pub struct Attempts(Mutex<HashMap<Who, Tally>>);

impl Attempts {
    /// Until when nothing of this one is looked at.
    #[must_use]
    pub fn locked_until(&self, who: &Who, now: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let all = self.all();
        let tally = all.get(who)?;
        (tally.until > now && tally.refused >= who.most()).then_some(tally.until)
    }

    /// Counts a refused one.
    pub fn refused(&self, who: Who, now: DateTime<Utc>) {
        let mut all = self.all();
        if all.len() >= KEPT && !all.contains_key(&who) {
            all.retain(|_, tally| tally.until > now);
            // Still full: those that end first.
            if all.len() >= KEPT {
                let mut ends: Vec<DateTime<Utc>> = all.values().map(|tally| tally.until).collect();
                ends.sort_unstable();
                let half = ends.get(ends.len() / 2).copied().unwrap_or(now);
                all.retain(|_, tally| tally.until > half);
            }
        }
        let fresh = Tally {
            refused: 0,
            until: now + LOCKED,
        };
        let most = who.most();
        let tally = all.entry(who).or_insert(fresh);
        if tally.until <= now {
            *tally = fresh;
        }
        tally.refused = tally.refused.saturating_add(1);
        if tally.refused == most {
            tally.until = now + LOCKED;
        }
    }

    fn all(&self) -> MutexGuard<'_, HashMap<Who, Tally>> {
        // Each is counted in one step.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_address_is_bounded_and_no_other_is() {
        let attempts = Attempts::default();
        let now = DateTime::UNIX_EPOCH;
        let bad = Who::at("192.0.2.7".parse().expect("an address"));
        let good = Who::at("192.0.2.8".parse().expect("an address"));
        for _ in 0..1000 {
            attempts.refused(bad.clone(), now);
        }
        assert_eq!(attempts.locked_until(&bad, now), Some(now + LOCKED));
        assert_eq!(attempts.locked_until(&good, now), None);
        assert_eq!(attempts.locked_until(&bad, now + LOCKED), None);
    }

    #[test]
    fn a_subscriber_of_ipv6_is_one_and_memory_is_bounded() {
        let attempts = Attempts::default();
        let now = DateTime::UNIX_EPOCH;
        for n in 0..OF_ADDRESS {
            let address = format!("2001:db8:1:2::{n:x}").parse().expect("an address");
            attempts.refused(Who::at(address), now);
        }
        let one = Who::at("2001:db8:1:2:ffff::1".parse().expect("an address"));
        assert!(attempts.locked_until(&one, now).is_some());
        for n in 0..3 * KEPT {
            attempts.refused(Who::Name(n.to_string()), now + TimeDelta::seconds(1));
        }
        assert!(attempts.all().len() <= KEPT);
    }
}
