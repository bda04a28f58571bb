//! What a running daemon is told from outside, and when it looks by itself.

use crate::cli::Failure;
use crate::intake::Reception;
use crate::observe::Observed;
use std::time::{Duration, Instant};
use tokio::runtime::Runtime;
use tokio::signal::unix::{Signal, SignalKind, signal};

/// Between two looks at the store while nobody tells anything.
const LOOK: Duration = Duration::from_secs(1);

/// Between two looks at files for TLS that do not serve.
const LOOK_AT_FILES: Duration = Duration::from_secs(5);

/// What a signal, or the time, asks for.
pub(super) enum Order {
    Stop(&'static str),
    Reload,
    LookAtFiles,
}

/// The signals that ask for something, caught from the moment this is made.
pub(super) struct Signals {
    terminate: Signal,
    interrupt: Signal,
    hang_up: Signal,
    looked_at_files: Instant,
}

impl Signals {
    pub(super) fn catch(runtime: &Runtime) -> Result<Self, Failure> {
        let _inside = runtime.enter();
        Ok(Signals {
            terminate: signal(SignalKind::terminate())?,
            interrupt: signal(SignalKind::interrupt())?,
            hang_up: signal(SignalKind::hangup())?,
            looked_at_files: Instant::now(),
        })
    }

    /// Waits for a signal, or for a store that takes nothing more.
    pub(super) async fn until_ordered(
        &mut self,
        reception: &Reception,
        observed: &Observed,
    ) -> Order {
        loop {
            tokio::select! {
                biased;
                _ = self.terminate.recv() => return Order::Stop("told to stop"),
                _ = self.interrupt.recv() => return Order::Stop("interrupted"),
                _ = self.hang_up.recv() => return Order::Reload,
                () = tokio::time::sleep(LOOK) => {
                    observed.tell_refused();
                    if reception.store().doubt().is_some() {
                        return Order::Stop("the store is in doubt");
                    }
                    if reception.forwarded().is_some_and(|spool| spool.doubt().is_some()) {
                        return Order::Stop("the spool is in doubt");
                    }
                    if self.looked_at_files.elapsed() >= LOOK_AT_FILES {
                        self.looked_at_files = Instant::now();
                        return Order::LookAtFiles;
                    }
                }
            }
        }
    }
}
