//! Objects from the network and from the drop folder.
//!
//! Nothing is understood here, only kept: an object is in the store, synced, before anyone is told
//! that it arrived. [`dimse`] and [`message`] are pure; the rest are sockets and files.

pub mod dimse;
pub mod message;

#[cfg(feature = "edges")]
mod ae_title;
#[cfg(feature = "edges")]
mod association;
#[cfg(feature = "edges")]
pub mod folder;
#[cfg(feature = "edges")]
pub mod listener;
#[cfg(feature = "edges")]
mod negotiate;
#[cfg(all(feature = "edges", any(test, fuzzing)))]
pub mod rehearse;
#[cfg(feature = "edges")]
mod wire;

#[cfg(feature = "edges")]
pub use folder::DropFolder;
#[cfg(feature = "edges")]
pub use listener::Listener;

/// Receiving could not start.
#[cfg(feature = "edges")]
#[derive(Debug, thiserror::Error)]
pub enum ReceiveError {
    /// The address cannot be listened on.
    #[error("cannot listen on {address}: {source}")]
    Listen {
        /// The address.
        address: std::net::SocketAddr,
        /// What the system says.
        source: std::io::Error,
    },
    /// A folder cannot be used.
    #[error("{}: {source}", path.display())]
    Folder {
        /// The folder.
        path: std::path::PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
}
