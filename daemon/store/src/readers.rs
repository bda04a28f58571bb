//! The connections by which a store is read: kept for the next who reads, and bounded where each of them
//! costs a server something.

use crate::StoreError;
use crate::view::View;
use std::fmt;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Connections to a file that are kept open; more are made for as long as they are needed.
const KEPT: usize = 4;

/// How long somebody waits for a connection while all are in use.
const WAIT_LIMIT: Duration = Duration::from_secs(30);

/// The connections of one store.
pub(crate) struct Readers {
    connect: Box<dyn Fn() -> Result<View, StoreError> + Send + Sync>,
    /// Kept while nobody uses them.
    kept: usize,
    /// In use and kept together; `None`: as many as are asked for.
    most: Option<usize>,
    there: Mutex<There>,
    freed: Condvar,
}

/// Those that there are.
#[derive(Default)]
struct There {
    idle: Vec<View>,
    in_use: usize,
}

impl Readers {
    /// As many as are asked for at a time, of which a few are kept.
    pub(crate) fn kept(
        connect: impl Fn() -> Result<View, StoreError> + Send + Sync + 'static,
    ) -> Readers {
        Readers {
            connect: Box::new(connect),
            kept: KEPT,
            most: None,
            there: Mutex::default(),
            freed: Condvar::new(),
        }
    }

    /// Never more than `most`, all of them kept.
    pub(crate) fn at_most(
        most: usize,
        connect: impl Fn() -> Result<View, StoreError> + Send + Sync + 'static,
    ) -> Readers {
        Readers {
            kept: most,
            most: Some(most),
            ..Readers::kept(connect)
        }
    }

    /// One of them, for the caller alone.
    ///
    /// # Errors
    /// No connection can be made, or all stay in use.
    pub(crate) fn take(&self) -> Result<Reader<'_>, StoreError> {
        let until = Instant::now() + WAIT_LIMIT;
        let mut there = self.there();
        while there.idle.is_empty() && self.most.is_some_and(|most| there.in_use >= most) {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Err(StoreError::Busy);
            }
            let waited = self.freed.wait_timeout(there, left);
            there = waited.unwrap_or_else(PoisonError::into_inner).0;
        }
        there.in_use += 1;
        let idle = there.idle.pop();
        drop(there);
        // From here on it is counted until it is dropped.
        let mut reader = Reader {
            of: self,
            view: None,
        };
        reader.view = Some(match idle {
            Some(view) => view,
            None => (self.connect)()?,
        });
        Ok(reader)
    }

    /// Closes those that nobody uses.
    pub(crate) fn close(&self) {
        self.there().idle.clear();
    }

    fn there(&self) -> MutexGuard<'_, There> {
        // A list and a number are whole whatever their last holder was doing.
        self.there.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl fmt::Debug for Readers {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Readers")
    }
}

/// A connection in use. Dropped, it is closed.
pub(crate) struct Reader<'r> {
    of: &'r Readers,
    view: Option<View>,
}

impl Reader<'_> {
    /// What is read by.
    pub(crate) fn view(&self) -> Result<&View, StoreError> {
        self.view.as_ref().ok_or(StoreError::Closed)
    }

    /// Gives it back to be used again.
    pub(crate) fn give_back(mut self) {
        if let Some(view) = self.view.take() {
            let mut there = self.of.there();
            if there.idle.len() < self.of.kept {
                there.idle.push(view);
            }
        }
    }
}

impl Drop for Reader<'_> {
    fn drop(&mut self) {
        self.of.there().in_use -= 1;
        self.of.freed.notify_one();
    }
}
