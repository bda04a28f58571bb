//! The configuration file: what it says and what it means.
