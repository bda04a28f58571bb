//! Results as bytes: no file names, no disk.

pub mod trend;
