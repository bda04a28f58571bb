//! A structured report from bytes: the trust boundary.
//!
//! [`gate`] passes or refuses the raw bytes, [`mod@read`] makes a [`Document`] of what passed: a [`header::Header`] and a [`tree::Tree`] of content items. Nothing here knows what a sheath is.

pub(crate) mod bounds;
mod charset;
pub mod code;
mod content;
mod data;
mod digest;
mod element;
mod fallback;
pub mod gate;
pub mod header;
pub mod image;
mod letters;
pub mod limits;
pub mod origin;
pub mod pixels;
pub mod presentation;
pub mod read;
pub mod time;
pub mod tree;

#[cfg(any(test, feature = "tests"))]
pub mod sample;

pub use code::Code;
pub use element::is_uid;
pub use fallback::FallbackCharset;
pub use gate::{Media, media};
pub use header::{DayOnly, Header, Identity};
pub use limits::Limits;
pub use origin::{Origin, origin};
pub use read::attributes;
pub use read::{Document, ReadError, read, read_assuming, without_pixels};
pub use time::{is_day_only, moment_from_dt};
pub use tree::{ContentItem, ItemId, Tree, Value};
