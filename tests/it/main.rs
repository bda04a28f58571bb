//! Integration tests, one binary.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::print_stdout,
    reason = "the helpers of a test may end it, as the test itself may"
)]

mod charsets;
mod commands;
mod crash;
mod demo;
mod documents;
mod folder;
mod harness;
mod objects;
mod pictures;
mod pressure;
mod receive;
mod store;
mod templates;
mod tidy;
mod versions;
