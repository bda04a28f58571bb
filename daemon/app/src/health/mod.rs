//! Whether the daemon is ready, and what it tells of itself over HTTP.

pub mod endpoint;
pub mod reasons;

pub use reasons::Health;
