//! What an entry can say, and of what.

use crate::domain::{About, Event, Eye, Label, Millimetres, OpeningPressure};
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

/// What an entry is about. Further kinds may come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// The label of an exam.
    Label,
    /// A dated fact of the patient.
    Event,
    /// The opening pressure of an exam.
    Pressure,
    /// Somebody has seen the rise of an exam, or that it was withdrawn.
    Acknowledged,
    /// What came of a rise.
    Settled,
    /// A note on an exam; its text is the reason.
    Note,
    /// An exam that serves nobody as baseline.
    LeftOut,
    /// Readings that were entered or brought in by mistake.
    TakenBack,
    /// A second reading is asked for.
    SecondAsked,
    /// A second reading of an exam.
    SecondRead,
    /// What a second reading says of the first.
    SecondJudged,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Kind; 11] = [
        Kind::Label,
        Kind::Event,
        Kind::Pressure,
        Kind::Acknowledged,
        Kind::Settled,
        Kind::Note,
        Kind::LeftOut,
        Kind::TakenBack,
        Kind::SecondAsked,
        Kind::SecondRead,
        Kind::SecondJudged,
    ];

    /// The word in the store and in JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Kind::Label => "label",
            Kind::Event => "event",
            Kind::Pressure => "pressure",
            Kind::Acknowledged => "acknowledged",
            Kind::Settled => "settled",
            Kind::Note => "note",
            Kind::LeftOut => "left_out",
            Kind::TakenBack => "taken_back",
            Kind::SecondAsked => "second_asked",
            Kind::SecondRead => "second_read",
            Kind::SecondJudged => "second_judged",
        }
    }

    /// What people read.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            Kind::Label => "label",
            Kind::Event => "event",
            Kind::Pressure => "opening pressure",
            Kind::Acknowledged => "acknowledgement",
            Kind::Settled => "outcome of a rise",
            Kind::Note => "note",
            Kind::LeftOut => "left out of the baseline",
            Kind::TakenBack => "entered by mistake",
            Kind::SecondAsked => "second reading asked for",
            Kind::SecondRead => "second reading",
            Kind::SecondJudged => "verdict on a second reading",
        }
    }

    /// The kind of a word.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Kind> {
        Kind::ALL.into_iter().find(|kind| kind.word() == word)
    }

    /// Whether entries of this kind stand beside each other, so that a further one corrects none. Of
    /// the others an exam has one; events are told apart by day and kind.
    #[must_use]
    pub fn accumulates(self) -> bool {
        matches!(self, Kind::Acknowledged | Kind::Note | Kind::SecondRead)
    }
}

/// What came of a rise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// Raised pressure was confirmed.
    Confirmed,
    /// Raised pressure was ruled out.
    RuledOut,
    /// Nobody could tell; the reason says why.
    NotSettled,
}

impl Outcome {
    /// Every outcome.
    pub const ALL: [Outcome; 3] = [Outcome::Confirmed, Outcome::RuledOut, Outcome::NotSettled];

    /// The word in the store, in commands and in JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Outcome::Confirmed => "confirmed",
            Outcome::RuledOut => "ruled_out",
            Outcome::NotSettled => "not_settled",
        }
    }

    /// The outcome of a word.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Outcome> {
        Outcome::ALL.into_iter().find(|one| one.word() == word)
    }

    /// The label that goes with it; `None`: the exam keeps the one it has.
    #[must_use]
    pub fn label(self) -> Option<Label> {
        match self {
            Outcome::Confirmed => Some(Label::RaisedConfirmed),
            Outcome::RuledOut => Some(Label::RaisedRuledOut),
            Outcome::NotSettled => None,
        }
    }
}

/// What a second reading says of the first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Judgement {
    /// Both say the same.
    Agrees,
    /// They differ; the reason says how.
    Differs,
}

impl Judgement {
    /// Both.
    pub const ALL: [Judgement; 2] = [Judgement::Agrees, Judgement::Differs];

    /// The word in the store, in commands and in JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Judgement::Agrees => "agrees",
            Judgement::Differs => "differs",
        }
    }

    /// The judgement of a word.
    #[must_use]
    pub fn of_word(word: &str) -> Option<Judgement> {
        Judgement::ALL.into_iter().find(|one| one.word() == word)
    }
}

/// The widths that a second reader measured on the same pictures. They stand beside the first ones
/// and are never averaged with them.
#[derive(Debug, Clone, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct SecondReading {
    /// Of the right eye.
    #[serde(default)]
    pub right: Vec<Millimetres>,
    /// Of the left eye.
    #[serde(default)]
    pub left: Vec<Millimetres>,
    /// Decimals as typed, of each width of the right eye; empty where nobody said.
    #[serde(default)]
    pub right_decimals: Vec<u8>,
    /// The same of the left eye.
    #[serde(default)]
    pub left_decimals: Vec<u8>,
}

/// Decimals of a width where nobody said how it was typed: scanners mostly show so many.
pub const USUAL_DECIMALS: u8 = 1;

impl SecondReading {
    /// As it is kept: JSON, in millimetres.
    #[must_use]
    pub fn text(&self) -> String {
        let of = |all: &[Millimetres]| {
            let mm = all.iter().map(|one| one.mm().to_string());
            mm.collect::<Vec<_>>().join(",")
        };
        let (right, left) = (of(&self.right), of(&self.left));
        let said = |key: &str, all: &[u8]| match all {
            [] => String::new(),
            all => format!(",\"{key}\":{all:?}").replace(' ', ""),
        };
        let right_decimals = said("right_decimals", &self.right_decimals);
        let left_decimals = said("left_decimals", &self.left_decimals);
        format!("{{\"right\":[{right}],\"left\":[{left}]{right_decimals}{left_decimals}}}")
    }

    /// The widths of an eye, each with its decimals as typed.
    pub fn widths(&self, eye: Eye) -> impl Iterator<Item = (Millimetres, u8)> {
        let (widths, decimals) = match eye {
            Eye::Right => (&self.right, &self.right_decimals),
            Eye::Left => (&self.left, &self.left_decimals),
        };
        let decimals = decimals.iter().copied();
        let decimals = decimals.chain(std::iter::repeat(USUAL_DECIMALS));
        widths.iter().copied().zip(decimals)
    }

    /// Of the text it is kept as.
    #[must_use]
    pub fn of_text(text: &str) -> Option<SecondReading> {
        serde_json::from_str(text).ok()
    }
}

/// Of what an entry holds: the exam whose readings it was given for, or a day of the patient.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Of {
    /// These readings.
    Exam(About),
    /// This day.
    Day(NaiveDate),
}

/// What an entry says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Said {
    /// The exam has this label.
    Label(About, Label),
    /// This happened.
    Event(Event),
    /// This opening pressure was measured with the exam.
    Pressure(About, OpeningPressure),
    /// Somebody has seen the rise, or the withdrawn rise, that this version of the result tells.
    Acknowledged(About, u32),
    /// This came of the rise.
    Settled(About, Outcome),
    /// A note on the exam; its text is the reason of the entry.
    Note(About),
    /// The exam serves nobody as baseline. It is itself still compared.
    LeftOut(About),
    /// The readings were entered or brought in by mistake: they are as if they had never come.
    TakenBack(About),
    /// A second reading of the exam is asked for.
    SecondAsked(About),
    /// Somebody else measured this.
    SecondRead(About, SecondReading),
    /// What the second reading says of the first.
    SecondJudged(About, Judgement),
    /// The entry that it names counts no more. Kind and place are those of that entry.
    Nothing(Kind, Of),
}

impl Said {
    /// What it is about.
    #[must_use]
    pub fn kind(&self) -> Kind {
        match self {
            Said::Label(..) => Kind::Label,
            Said::Event(_) => Kind::Event,
            Said::Pressure(..) => Kind::Pressure,
            Said::Acknowledged(..) => Kind::Acknowledged,
            Said::Settled(..) => Kind::Settled,
            Said::Note(_) => Kind::Note,
            Said::LeftOut(_) => Kind::LeftOut,
            Said::TakenBack(_) => Kind::TakenBack,
            Said::SecondAsked(_) => Kind::SecondAsked,
            Said::SecondRead(..) => Kind::SecondRead,
            Said::SecondJudged(..) => Kind::SecondJudged,
            Said::Nothing(kind, _) => *kind,
        }
    }

    /// Of what it holds.
    #[must_use]
    pub fn of(&self) -> Of {
        match self {
            Said::Event(event) => Of::Day(event.date),
            Said::Nothing(_, of) => of.clone(),
            Said::Label(about, _)
            | Said::Pressure(about, _)
            | Said::Acknowledged(about, _)
            | Said::Settled(about, _)
            | Said::Note(about)
            | Said::LeftOut(about)
            | Said::TakenBack(about)
            | Said::SecondAsked(about)
            | Said::SecondRead(about, _)
            | Said::SecondJudged(about, _) => Of::Exam(about.clone()),
        }
    }

    /// The readings, if it is about an exam.
    #[must_use]
    pub fn about(&self) -> Option<&About> {
        match self {
            Said::Label(about, _)
            | Said::Pressure(about, _)
            | Said::Acknowledged(about, _)
            | Said::Settled(about, _)
            | Said::Note(about)
            | Said::LeftOut(about)
            | Said::TakenBack(about)
            | Said::SecondAsked(about)
            | Said::SecondRead(about, _)
            | Said::SecondJudged(about, _)
            | Said::Nothing(_, Of::Exam(about)) => Some(about),
            Said::Event(_) | Said::Nothing(_, Of::Day(_)) => None,
        }
    }

    /// What is said, in a word of ours, a number or JSON; `None` where it takes another back.
    #[must_use]
    pub fn value(&self) -> Option<String> {
        match self {
            Said::Label(_, label) => Some(label.word().to_owned()),
            Said::Event(event) => Some(event.kind.word().to_owned()),
            Said::Pressure(_, pressure) => Some(pressure.to_string()),
            Said::Acknowledged(_, version) => Some(version.to_string()),
            Said::Settled(_, outcome) => Some(outcome.word().to_owned()),
            Said::Note(_) => Some("text".to_owned()),
            Said::LeftOut(_) | Said::TakenBack(_) | Said::SecondAsked(_) => Some("yes".to_owned()),
            Said::SecondRead(_, reading) => Some(reading.text()),
            Said::SecondJudged(_, judgement) => Some(judgement.word().to_owned()),
            Said::Nothing(..) => None,
        }
    }

    /// What a kind says of an exam by its value, as [`Said::value`] gives it; `None` if it cannot be
    /// read. An opening pressure has a unit beside its value, and an event a day.
    #[must_use]
    pub fn of_exam(kind: Kind, about: About, value: &str) -> Option<Said> {
        match kind {
            Kind::Label => {
                let label = Label::ALL.into_iter().find(|one| one.word() == value)?;
                Some(Said::Label(about, label))
            }
            Kind::Acknowledged => {
                let version = value.parse().ok().filter(|version| *version > 0)?;
                Some(Said::Acknowledged(about, version))
            }
            Kind::Settled => Some(Said::Settled(about, Outcome::of_word(value)?)),
            Kind::Note => (value == "text").then_some(Said::Note(about)),
            Kind::LeftOut => (value == "yes").then_some(Said::LeftOut(about)),
            Kind::TakenBack => (value == "yes").then_some(Said::TakenBack(about)),
            Kind::SecondAsked => (value == "yes").then_some(Said::SecondAsked(about)),
            Kind::SecondRead => Some(Said::SecondRead(about, SecondReading::of_text(value)?)),
            Kind::SecondJudged => Some(Said::SecondJudged(about, Judgement::of_word(value)?)),
            Kind::Event | Kind::Pressure => None,
        }
    }

    /// Whether both say the same, whichever readings they were given for. Two notes never do: their
    /// texts stand elsewhere.
    pub(super) fn agrees_with(&self, other: &Said) -> bool {
        match (self, other) {
            (Said::Event(one), Said::Event(other)) => one == other,
            (Said::Note(_), Said::Note(_)) => false,
            (one, other) => one.kind() == other.kind() && one.value() == other.value(),
        }
    }

    /// The same of other readings; an event has none.
    pub(super) fn moved_to(&self, about: About) -> Said {
        match self {
            Said::Label(_, label) => Said::Label(about, *label),
            Said::Pressure(_, pressure) => Said::Pressure(about, pressure.clone()),
            Said::Event(event) => Said::Event(*event),
            Said::Acknowledged(_, version) => Said::Acknowledged(about, *version),
            Said::Settled(_, outcome) => Said::Settled(about, *outcome),
            Said::Note(_) => Said::Note(about),
            Said::LeftOut(_) => Said::LeftOut(about),
            Said::TakenBack(_) => Said::TakenBack(about),
            Said::SecondAsked(_) => Said::SecondAsked(about),
            Said::SecondRead(_, reading) => Said::SecondRead(about, reading.clone()),
            Said::SecondJudged(_, judgement) => Said::SecondJudged(about, *judgement),
            Said::Nothing(kind, _) => Said::Nothing(*kind, Of::Exam(about)),
        }
    }
}
