//! Where what is received goes first.

use sheathline_store::Store;
use sheathline_store::spool::Spool;

/// Where what is received goes first: that is when it is acknowledged.
#[derive(Debug, Clone)]
pub enum Reception {
    /// Into the store.
    Store(Store),
    /// Into the spool of this machine; from there it is forwarded to the store.
    Spool {
        /// The spool.
        spool: Spool,
        /// The store, for what has to be there with its answer.
        store: Store,
    },
    /// Into the store, while a spool of before is still being emptied into it.
    Emptying {
        /// The spool, which takes nothing new.
        spool: Spool,
        /// The store.
        store: Store,
    },
}

impl Reception {
    /// The store, where everything ends.
    pub(crate) fn store(&self) -> &Store {
        match self {
            Reception::Store(store)
            | Reception::Spool { store, .. }
            | Reception::Emptying { store, .. } => store,
        }
    }

    /// The spool, if what is received goes there first.
    pub(crate) fn spool(&self) -> Option<&Spool> {
        match self {
            Reception::Store(_) | Reception::Emptying { .. } => None,
            Reception::Spool { spool, .. } => Some(spool),
        }
    }

    /// The spool that is forwarded, whether it takes anything new or not.
    pub(crate) fn forwarded(&self) -> Option<&Spool> {
        match self {
            Reception::Store(_) => None,
            Reception::Spool { spool, .. } | Reception::Emptying { spool, .. } => Some(spool),
        }
    }
}

impl From<Store> for Reception {
    fn from(store: Store) -> Reception {
        Reception::Store(store)
    }
}
