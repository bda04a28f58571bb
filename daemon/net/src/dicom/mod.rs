//! What is spoken over a DICOM association (PS3.7, PS3.8).

pub mod ae_title;
pub mod dimse;
pub mod message;
pub mod refusal;
pub mod request;
pub mod requestor;
pub mod wire;

/// PS3.7 A.2.1.
pub const APPLICATION_CONTEXT: &str = "1.2.840.10008.3.1.1.1";

/// The longest PDU we take, bytes after its header: the largest that common senders use. Also the
/// limit of the request itself, which with 128 contexts of four syntaxes each takes about 40 KiB.
pub const PDU_BYTES_MAX: u32 = 128 << 10;

/// Identifies this implementation to its peers (PS3.7 D.3.3.2): a UID made from a random UUID as
/// PS3.5 B.2 describes.
pub const IMPLEMENTATION_CLASS_UID: &str = "2.25.219706340509515733541990886707280262056";
/// The version beside it (PS3.7 D.3.3.2).
pub const IMPLEMENTATION_VERSION: &str = concat!("SHEATHLINE_", env!("CARGO_PKG_VERSION"));
