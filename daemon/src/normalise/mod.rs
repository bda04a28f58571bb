//! Found values in millimetres, eyes and planes.

pub mod technique;

pub use technique::Technique;
