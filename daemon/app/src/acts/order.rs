//! What somebody wants to say.

use sheathline_model::annotations::{By, Kind};
use sheathline_model::domain::{Event, Label, OpeningPressure, PatientKey};

/// What is to be said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Wish {
    /// The exams have this label; `None` takes back what was said.
    Label(Option<Label>),
    /// This opening pressure was measured with the exams; `None` takes back what was said.
    Pressure(Option<OpeningPressure>),
    /// This happened to the patient.
    Event(Event),
    /// It did not.
    EventBack(Event),
    /// The entry of this number counts no more.
    TakeBackEntry(i64),
}

impl Wish {
    /// The kind of entry that says it; `None` where that depends on the entry taken back.
    pub(super) fn kind(&self) -> Option<Kind> {
        match self {
            Wish::Label(_) => Some(Kind::Label),
            Wish::Pressure(_) => Some(Kind::Pressure),
            Wish::Event(_) | Wish::EventBack(_) => Some(Kind::Event),
            Wish::TakeBackEntry(_) => None,
        }
    }
}

/// One thing that somebody wants to say.
#[derive(Debug, Clone)]
pub struct Order {
    /// Exam ids, or Study Instance UIDs where the study is one exam; of an event and an entry none.
    pub exams: Vec<String>,
    /// Whose event it is.
    pub patient: Option<PatientKey>,
    /// What.
    pub wish: Wish,
    /// Who says it, and why.
    pub by: By,
}
