//! What one member should take or let go, so that all have about as much to do.
//!
//! Each member works that out for itself from the same rows; nobody is told what to do. The shares add
//! up to the whole, so whatever one lets go another may take.

use super::duty::{BUCKETS, Duty, Held};
use std::collections::{BTreeMap, BTreeSet};

/// For how many milliseconds a duty waits for a member that has less to do, before anybody takes it.
const FREE_MS: i64 = 10_000;

/// After how many milliseconds a duty that nobody can do any more is forgotten.
const FORGOTTEN_MS: i64 = 3_600_000;

/// What a member sees.
pub(super) struct Scene<'s> {
    pub(super) me: &'s str,
    /// Ids of all members that are alive.
    pub(super) live: &'s BTreeSet<&'s str>,
    pub(super) duties: &'s BTreeMap<Duty, Held>,
    /// Duties, buckets apart, that this member could do.
    pub(super) single: &'s BTreeSet<Duty>,
    /// Those that it keeps, though it has more than its share.
    pub(super) kept: &'s BTreeSet<Duty>,
    pub(super) now: i64,
}

/// What it should do.
#[derive(Debug, Default, PartialEq, Eq)]
pub(super) struct Plan {
    pub(super) claim: BTreeSet<Duty>,
    /// To be claimed beyond its share.
    pub(super) stepped_in: BTreeSet<Duty>,
    pub(super) release: BTreeSet<Duty>,
    /// To be noted as free, for a member that has less to do.
    pub(super) offer: BTreeSet<Duty>,
    /// To be forgotten.
    pub(super) forget: BTreeSet<Duty>,
    /// Whether its share is what it should be, once this is done.
    pub(super) is_fair: bool,
}

impl Scene<'_> {
    pub(super) fn plan(&self) -> Plan {
        let mut plan = Plan::default();
        let has_buckets = self.buckets(&mut plan);
        let has_single = self.single(&mut plan);
        plan.is_fair = has_buckets && has_single;
        plan
    }

    fn is_mine(&self, duty: &Duty) -> bool {
        let held = self.duties.get(duty);
        held.is_some_and(|held| held.member.as_deref() == Some(self.me))
    }

    fn is_free(&self, duty: &Duty) -> bool {
        self.duties
            .get(duty)
            .is_none_or(|held| held.member.is_none())
    }

    /// Whether the share of buckets is whole.
    fn buckets(&self, plan: &mut Plan) -> bool {
        let members = self.live.len().max(1);
        let rank = self.live.iter().position(|id| *id == self.me).unwrap_or(0);
        let all = usize::from(BUCKETS);
        // The first ones have what is left over, one each.
        let share = all / members + usize::from(rank < all % members);
        let buckets = || (0..=u8::MAX).map(Duty::Bucket);
        let mine: Vec<Duty> = buckets().filter(|one| self.is_mine(one)).collect();
        plan.release.extend(mine.iter().skip(share).cloned());
        let lacking = share.saturating_sub(mine.len());
        let before = plan.claim.len();
        let free = buckets().filter(|one| self.is_free(one));
        plan.claim.extend(free.take(lacking));
        plan.claim.len() - before == lacking
    }

    /// Whether nothing that this member could do is free.
    fn single(&self, plan: &mut Plan) -> bool {
        let share = self.single.len().div_ceil(self.live.len().max(1));
        let held = self.duties.keys().filter(|one| !one.is_bucket());
        let (wanted, unwanted): (Vec<&Duty>, Vec<&Duty>) = held
            .filter(|one| self.is_mine(one))
            .partition(|one| self.single.contains(*one));
        // The configuration names it no longer.
        plan.release.extend(unwanted.into_iter().cloned());
        let mut has = wanted.len();
        // First what everybody can do.
        for one in wanted {
            if has > share && !self.kept.contains(one) {
                plan.release.insert(one.clone());
                has -= 1;
            }
        }
        let mut is_whole = true;
        for one in self.single.iter().filter(|one| self.is_free(one)) {
            let since = self.duties.get(one).map(|held| held.since);
            if has < share {
                plan.claim.insert(one.clone());
                has += 1;
            } else if since.is_some_and(|since| self.now.saturating_sub(since) >= FREE_MS) {
                plan.stepped_in.insert(one.clone());
            } else {
                is_whole = false;
                if since.is_none() {
                    plan.offer.insert(one.clone());
                }
            }
        }
        for (one, held) in self.duties {
            let is_old = self.now.saturating_sub(held.since) >= FORGOTTEN_MS;
            let is_ours = one.is_bucket() || self.single.contains(one);
            if held.member.is_none() && is_old && !is_ours {
                plan.forget.insert(one.clone());
            }
        }
        is_whole
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Members that look one after the other, each knowing some single duties.
    struct World {
        live: BTreeMap<&'static str, (BTreeSet<Duty>, BTreeSet<Duty>)>,
        duties: BTreeMap<Duty, Held>,
        now: i64,
    }

    impl World {
        fn new() -> World {
            World {
                live: BTreeMap::new(),
                duties: BTreeMap::new(),
                now: 1_000_000,
            }
        }

        fn join(&mut self, id: &'static str, more: &[Duty]) {
            let known = Duty::SINGLE.iter().chain(more).cloned().collect();
            self.live.insert(id, (known, BTreeSet::new()));
        }

        fn look(&mut self, id: &'static str) -> Plan {
            let live: BTreeSet<&str> = self.live.keys().copied().collect();
            let (single, kept) = self.live.get_mut(id).expect("a member");
            let scene = Scene {
                me: id,
                live: &live,
                duties: &self.duties,
                single,
                kept,
                now: self.now,
            };
            let plan = scene.plan();
            kept.extend(plan.stepped_in.iter().cloned());
            let held = |member: Option<&str>| Held {
                member: member.map(str::to_owned),
                since: self.now,
            };
            for one in plan.release.iter().chain(&plan.offer) {
                self.duties.insert(one.clone(), held(None));
            }
            for one in plan.claim.iter().chain(&plan.stepped_in) {
                assert!(
                    self.duties
                        .get(one)
                        .is_none_or(|held| held.member.is_none())
                );
                self.duties.insert(one.clone(), held(Some(id)));
            }
            plan
        }

        fn go(&mut self, rounds: usize) {
            let ids: Vec<_> = self.live.keys().copied().collect();
            for _ in 0..rounds {
                self.now += 5000;
                for id in &ids {
                    self.look(id);
                }
            }
        }

        fn count(&self, id: &str, is_bucket: bool) -> usize {
            let of = |(duty, held): &(&Duty, &Held)| {
                duty.is_bucket() == is_bucket && held.member.as_deref() == Some(id)
            };
            self.duties.iter().filter(of).count()
        }
    }

    #[test]
    fn one_has_everything_and_those_who_come_later_their_share() {
        let mut world = World::new();
        world.join("a", &[]);
        world.go(1);
        assert_eq!((world.count("a", true), world.count("a", false)), (256, 5));
        world.join("b", &[]);
        world.join("c", &[]);
        world.go(2);
        let buckets: Vec<_> = ["a", "b", "c"].map(|id| world.count(id, true)).into();
        assert_eq!(buckets, [86, 85, 85]);
        let single: Vec<_> = ["a", "b", "c"].map(|id| world.count(id, false)).into();
        assert_eq!(single.iter().sum::<usize>(), 5);
        assert!(single.iter().all(|count| *count <= 2), "{single:?}");
        // Nothing moves any more.
        let before = world.duties.clone();
        for _ in 0..9 {
            world.now += 5000;
            for id in ["a", "b", "c"] {
                let plan = world.look(id);
                let still = Plan {
                    is_fair: true,
                    ..Plan::default()
                };
                assert_eq!(plan, still);
            }
        }
        assert!(world.duties == before);
    }

    #[test]
    fn more_members_than_buckets_is_no_ones_trouble() {
        let mut world = World::new();
        let ids: Vec<&'static str> = (0..300)
            .map(|n| &*Box::leak(format!("{n:03}").into_boxed_str()))
            .collect();
        for id in ids {
            world.join(id, &[]);
        }
        world.go(1);
        assert_eq!(world.duties.len(), 261);
    }

    /// A destination that one configuration alone names is not passed round for ever.
    #[test]
    fn what_only_one_can_do_is_done_by_that_one() {
        let mut world = World::new();
        let own: Vec<Duty> = (0..4).map(|n| Duty::Destination(n.to_string())).collect();
        world.join("a", &[]);
        world.join("b", &own);
        world.go(30);
        for one in &own {
            assert_eq!(world.duties[one].member.as_deref(), Some("b"), "{one}");
        }
        let before = world.duties.clone();
        world.go(9);
        assert!(world.duties == before, "nothing moves any more");
    }
}
