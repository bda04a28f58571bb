//! What whoever operates the service relies on: systemd's protocol, reload, status, layers of
//! configuration, messages.

mod checked;
mod issuers;
mod messages;
mod moves;
mod outbox;
mod ports;
pub(crate) mod reload;
mod senders;
mod status;
mod supervised;
