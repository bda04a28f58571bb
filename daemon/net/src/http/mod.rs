//! HTTP as a client, and bodies of several parts.

pub mod client;
pub mod multipart;
