//! The words every stage shares: lengths, eyes, measurements, remarks, times.
//!
//! No logic beyond construction checks. Start with [`measure::Measurement`] and
//! [`reading::ObjectReading`].

pub mod about;
pub mod derived;
pub mod eye;
pub mod image;
pub mod length;
pub mod measure;
pub mod mistake;
pub mod modality;
pub mod patient;
pub mod person;
pub mod pressure;
pub mod reading;
pub mod remark;
pub mod source;
pub mod time;
pub mod unexplained;

pub use about::{About, ReadingRef};
pub use eye::{Eye, Laterality};
pub use image::{Caliper, ImageFacts, PixelSpacing, Point, Presented, Region};
pub use length::Millimetres;
pub use measure::{Border, Derivation, Geometry, Measurement, Plane, Quantity};
pub use mistake::Mistake;
pub use modality::Modality;
pub use patient::{Event, EventKind, Label, Patient, PatientKey, Sex};
pub use person::written_name;
pub use pressure::{OpeningPressure, PressureError, PressureUnit};
pub use reading::{Device, Disposition, DocumentState, ExamFacts, ObjectReading};
pub use remark::{Remark, RemarkCode, Severity};
pub use source::Source;
pub use time::Moment;
pub use unexplained::{CodeExample, CodeRole, Unexplained};
