//! HTTP as a client and as a server, and bodies of several parts.

pub mod client;
pub mod multipart;
pub mod server;
