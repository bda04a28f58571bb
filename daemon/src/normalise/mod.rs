//! Found values in millimetres, eyes and planes.

pub mod technique;

pub use technique::Technique;
/// stub
pub fn settle_exam(_: &mut [&mut crate::domain::Measurement]) {}
