//! The daemon: what comes in and goes out, when, and what is told of it.
//!
//! Data flows one way: receive, queue, extract, normalise, assess, publish. What is understood of an
//! object, and what it means, is in [`sheathline_model`]; what survives a crash in
//! [`sheathline_store`]; connections are in [`sheathline_net`].

pub mod acts;
pub mod backfill;
pub mod cli;
mod commitment;
pub mod config;
mod conformance;
mod decoding;
pub mod deliver;
mod department;
pub mod duties;
pub mod entering;
mod export;
mod forwarding;
pub mod health;
mod intake;
pub mod known;
pub mod lines;
pub mod manual;
mod nice;
pub mod observe;
mod outbox;
pub mod pages;
pub mod parcel;
pub mod pipeline;
pub mod receive;
pub mod routes;
mod standing;
mod trial;
