//! Connections, given and taken: what is spoken over them, and the room that each peer gets.
//!
//! Nothing here knows of the store or of results.

pub mod codes;
pub mod connect;
pub mod dicom;
pub mod hl7;
pub mod http;
pub mod mllp;
pub mod serve;
pub mod shares;
