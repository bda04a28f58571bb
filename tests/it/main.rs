//! Integration tests, one binary.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::print_stdout,
    reason = "the helpers of a test may end it, as the test itself may"
)]

mod browser;
mod by_sender;
mod charsets;
mod citations;
mod commands;
mod deliver;
mod demo;
mod department;
mod documents;
mod drafts;
mod entering;
mod entries;
mod folder;
mod forms;
mod harness;
mod house;
mod identity;
// It measures in /proc.
#[cfg(target_os = "linux")]
mod hostile;
mod json;
mod keep;
mod large;
mod manual;
mod objects;
mod observe;
mod operate;
mod pages;
mod pictures;
mod presentations;
mod pressure;
mod published;
mod receive;
mod scanners;
mod server;
mod sessions;
mod situations;
mod stop;
mod store;
mod templates;
mod tidy;
mod typed;
mod versions;
