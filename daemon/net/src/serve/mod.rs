//! One listener for every service: its ports, who may connect, how many at once, TLS, an end to each
//! connection, and all of it changed while it runs.

pub mod accept;
mod balancer;
mod connection;
mod doors;
mod end;
pub mod places;
pub mod proxy;
mod service;
pub mod tls;

pub use doors::ListenError;
pub use end::End;
pub use service::{Happened, Live, Now, Peer, Ports, Prepared, ServeError, Served, Service};

#[cfg(test)]
mod tests;
