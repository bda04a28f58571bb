//! What systemd is told, where it started us: readiness, signs of life, a reload, the end
//! (sd_notify(3)). Without it every call here does nothing.

use crate::health::Health;
use sd_notify::NotifyState;
use std::sync::Arc;
use std::time::Duration;

/// Between two looks where no signs of life are asked for, only a status.
const UNASKED: Duration = Duration::from_secs(10);

/// Everything stands: listeners are bound, the store is open, the pipeline works.
pub(super) fn ready(health: &Health) {
    tell(&[NotifyState::Ready, NotifyState::Status(&health.line())]);
}

/// A reload begins; [`ready`] ends it.
pub(super) fn reloading() {
    match NotifyState::monotonic_usec_now() {
        Ok(now) => tell(&[NotifyState::Reloading, now]),
        Err(_) => tell(&[NotifyState::Reloading]),
    }
}

/// The end begins.
pub(super) fn stopping() {
    tell(&[NotifyState::Stopping]);
}

/// Gives signs of life for as long as a new start would not help. They come from the runtime that
/// serves the peers, after a question to the store: where either hangs they stay away.
pub(super) async fn watch(health: Arc<Health>) {
    if std::env::var_os("NOTIFY_SOCKET").is_none() {
        return;
    }
    // Three chances, so that one late sign kills nobody.
    let every = sd_notify::watchdog_enabled().map_or(UNASKED, |limit| limit / 3);
    let mut told = String::new();
    loop {
        let asked = Arc::clone(&health);
        let state = tokio::task::spawn_blocking(move || (asked.is_dead(), asked.line())).await;
        let Ok((dead, status)) = state else { return };
        if !dead {
            tell(&[NotifyState::Watchdog]);
        }
        if status != told {
            tell(&[NotifyState::Status(&status)]);
            told = status;
        }
        tokio::time::sleep(every).await;
    }
}

fn tell(states: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(states) {
        tracing::warn!(code = "supervisor-not-told", %error);
    }
}
