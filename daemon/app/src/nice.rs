//! Which threads go first.

/// A sender waits for its answer, a result can wait: receiving goes first. On Linux a thread has a
/// niceness of its own, and hands it on to those it starts.
pub(crate) fn give_way() {
    #[cfg(target_os = "linux")]
    if let Err(error) = rustix::process::nice(10) {
        tracing::debug!(code = "not-nice", %error);
    }
}
