//! Turns at reading objects: one takes far more memory than its bytes, above all a deflated one, so in
//! the whole process one large and one small object are read at a time, however many came at once.
//!
//! Whoever waits stands behind at most a few of each other party: those of one party wait for each other first.

use dicom_dictionary_std::uids;
use sheathline_model::sr;
use sheathline_net::shares::Party;
use std::collections::BTreeMap;
use std::sync::{Arc, LazyLock, Mutex, PoisonError, Weak};
use std::task::{Context, Poll, Wake, Waker};
use std::thread::{self, Thread};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// What is no longer than this, and not deflated, is read at once: some milliseconds and megabytes.
pub(crate) const ALWAYS_BYTES: usize = 256 << 10;

/// A deflated object from here on may grow beyond 8 MiB, which any may.
const LARGE_DEFLATED_BYTES: usize = 80 << 10;

/// Any other object from here on is a large one.
const LARGE_BYTES: usize = 1 << 20;

/// How many of one party stand among those of all.
const OF_PARTY: usize = 2;

/// What reading an object takes, as far as its bytes tell before they are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Effort {
    /// So little that nobody has to wait for it.
    None,
    /// At most some 8 MiB of data set.
    Small,
    /// As much as the limits allow.
    Large,
}

impl Effort {
    /// Of a data set in `syntax`, or of a file if that is `None`.
    pub(crate) fn of(bytes: &[u8], syntax: Option<&str>) -> Effort {
        let deflated = uids::DEFLATED_EXPLICIT_VR_LITTLE_ENDIAN;
        let is_deflated = match syntax {
            Some(syntax) => syntax == deflated,
            None => sr::media(bytes).is_ok_and(|media| media.syntax == deflated),
        };
        match (is_deflated, bytes.len()) {
            (true, LARGE_DEFLATED_BYTES..) | (false, LARGE_BYTES..) => Effort::Large,
            (false, ..=ALWAYS_BYTES) => Effort::None,
            _ => Effort::Small,
        }
    }

    fn lane(self) -> Option<&'static Lane> {
        match self {
            Effort::None => None,
            Effort::Small => Some(&SMALL),
            Effort::Large => Some(&LARGE),
        }
    }
}

/// Objects that are read one after the other.
#[derive(Debug)]
struct Lane {
    all: Arc<Semaphore>,
    parties: Mutex<BTreeMap<Option<Party>, Weak<Semaphore>>>,
}

static SMALL: LazyLock<Lane> = LazyLock::new(Lane::new);
static LARGE: LazyLock<Lane> = LazyLock::new(Lane::new);

/// It is this object's turn until this is dropped.
#[derive(Debug, Default)]
pub(crate) struct Turn {
    _one_of_all: Option<OwnedSemaphorePermit>,
    _one_of_the_party: Option<OwnedSemaphorePermit>,
}

impl Lane {
    fn new() -> Self {
        Lane {
            all: Arc::new(Semaphore::new(1)),
            parties: Mutex::default(),
        }
    }

    fn of(&self, party: Option<Party>) -> Arc<Semaphore> {
        let mut parties = self.parties.lock().unwrap_or_else(PoisonError::into_inner);
        // Whoever waits holds it.
        parties.retain(|_, own| own.strong_count() > 0);
        let known = parties.get(&party).and_then(Weak::upgrade);
        known.unwrap_or_else(|| {
            let own = Arc::new(Semaphore::new(OF_PARTY));
            parties.insert(party, Arc::downgrade(&own));
            own
        })
    }
}

/// Waits for the turn of an object of this party, or of our own.
pub(crate) async fn turn(party: Option<Party>, effort: Effort) -> Turn {
    let Some(lane) = effort.lane() else {
        return Turn::default();
    };
    // Neither is ever closed.
    let of_party = lane.of(party).acquire_owned().await.ok();
    Turn {
        _one_of_all: Arc::clone(&lane.all).acquire_owned().await.ok(),
        _one_of_the_party: of_party,
    }
}

/// The same for a thread that has nothing else to do.
pub(crate) fn own_turn(effort: Effort) -> Turn {
    struct Unpark(Thread);
    impl Wake for Unpark {
        fn wake(self: Arc<Self>) {
            self.0.unpark();
        }
    }
    let waker = Waker::from(Arc::new(Unpark(thread::current())));
    let mut turn = std::pin::pin!(turn(None, effort));
    loop {
        if let Poll::Ready(turn) = turn.as_mut().poll(&mut Context::from_waker(&waker)) {
            return turn;
        }
        thread::park();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::net::IpAddr;
    use std::sync::atomic::{AtomicUsize, Ordering};
    use std::time::Duration;

    #[test]
    fn what_an_object_takes_is_told_by_its_length_and_syntax() {
        let of = |length, syntax| Effort::of(&vec![0; length], Some(syntax));
        let (deflated, explicit) = ("1.2.840.10008.1.2.1.99", "1.2.840.10008.1.2.1");
        assert_eq!(of(100, explicit), Effort::None);
        assert_eq!(of(300 << 10, explicit), Effort::Small);
        assert_eq!(of(2 << 20, explicit), Effort::Large);
        assert_eq!(of(100, deflated), Effort::Small);
        assert_eq!(of(100 << 10, deflated), Effort::Large);
        // No file at all.
        assert_eq!(Effort::of(&[0; 100], None), Effort::None);
    }

    /// A hundred objects of one party at once: one is read at a time, and one of another party, and one of
    /// our own threads, stand behind two of them.
    #[tokio::test(flavor = "multi_thread")]
    async fn one_at_a_time_and_in_fair_order() {
        static LANE_USE: AtomicUsize = AtomicUsize::new(0);
        static DONE: AtomicUsize = AtomicUsize::new(0);
        let party = |last| Some(Party::of(IpAddr::from([192, 0, 2, last])));
        let mut crowd = tokio::task::JoinSet::new();
        for _ in 0..100 {
            crowd.spawn(async move {
                let turn = turn(party(1), Effort::Large).await;
                assert_eq!(LANE_USE.fetch_add(1, Ordering::SeqCst), 0, "two at once");
                tokio::time::sleep(Duration::from_millis(2)).await;
                LANE_USE.fetch_sub(1, Ordering::SeqCst);
                DONE.fetch_add(1, Ordering::SeqCst);
                drop(turn);
            });
        }
        while DONE.load(Ordering::SeqCst) == 0 {
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
        let before = DONE.load(Ordering::SeqCst);
        drop(turn(party(2), Effort::Large).await);
        let own = tokio::task::spawn_blocking(|| drop(own_turn(Effort::Large)));
        own.await.expect("no panic");
        let waited = DONE.load(Ordering::SeqCst) - before;
        assert!(waited < 20, "behind {waited}");
        while let Some(ended) = crowd.join_next().await {
            ended.expect("one at a time");
        }
        assert!(LARGE.of(None).available_permits() == OF_PARTY);
    }
}
