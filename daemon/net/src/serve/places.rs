//! Counts what each peer has open, so that none takes more than its share.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Places taken, by who has them.
#[derive(Debug)]
pub struct Places<K: Ord>(Arc<Mutex<BTreeMap<K, usize>>>);

impl<K: Ord> Clone for Places<K> {
    fn clone(&self) -> Self {
        Places(Arc::clone(&self.0))
    }
}

impl<K: Ord> Default for Places<K> {
    fn default() -> Self {
        Places(Arc::default())
    }
}

impl<K: Ord + Clone> Places<K> {
    /// A place for `who`, unless they have `limit` already.
    pub fn take(&self, who: K, limit: usize) -> Option<Place<K>> {
        let mut taken = locked(&self.0);
        let count = taken.get(&who).copied().unwrap_or_default();
        if count >= limit {
            return None;
        }
        taken.insert(who.clone(), count + 1);
        Some(Place {
            who,
            places: Arc::clone(&self.0),
        })
    }
}

/// A place taken, until it is dropped.
#[derive(Debug)]
pub struct Place<K: Ord> {
    who: K,
    places: Arc<Mutex<BTreeMap<K, usize>>>,
}

impl<K: Ord> Drop for Place<K> {
    fn drop(&mut self) {
        let mut taken = locked(&self.places);
        match taken.get_mut(&self.who) {
            Some(count) if *count > 1 => *count -= 1,
            // Forgotten, or the table would grow with every address that ever came.
            _ => {
                taken.remove(&self.who);
            }
        }
    }
}

/// The counts are whole between any two operations, so a panic elsewhere leaves them usable.
fn locked<K>(places: &Mutex<BTreeMap<K, usize>>) -> MutexGuard<'_, BTreeMap<K, usize>> {
    places.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_has_its_own_limit_and_nothing_stays_behind() {
        let places = Places::default();
        let first = places.take("a", 2).expect("free");
        let second = places.take("a", 2).expect("free");
        assert!(places.take("a", 2).is_none());
        let other = places.take("b", 1).expect("another peer");
        drop(first);
        let third = places.take("a", 2).expect("free again");
        assert!(places.take("a", 2).is_none());
        drop((second, third, other));
        assert!(locked(&places.0).is_empty());
        assert!(places.take("c", 0).is_none());
        assert!(locked(&places.0).is_empty());
    }
}
