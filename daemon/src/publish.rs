//! Finished results to the outbox folder.
