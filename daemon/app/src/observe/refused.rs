//! Refusals, told once a peer, reason and minute with their number.
//!
//! The first one is told at once. Further ones within a minute are counted, and told together when it
//! ends: a stranger who is refused thousands of times a second must not fill the disk of the log and
//! of the audit trail. The metrics count every one.

mod tally;

pub use tally::{Key, Peer, Sum};

use super::Observed;
use super::audit::Event;
use chrono::{SecondsFormat, Utc};
use sheathline_net::dicom::refusal::Refusal;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;
use tally::Tally;

/// Why somebody is refused: the code of the log line, and words.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reason {
    /// Stable code.
    pub code: &'static str,
    /// In words.
    pub why: &'static str,
    /// Whether the audit trail is told: somebody tried who may not.
    pub audited: bool,
    /// Whether it is a failure of the log: no such one is what peers do every day.
    pub is_failure: bool,
}

impl Reason {
    /// A reason that the audit trail is told of.
    #[must_use]
    pub const fn new(code: &'static str, why: &'static str) -> Self {
        Reason {
            code,
            why,
            audited: true,
            is_failure: true,
        }
    }

    /// A reason for the log that is no failure: it is told, and counted by whoever refuses.
    #[must_use]
    pub const fn of_every_day(code: &'static str, why: &'static str) -> Self {
        Reason {
            is_failure: false,
            ..Reason::of_content(code, why)
        }
    }

    /// A reason for the log alone: what came could not be taken.
    #[must_use]
    pub const fn of_content(code: &'static str, why: &'static str) -> Self {
        Reason {
            audited: false,
            ..Reason::new(code, why)
        }
    }

    /// A reason of the one table of why peers are refused.
    #[must_use]
    pub fn of(refusal: Refusal) -> Self {
        Reason::new(refusal.code(), refusal.why())
    }
}

/// One refusal. Texts of a stranger are escaped already.
#[derive(Debug, Clone, Copy)]
pub struct Refused<'a> {
    /// Why.
    pub reason: Reason,
    /// Whose.
    pub peer: IpAddr,
    /// Its calling AE title, as far as it said one.
    pub calling: &'a str,
    /// The AE title it called.
    pub called: &'a str,
    /// What it was answered.
    pub answer: &'a str,
    /// What tells refusals of one reason apart that are told apart; few of a peer.
    pub detail: &'a str,
    /// Whether another detail is another reason.
    pub apart: bool,
}

impl Refused<'_> {
    /// Of a peer of which nothing but the address is known.
    #[must_use]
    pub fn at(reason: Reason, peer: IpAddr) -> Self {
        Refused {
            reason,
            peer,
            calling: "",
            called: "",
            answer: "closed",
            detail: "",
            apart: false,
        }
    }
}

/// Why a service does not serve a connection, in its own codes.
#[derive(Debug)]
pub struct TurnedAway {
    /// The address may not connect.
    pub address: Reason,
    /// There are too many.
    pub connections: Reason,
    /// Another takes its place.
    pub displaced: Reason,
}

/// What is counted and not told yet; clones share it.
#[derive(Debug, Clone, Default)]
pub struct Refusing(Arc<Mutex<Tally>>);

impl Refusing {
    fn tally(&self) -> MutexGuard<'_, Tally> {
        // Each refusal is counted in one step.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Observed {
    /// Tells of a refusal, at once or with others of its minute.
    pub fn refused(&self, refused: &Refused<'_>) {
        let Reason {
            code,
            why,
            audited,
            is_failure,
        } = refused.reason;
        if !self
            .refusing
            .tally()
            .note(refused, Instant::now(), Utc::now())
        {
            if is_failure {
                self.metrics.failed(code);
            }
            return;
        }
        let Refused {
            peer,
            calling,
            called,
            answer,
            detail,
            ..
        } = *refused;
        if audited {
            self.note(|| Event::Refused {
                peer: peer.to_string(),
                address: Some(peer),
                calling: calling.to_owned(),
                code,
                why: why.to_owned(),
                repeats: 0,
            });
        }
        if is_failure {
            tracing::warn!(code, %peer, calling, called, answer, detail, "{why}");
        } else {
            tracing::info!(code, %peer, calling, called, answer, detail, "{why}");
        }
    }

    /// Tells of a connection that a service does not serve, or no more.
    pub fn turned_away(&self, own: &TurnedAway, peer: IpAddr, why: Refusal, detail: &str) {
        let reason = match why {
            Refusal::Address => own.address,
            Refusal::Connections => own.connections,
            // Of the handshakes, where there is more to say.
            Refusal::Displaced if detail.is_empty() => own.displaced,
            other => Reason::of(other),
        };
        self.refused(&Refused {
            detail,
            ..Refused::at(reason, peer)
        });
    }

    /// Tells of the refusals whose minute has ended. For whoever looks every second or so.
    pub fn tell_refused(&self) {
        let ended = self.refusing.tally().ended(Instant::now());
        self.tell_sums(ended);
    }

    /// Tells of all refusals that were counted and not told: nothing comes after.
    pub fn tell_all_refused(&self) {
        let all = self.refusing.tally().all();
        self.tell_sums(all);
    }

    fn tell_sums(&self, sums: Vec<Sum>) {
        for sum in sums {
            let Reason {
                code,
                why,
                audited,
                is_failure,
            } = sum.reason;
            let Sum { peer, repeats, .. } = &sum;
            let time = |at: chrono::DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::Secs, true);
            let (since, until) = (time(sum.since), time(sum.until));
            if audited {
                self.note(|| Event::Refused {
                    peer: peer.to_string(),
                    address: sum.address,
                    calling: sum.calling.clone(),
                    code,
                    why: format!("{why}; {repeats} more from {since} to {until}"),
                    repeats: *repeats,
                });
            }
            // A line with `repeats` is not counted: each of them was when it came.
            if is_failure {
                tracing::warn!(code, %peer, repeats, since, until, "{why}");
            } else {
                tracing::info!(code, %peer, repeats, since, until, "{why}");
            }
        }
    }
}

#[cfg(test)]
mod tests;
