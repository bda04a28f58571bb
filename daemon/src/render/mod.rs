//! Results as bytes: no file names, no disk.
