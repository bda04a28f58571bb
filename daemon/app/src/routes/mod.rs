//! Where results go and where the history comes from: what the configuration says of destinations and
//! archives, and when each is tried.

pub mod archive;
pub mod destination;
pub mod hours;
pub mod retry;
