//! Which daemons share the store, and what each of them has to do.
//!
//! A daemon is a *member*, as long as it shows itself: [`look`] says until when it is believed alive, by
//! the clock of the database. One whose time is over is put out by whichever other member looks next, and
//! its duties are free from then on. A membership is known by its number, the epoch, which no other
//! membership ever had; so a member that was put out and comes back to itself is told from the one that it
//! was, and changes nothing: see [`Store::join`](crate::Store::join).
//!
//! A store in a file has one owner, no member, and nobody to share with.

mod duty;
mod fair;

pub use duty::{BUCKETS, Duty, bucket_of, claim, holder, holds, release};
use fair::Scene;

use super::{StoreError, meta, stamp};
use crate::view::{PROGRAM, Tx, View};
use chrono::{DateTime, Utc};
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

/// How long a member is believed alive after it showed itself.
pub const LIVES: Duration = Duration::from_secs(20);

/// How often a member shows itself.
pub const SHOWN_EVERY: Duration = Duration::from_secs(5);

/// Name in `meta` of the last epoch given.
pub(crate) const EPOCHS: &str = "member_epochs";

/// One membership of a daemon.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Membership {
    /// Which daemon; each start of one has an id of its own.
    pub id: String,
    /// Number of the membership.
    pub epoch: i64,
}

/// Before the id of a member in `meta`: by which rules it works.
const RULES: &str = "member_rules:";

/// Letters of the id of a member by which it is shown.
const ID_SHOWN: usize = 8;

impl Membership {
    /// What the connection that changes the store calls itself, for whoever looks at the database.
    pub(crate) fn name_shown(&self) -> String {
        let plain = self.id.chars().filter(char::is_ascii_alphanumeric);
        let id: String = plain.take(ID_SHOWN).collect();
        format!("{PROGRAM} {id} {}", self.epoch)
    }
}

/// A member as others see it.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Member {
    /// Which daemon.
    pub id: String,
    /// Number of its membership.
    #[serde(skip)]
    pub epoch: i64,
    /// What people call it: its host.
    pub name: String,
    /// Since when, by the clock of its host.
    pub joined_at: DateTime<Utc>,
    /// For how many more milliseconds it is believed alive; not above 0: it may be put out.
    pub left_ms: i64,
}

/// Makes a daemon a member. An earlier membership under the same id is over with that.
///
/// # Errors
/// The store cannot be written.
pub fn join(tx: &Tx, id: &str, name: &str, at: DateTime<Utc>) -> Result<Membership, StoreError> {
    // What is changed until it is a member is of no membership.
    tx.sign(PROGRAM)?;
    let epoch = next_epoch(tx)?;
    duty::free_all(tx, id)?;
    tx.prepare(
        "insert into member (id, epoch, name, joined_at, until) values (?1, ?2, ?3, ?4, ?5)
         on conflict (id) do update set epoch = excluded.epoch, name = excluded.name,
             joined_at = excluded.joined_at, until = excluded.until",
    )
    .execute((id, epoch, name, stamp::text(at), until(tx)?))?;
    let membership = Membership {
        id: id.to_owned(),
        epoch,
    };
    tx.sign(&membership.name_shown())?;
    Ok(membership)
}

fn until(view: &View) -> Result<i64, StoreError> {
    let lives = i64::try_from(LIVES.as_millis()).unwrap_or(i64::MAX);
    Ok(view.now()?.saturating_add(lives))
}

fn next_epoch(tx: &Tx) -> Result<i64, StoreError> {
    let last = meta::get(tx, EPOCHS)?;
    let last: i64 = last.and_then(|last| last.parse().ok()).unwrap_or(0);
    let next = last.saturating_add(1);
    meta::set(tx, EPOCHS, &next.to_string())?;
    Ok(next)
}

/// Whether a membership stands: nobody has put it out, and it did not leave.
///
/// # Errors
/// The store cannot be read.
pub fn stands(view: &View, membership: &Membership) -> Result<bool, StoreError> {
    view.prepare("select 1 from member where id = ?1 and epoch = ?2")
        .exists((&membership.id, membership.epoch))
}

/// All members, by id.
///
/// # Errors
/// The store cannot be read.
pub fn all(view: &View) -> Result<Vec<Member>, StoreError> {
    let now = view.now()?;
    view.prepare("select id, epoch, name, joined_at, until from member order by id")
        .all((), |row| {
            Ok(Member {
                id: row.get(0)?,
                epoch: row.get(1)?,
                name: row.get(2)?,
                joined_at: stamp::time(&row.get::<String>(3)?)?,
                left_ms: row.get::<i64>(4)?.saturating_sub(now),
            })
        })
}

/// Ends a membership, and lets go of its duties.
///
/// # Errors
/// The store cannot be written.
pub fn leave(tx: &Tx, membership: &Membership) -> Result<(), StoreError> {
    if stands(tx, membership)? {
        tx.sign(PROGRAM)?;
        remove(tx, &membership.id)?;
    }
    Ok(())
}

fn remove(tx: &Tx, id: &str) -> Result<(), StoreError> {
    duty::free_all(tx, id)?;
    meta::clear(tx, &format!("{RULES}{id}"))?;
    tx.prepare("delete from member where id = ?1")
        .execute([id])?;
    Ok(())
}

/// Notes by which rules a member works: a short name of all that a result depends on beside what is stored.
///
/// # Errors
/// The store cannot be written.
pub fn note_rules(tx: &Tx, membership: &Membership, rules: &str) -> Result<(), StoreError> {
    let name = format!("{RULES}{}", membership.id);
    if meta::get(tx, &name)?.as_deref() == Some(rules) {
        return Ok(());
    }
    meta::set(tx, &name, rules)
}

/// Every member that said by which rules it works, with these.
///
/// # Errors
/// The store cannot be read.
pub fn rules(view: &View) -> Result<Vec<(Member, String)>, StoreError> {
    let mut found = Vec::new();
    for member in all(view)? {
        if let Some(rules) = meta::get(view, &format!("{RULES}{}", member.id))? {
            found.push((member, rules));
        }
    }
    Ok(found)
}

/// Puts out every member whose time is over by the clock of the database. Returns them.
///
/// # Errors
/// The store cannot be written.
pub fn put_out(tx: &Tx) -> Result<Vec<Member>, StoreError> {
    let mut over = all(tx)?;
    over.retain(|one| one.left_ms <= 0);
    for one in &over {
        // The row goes, and the next membership under this id has another epoch.
        remove(tx, &one.id)?;
    }
    Ok(over)
}

/// What a member found when it looked.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Found {
    /// Members that it put out.
    pub put_out: Vec<Member>,
    /// What it holds now.
    pub held: BTreeSet<Duty>,
    /// All members that are alive, this one too.
    pub members: usize,
    /// Whether it holds its fair share; else it looks again soon.
    pub is_fair: bool,
    /// Duties taken beyond its share because nobody else took them for a while: another daemon may not
    /// know them.
    pub stepped_in: BTreeSet<Duty>,
}

/// A member shows itself, puts out those whose time is over, and takes or lets go of duties, until it has
/// its fair share. `single` are the duties, buckets apart, that it could do; `kept` those of them that it
/// does not let go, though it has more than its share.
///
/// # Errors
/// [`StoreError::PutOut`]: the membership is over; or the store cannot be written.
pub fn look(
    tx: &Tx,
    membership: &Membership,
    single: &BTreeSet<Duty>,
    kept: &BTreeSet<Duty>,
) -> Result<Found, StoreError> {
    let shown = tx
        .prepare("update member set until = ?3 where id = ?1 and epoch = ?2")
        .execute((&membership.id, membership.epoch, until(tx)?))?;
    if shown == 0 {
        return Err(StoreError::PutOut);
    }
    let put_out = put_out(tx)?;
    let live = all(tx)?;
    let scene = Scene {
        me: &membership.id,
        live: &live.iter().map(|one| one.id.as_str()).collect(),
        duties: &duty::all(tx)?,
        single,
        kept,
        now: tx.now()?,
    };
    let plan = scene.plan();
    for duty in &plan.release {
        release(tx, membership, duty)?;
    }
    for duty in &plan.offer {
        duty::offer(tx, duty)?;
    }
    for duty in &plan.forget {
        duty::forget(tx, duty)?;
    }
    for duty in plan.claim.iter().chain(&plan.stepped_in) {
        claim(tx, membership, duty)?;
    }
    Ok(Found {
        put_out,
        held: duty::held_by(tx, &membership.id)?,
        members: live.len(),
        is_fair: plan.is_fair,
        stepped_in: plan.stepped_in,
    })
}

/// Who holds what, for whoever looks from outside: the duties of each member by its id; under `None` those
/// that nobody holds.
///
/// # Errors
/// The store cannot be read.
pub fn shares(view: &View) -> Result<BTreeMap<Option<String>, BTreeSet<Duty>>, StoreError> {
    let mut shares: BTreeMap<_, BTreeSet<Duty>> = BTreeMap::new();
    for (duty, place) in duty::all(view)? {
        shares.entry(place.member).or_default().insert(duty);
    }
    Ok(shares)
}

/// The duties that nobody has held for longer than this.
///
/// # Errors
/// The store cannot be read.
pub fn unheld(view: &View, longer_than: Duration) -> Result<BTreeSet<Duty>, StoreError> {
    let longest = i64::try_from(longer_than.as_millis()).unwrap_or(i64::MAX);
    let before = view.now()?.saturating_sub(longest);
    let free = |place: &duty::Held| place.member.is_none() && place.since < before;
    let all = duty::all(view)?.into_iter();
    Ok(all
        .filter(|(_, place)| free(place))
        .map(|(duty, _)| duty)
        .collect())
}

/// Lets the time of a member be over, as if it had stood still.
///
/// # Errors
/// The store cannot be written.
#[cfg(any(test, feature = "tests"))]
pub fn let_lapse(tx: &Tx, membership: &Membership) -> Result<(), StoreError> {
    tx.prepare("update member set until = 0 where id = ?1 and epoch = ?2")
        .execute((&membership.id, membership.epoch))?;
    Ok(())
}
