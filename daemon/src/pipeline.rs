//! Stored objects through all stages.
