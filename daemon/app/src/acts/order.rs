//! What somebody wants to say.

use sheathline_model::annotations::{By, Judgement, Kind, Outcome, SecondReading};
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
    /// The rise of the exams, or that it was withdrawn, has been seen: of the version that was shown,
    /// or of the newest one.
    Acknowledge(Option<u32>),
    /// This came of the rise of the exams. Says the label that goes with it in the same act, and that
    /// the newest version has been seen.
    Settle(Outcome),
    /// The reason is a note on the exams.
    Note,
    /// The exams serve nobody as baseline; they are themselves still compared.
    LeaveOut,
    /// They may serve again.
    LeaveOutBack,
    /// The readings of the exams were entered by mistake: they are as if they had never come.
    TakeBackReadings,
    /// The readings of the exams count again.
    CountReadings,
    /// A second reading of the exams is asked for.
    SecondAsk,
    /// Somebody else measured this.
    SecondRead(SecondReading),
    /// What the second reading says of the first.
    SecondJudge(Judgement),
    /// The entry of this number counts no more.
    TakeBackEntry(i64),
}

impl Wish {
    /// The kind of entry that says it; `None` where that depends on the entry taken back.
    pub(super) fn kind(&self) -> Option<Kind> {
        let kind = match self {
            Wish::Label(_) => Kind::Label,
            Wish::Pressure(_) => Kind::Pressure,
            Wish::Event(_) | Wish::EventBack(_) => Kind::Event,
            Wish::Acknowledge(_) => Kind::Acknowledged,
            Wish::Settle(_) => Kind::Settled,
            Wish::Note => Kind::Note,
            Wish::LeaveOut | Wish::LeaveOutBack => Kind::LeftOut,
            Wish::TakeBackReadings | Wish::CountReadings => Kind::TakenBack,
            Wish::SecondAsk => Kind::SecondAsked,
            Wish::SecondRead(_) => Kind::SecondRead,
            Wish::SecondJudge(_) => Kind::SecondJudged,
            Wish::TakeBackEntry(_) => return None,
        };
        Some(kind)
    }

    /// Whether somebody sees what it changes before it is recorded; what changes no result is
    /// recorded at once.
    pub(crate) fn is_shown_first(&self) -> bool {
        !matches!(
            self,
            Wish::Acknowledge(_)
                | Wish::Note
                | Wish::SecondAsk
                | Wish::SecondRead(_)
                | Wish::SecondJudge(_)
        )
    }

    /// Why it cannot be said without a reason; `None` where it can.
    pub(super) fn reason(&self) -> Option<&'static str> {
        match self {
            Wish::Settle(_) => Some("say how it is known what came of the rise"),
            Wish::Note => Some("a note is its text; write one"),
            Wish::LeaveOut => Some("say why the exam is to serve nobody as baseline"),
            Wish::TakeBackReadings => Some("say what was wrong with the readings"),
            Wish::SecondJudge(Judgement::Differs) => Some("say in what the second reading differs"),
            _ => None,
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
