//! What survives a crash.
