//! Integration tests, one binary.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::print_stdout,
    reason = "the helpers of a test may end it, as the test itself may"
)]

mod folder;
mod pictures;
mod receive;
mod store;
