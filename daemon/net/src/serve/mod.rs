//! Ports: who may connect, how many at once, and an end to each connection.

pub mod accept;
pub mod doors;
pub mod places;
pub mod proxy;
