//! Objects from the network and from the drop folder.
//!
//! Nothing is understood here, only kept: an object is in the store, synced, before anyone is told
//! that it arrived. What is spoken over a connection is in [`sheathline_net`].

mod association;
mod connection;
pub mod folder;
pub mod hl7;
pub mod listener;
pub(crate) mod negotiate;
#[cfg(any(test, fuzzing))]
pub mod rehearse;
pub mod served;
mod shared;
mod storing;
pub mod tls;
pub mod web;

pub use folder::DropFolder;
pub use hl7::Hl7;
pub use listener::{Listener, Live};
pub use web::Web;

use sheathline_net::serve::doors::ListenError;

/// Receiving could not start.
#[derive(Debug, thiserror::Error)]
pub enum ReceiveError {
    /// The address cannot be listened on.
    #[error(transparent)]
    Listen(#[from] ListenError),
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
