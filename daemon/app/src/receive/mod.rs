//! Objects from the network and from the drop folder.
//!
//! Nothing is understood here, only kept: an object is in the store, synced, before anyone is told
//! that it arrived. What is spoken over a connection is in [`sheathline_net`].

mod association;
mod committing;
mod dicom;
mod dropping;
pub mod folder;
pub mod hl7;
pub(crate) mod negotiate;
pub(crate) mod other_classes;
#[cfg(any(test, fuzzing))]
pub mod rehearse;
mod shared;
mod storing;
pub mod web;

pub use dicom::Dicom;
pub use folder::DropFolder;
pub use hl7::Hl7;
pub use web::Web;

/// Receiving could not start.
#[derive(Debug, thiserror::Error)]
pub enum ReceiveError {
    /// A folder cannot be used.
    #[error("{}: {source}", path.display())]
    Folder {
        /// The folder.
        path: std::path::PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
}
