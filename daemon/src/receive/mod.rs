//! Objects from the network and from the drop folder.
//!
//! Nothing is understood here, only kept: an object is in the store, synced, before anyone is told
//! that it arrived. [`dimse`], [`message`], [`multipart`], [`proxy`] and [`refusal`] are pure; the rest are sockets
//! and files.

pub mod dimse;
pub mod message;
pub mod multipart;
pub mod proxy;
pub mod refusal;

#[cfg(feature = "edges")]
mod accept;
#[cfg(feature = "edges")]
mod ae_title;
#[cfg(feature = "edges")]
mod association;
#[cfg(feature = "edges")]
pub mod conformance;
#[cfg(feature = "edges")]
mod connection;
#[cfg(feature = "edges")]
mod doors;
#[cfg(feature = "edges")]
pub mod folder;
#[cfg(feature = "edges")]
pub mod hl7;
#[cfg(feature = "edges")]
pub mod listener;
#[cfg(feature = "edges")]
pub(crate) mod negotiate;
#[cfg(feature = "edges")]
mod places;
#[cfg(all(feature = "edges", any(test, fuzzing)))]
pub mod rehearse;
#[cfg(feature = "edges")]
pub mod served;
#[cfg(feature = "edges")]
mod shared;
#[cfg(feature = "edges")]
mod storing;
#[cfg(feature = "edges")]
pub mod tls;
#[cfg(feature = "edges")]
pub mod web;
#[cfg(feature = "edges")]
mod wire;

#[cfg(feature = "edges")]
pub use folder::DropFolder;
#[cfg(feature = "edges")]
pub use hl7::Hl7;
#[cfg(feature = "edges")]
pub use listener::{Listener, Live};
#[cfg(feature = "edges")]
pub use web::Web;

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
    /// There is no address to listen on.
    #[error("[receive.dicom] is switched on and names no address to listen on")]
    Nowhere,
    /// The files of a TLS port that is open and good serve no more.
    #[error(transparent)]
    Tls(#[from] tls::TlsError),
    /// A folder cannot be used.
    #[error("{}: {source}", path.display())]
    Folder {
        /// The folder.
        path: std::path::PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
}
