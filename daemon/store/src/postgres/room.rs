//! The one thread on which all connections to servers live, and how others wait for them.

use std::future::Future;
use std::io;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;
use tokio::runtime::{Builder, Handle, Runtime};

/// Made with the first connection, and there until the process ends.
static ROOM: Mutex<Option<Runtime>> = Mutex::new(None);

/// A handle to that thread.
///
/// # Errors
/// The system gives no thread.
pub(super) fn handle() -> io::Result<Handle> {
    // What it holds is whole whatever its last holder was doing.
    let mut room = ROOM.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(runtime) = &*room {
        return Ok(runtime.handle().clone());
    }
    let runtime = Builder::new_multi_thread()
        .worker_threads(1)
        .thread_name("store-server")
        .enable_all()
        .build()?;
    let handle = runtime.handle().clone();
    *room = Some(runtime);
    Ok(handle)
}

/// Waits for an answer on the thread of the caller, which may be one of another runtime; `None` after so
/// long without one.
pub(super) fn wait<T>(
    room: &Handle,
    limit: Duration,
    answer: impl Future<Output = T>,
) -> Option<T> {
    let _inside = room.enter();
    pollster::block_on(tokio::time::timeout(limit, answer)).ok()
}
