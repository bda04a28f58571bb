//! Integration tests, one binary.

mod folder;
mod receive;
mod store;
