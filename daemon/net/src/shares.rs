//! What all peers of a port share: its places, or the memory for what they send.
//!
//! Whoever is alone may have all of it. Where nothing is left, the party that has most gives something
//! up to one that has less, and of its own the one that was quiet for longest. So whoever holds no more
//! than an equal part keeps it, however many others there are (max-min fairness), and one archive that
//! sends everything is held up by nobody.

mod watched;

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, LazyLock, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::Semaphore;
pub use watched::Watched;

/// Who counts as one: an IPv4 address, or the /64 network of an IPv6 address, since one machine has all
/// addresses of its network (RFC 4291 2.5.4, RFC 7934). An IPv4 address in an IPv6 one counts as itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Party(IpAddr);

impl Party {
    /// Of an address: IPv4 as it is, IPv6 its /64.
    pub fn of(address: IpAddr) -> Self {
        Party(match address.to_canonical() {
            IpAddr::V6(address) => {
                let network = address.to_bits() & !u128::from(u64::MAX);
                IpAddr::V6(Ipv6Addr::from_bits(network))
            }
            address => address,
        })
    }

    /// The address, or the first one of the network.
    pub fn address(self) -> IpAddr {
        self.0
    }
}

/// How much there is to share, and how.
#[derive(Debug, Clone, Copy)]
pub struct Room {
    all: usize,
    /// So much is kept from holdings larger than `small`.
    reserve: usize,
    small: usize,
    /// What was quiet for so long may also go to another of the same party.
    quiet: Option<Duration>,
}

/// A connection that brought nothing for so long makes room for one that comes from the same address,
/// as all do behind a proxy that translates addresses.
const QUIET: Duration = Duration::from_secs(2);

/// KiB of an object that is small: a report has some ten.
const SMALL_KIB: usize = 1 << 10;

impl Room {
    /// So many connections.
    pub const fn places(all: usize) -> Self {
        Room {
            all,
            reserve: 0,
            small: usize::MAX,
            quiet: Some(QUIET),
        }
    }

    /// So many KiB of memory; an eighth is for small objects.
    pub const fn memory(kib: usize) -> Self {
        Room {
            all: kib,
            reserve: kib / 8,
            small: SMALL_KIB,
            quiet: None,
        }
    }
}

/// Who holds what.
#[derive(Debug, Clone, Default)]
pub struct Shares(Arc<Mutex<Ledger>>);

#[derive(Debug, Default)]
struct Ledger {
    taken: usize,
    of: BTreeMap<Party, usize>,
    entries: BTreeMap<u64, Entry>,
    next: u64,
}

#[derive(Debug)]
struct Entry {
    party: Party,
    amount: usize,
    /// It is needed to the end, which is near.
    pinned: bool,
    state: Arc<State>,
}

#[derive(Debug)]
struct State {
    /// Last sign of life, in milliseconds since [`START`].
    touched: AtomicU64,
    /// How much it is at that only we can end.
    busy: AtomicUsize,
    /// Closed once the share was taken back.
    back: Semaphore,
}

static START: LazyLock<Instant> = LazyLock::new(Instant::now);

fn now() -> u64 {
    u64::try_from(START.elapsed().as_millis()).unwrap_or(u64::MAX)
}

/// Shows that a share is in use.
#[derive(Debug, Clone)]
pub struct Pulse(Arc<State>);

impl Pulse {
    /// Something moved: the peer is not quiet.
    pub fn beat(&self) {
        self.0.touched.store(now(), Ordering::Relaxed);
    }

    /// Until the guard is dropped its peer waits for us: it is not quiet, and is given up last.
    pub fn busy(&self) -> Busy {
        self.0.busy.fetch_add(1, Ordering::Relaxed);
        Busy(self.clone())
    }
}

/// See [`Pulse::busy`].
#[derive(Debug)]
pub struct Busy(Pulse);

impl Drop for Busy {
    fn drop(&mut self) {
        self.0.0.busy.fetch_sub(1, Ordering::Relaxed);
        self.0.beat();
    }
}

/// What one connection or one object holds, until it is dropped.
#[derive(Debug)]
pub struct Share {
    number: u64,
    shares: Shares,
    state: Arc<State>,
}

impl Shares {
    /// Holds nothing yet.
    pub fn nothing(&self, party: Party) -> Share {
        let state = Arc::new(State {
            touched: AtomicU64::new(now()),
            busy: AtomicUsize::new(0),
            back: Semaphore::new(0),
        });
        let mut ledger = self.locked();
        let number = ledger.next;
        ledger.next += 1;
        let entry = Entry {
            party,
            amount: 0,
            pinned: false,
            state: Arc::clone(&state),
        };
        ledger.entries.insert(number, entry);
        Share {
            number,
            shares: self.clone(),
            state,
        }
    }

    /// One place, if there is one or one can be taken back.
    pub fn place(&self, party: Party, room: Room) -> Option<Share> {
        let share = self.nothing(party);
        share.hold(1, room).then_some(share)
    }

    /// The ledger is whole between any two operations, so a panic elsewhere leaves it usable.
    fn locked(&self) -> MutexGuard<'_, Ledger> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Share {
    /// Holds so much from now on. `false`: there is not enough, or this was taken back; then it holds
    /// what it held.
    pub fn hold(&self, amount: usize, room: Room) -> bool {
        let mut ledger = self.shares.locked();
        self.pulse().beat();
        !self.is_taken_back() && ledger.hold(self.number, amount, room)
    }

    /// It is of another party than it seemed.
    pub fn belongs_to(&self, party: Party) {
        let mut ledger = self.shares.locked();
        let held = ledger.set(self.number, 0);
        if let Some(entry) = ledger.entries.get_mut(&self.number) {
            entry.party = party;
        }
        ledger.set(self.number, held);
    }

    /// From now on it is not taken back: what it is for is about to end.
    pub fn pin(&self) {
        if let Some(entry) = self.shares.locked().entries.get_mut(&self.number) {
            entry.pinned = true;
        }
    }

    /// How lively its holder is.
    pub fn pulse(&self) -> Pulse {
        Pulse(Arc::clone(&self.state))
    }

    /// Whether others have it now.
    pub fn is_taken_back(&self) -> bool {
        self.state.back.is_closed()
    }

    /// Returns once others have it.
    pub async fn taken_back(&self) {
        // There is never a permit: it ends when it is closed.
        drop(self.state.back.acquire().await);
    }
}

impl Drop for Share {
    fn drop(&mut self) {
        let mut ledger = self.shares.locked();
        ledger.set(self.number, 0);
        ledger.entries.remove(&self.number);
    }
}

impl Ledger {
    fn held_by(&self, party: Party) -> usize {
        self.of.get(&party).copied().unwrap_or_default()
    }

    /// Writes down what an entry holds; returns what it held.
    fn set(&mut self, number: u64, amount: usize) -> usize {
        let Some(entry) = self.entries.get_mut(&number) else {
            return 0;
        };
        let (party, before) = (entry.party, std::mem::replace(&mut entry.amount, amount));
        self.taken = self.taken - before + amount;
        let held = self.held_by(party) - before + amount;
        // Forgotten at nought, or the table would grow with every address that ever came.
        match held {
            0 => self.of.remove(&party),
            held => self.of.insert(party, held),
        };
        before
    }

    fn hold(&mut self, number: u64, amount: usize, room: Room) -> bool {
        let Some(entry) = self.entries.get(&number) else {
            return false;
        };
        let (party, more) = (entry.party, amount.saturating_sub(entry.amount));
        let limit = if amount > room.small {
            room.all - room.reserve
        } else {
            room.all
        };
        let spare = limit.saturating_sub(self.taken);
        if more > spare {
            let Some(victims) = self.victims(number, party, more, more - spare, room) else {
                return false;
            };
            for victim in victims {
                self.set(victim, 0);
                if let Some(entry) = self.entries.get(&victim) {
                    entry.state.back.close();
                }
            }
        }
        self.set(number, amount);
        true
    }

    /// Whose shares to take back so that `party` can have `more`, of which `missing` is not there;
    /// `None` if nobody has enough more than they would then have.
    fn victims(
        &self,
        number: u64,
        party: Party,
        more: usize,
        mut missing: usize,
        room: Room,
    ) -> Option<Vec<u64>> {
        let then = self.held_by(party) + more;
        let mut held = self.of.clone();
        let mut victims = Vec::new();
        let can_go = |(other, entry): &(&u64, &Entry), victims: &[u64]| {
            entry.amount > 0 && !entry.pinned && **other != number && !victims.contains(other)
        };
        let touched = |(_, entry): &(&u64, &Entry)| entry.state.touched.load(Ordering::Relaxed);
        let is_busy = |(_, entry): &(&u64, &Entry)| entry.state.busy.load(Ordering::Relaxed) > 0;
        let quiet = now().saturating_sub(room.quiet.map_or(u64::MAX, |quiet| {
            quiet.as_millis().try_into().unwrap_or(u64::MAX)
        }));
        while missing > 0 {
            // The party that has most, of those with anything that can go.
            let of_others = self.entries.iter().filter(|one| {
                let has_more = held.get(&one.1.party).is_some_and(|held| *held > then);
                one.1.party != party && has_more && can_go(one, &victims)
            });
            let most = of_others.min_by_key(|one| {
                let held = held.get(&one.1.party).copied().unwrap_or_default();
                (std::cmp::Reverse(held), is_busy(one), touched(one))
            });
            let of_own = || {
                let mut own = self.entries.iter().filter(|one| {
                    let is_quiet = room.quiet.is_some() && touched(one) < quiet && !is_busy(one);
                    one.1.party == party && is_quiet && can_go(one, &victims)
                });
                let first = own.next()?;
                Some(own.fold(first, |a, b| if touched(&b) < touched(&a) { b } else { a }))
            };
            let (victim, entry) = most.or_else(of_own)?;
            missing = missing.saturating_sub(entry.amount);
            if let Some(held) = held.get_mut(&entry.party) {
                *held -= entry.amount;
            }
            victims.push(*victim);
        }
        Some(victims)
    }
}

#[cfg(test)]
mod tests;
