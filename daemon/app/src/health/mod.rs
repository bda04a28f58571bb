//! Whether the daemon is ready, and what it tells of itself over HTTP.

pub mod causes;
pub mod endpoint;
pub mod needs;
pub mod ports;
pub mod reasons;

pub use reasons::Health;
