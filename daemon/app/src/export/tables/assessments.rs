//! One row for each eye of an exam, and one for the mean of both: measured, expected, changed; beside
//! it what else was measured of that eye.

use super::lists::STATUSES;
use super::{code, date, direct, key, measure, quasi, technical};
use crate::export::cell::{Cell, Kind};
use crate::export::column::{Column, Described, Subject};
use crate::export::stored::{SOFTWARE, StoredResult};
use sheathline_model::assess::{Comparison, Row as Answer};
use sheathline_model::companions::{DiscElevation, EyeballRatio};
use sheathline_model::domain::Eye;

/// One eye, or both.
pub(super) struct Assessments;

/// Of which exam, and which eye.
pub(super) struct Assessed<'a> {
    pub(super) told: &'a StoredResult,
    /// `None`: the mean of both.
    pub(super) eye: Option<Eye>,
}

impl Subject for Assessments {
    type Of<'a> = Assessed<'a>;
}

impl Assessed<'_> {
    fn answer(&self) -> Option<&Answer> {
        let rows = &self.told.content.assessment.rows;
        match self.eye {
            Some(eye) => rows.of(eye),
            None => rows.both.as_ref(),
        }
    }

    fn compared(&self, of: fn(&Comparison) -> f64) -> Cell {
        let comparison = self.answer().and_then(|one| one.comparison);
        Cell::number(comparison.as_ref().map(of))
    }

    fn eyeball(&self, of: fn(&EyeballRatio) -> f64) -> Cell {
        let companions = self.told.content.companions.as_ref();
        let one = companions.zip(self.eye);
        let one = one.and_then(|(companions, eye)| companions.eyeball.of(eye).as_ref());
        Cell::number(one.map(of))
    }

    fn disc(&self, of: fn(&DiscElevation) -> Option<f64>) -> Cell {
        let companions = self.told.content.companions.as_ref();
        let one = companions.zip(self.eye);
        let one = one.and_then(|(companions, eye)| companions.disc.of(eye).as_ref());
        Cell::number(one.and_then(of))
    }

    fn nerve(&self) -> Cell {
        let companions = self.told.content.companions.as_ref();
        let one = companions.zip(self.eye);
        Cell::number(one.and_then(|(companions, eye)| *companions.nerve_mm.of(eye)))
    }

    /// Whether there is anything to say of this eye.
    pub(super) fn is_told(&self) -> bool {
        let beside = [
            self.eyeball(|one| one.eyeball_mm),
            self.disc(|one| one.elevation_mm),
            self.nerve(),
        ];
        self.answer().is_some() || beside.iter().any(|cell| *cell != Cell::Empty)
    }
}

const fn millimetres(name: &'static str, about: &'static str) -> Described {
    measure(name, Kind::Number, about).unit("mm")
}

pub(super) const COLUMNS: &[Column<Assessments>] = &[
    key("exam_id", "the exam")
        .key()
        .from(|a| Cell::text(&a.told.content.exam.id)),
    code("eye", "right, left, or the mean of both")
        .key()
        .one_of(&["right", "left", "both"])
        .from(|a| Cell::text(a.eye.map_or("both", Eye::word))),
    quasi("patient_issuer", Kind::Text, "issuer of the patient id")
        .from(|a| Cell::text(&a.told.content.patient.issuer)),
    direct(
        "patient_id",
        "patient id; of joined ids the one that survives",
    )
    .required()
    .from(|a| Cell::text(&a.told.content.patient.id)),
    date(
        "performed_at",
        Kind::Clock,
        "wall clock where the exam was done",
    )
    .required()
    .from(|a| Cell::clock(a.told.content.exam.performed_at.local)),
    millimetres("measured_mm", "value of the eye, or mean of both")
        .from(|a| Cell::number(a.answer().map(|one| one.measured_mm))),
    code(
        "status",
        "what the row says on its own; empty without a comparison",
    )
    .one_of(STATUSES)
    .from(|a| {
        let comparison = a.answer().and_then(|one| one.comparison);
        comparison.map_or(Cell::Empty, |one| Cell::text(one.status.word()))
    }),
    millimetres(
        "expected_mm",
        "expected from the patient's own earlier exams",
    )
    .from(|a| a.compared(|one| one.expected_mm)),
    millimetres("sd_mm", "standard deviation of measured minus expected")
        .at_least(0.0)
        .from(|a| a.compared(|one| one.sd_mm)),
    measure(
        "z",
        Kind::Number,
        "measured minus expected, divided by sd_mm",
    )
    .from(|a| a.compared(|one| one.z)),
    millimetres("lower_mm", "lower end of the expected interval")
        .from(|a| a.compared(|one| one.lower_mm)),
    millimetres("upper_mm", "upper end of the expected interval")
        .from(|a| a.compared(|one| one.upper_mm)),
    millimetres("change_mm", "measured minus expected").from(|a| a.compared(|one| one.change_mm)),
    measure(
        "change_percent",
        Kind::Number,
        "the change in percent of expected",
    )
    .unit("%")
    .from(|a| a.compared(|one| one.change_percent)),
    millimetres("smallest_change_mm", "change needed for a flag")
        .at_least(0.0)
        .from(|a| a.compared(|one| one.smallest_change_mm)),
    millimetres(
        "eight_of_ten_mm",
        "true rise found in eight of ten such exams",
    )
    .at_least(0.0)
    .from(|a| a.compared(|one| one.eight_of_ten_mm)),
    measure(
        "probability_high",
        Kind::Number,
        "chance of a value this high if nothing has changed; not that of raised pressure",
    )
    .at_least(0.0)
    .at_most(1.0)
    .from(|a| a.compared(|one| one.probability_high)),
    millimetres(
        "eyeball_mm",
        "transverse diameter of the eyeball, mean of the exam's usable values",
    )
    .from(|a| a.eyeball(|one| one.eyeball_mm)),
    measure(
        "eyeball_ratio",
        Kind::Number,
        "sheath diameter divided by that",
    )
    .from(|a| a.eyeball(|one| one.ratio)),
    millimetres("disc_elevation_mm", "how far the optic disc stands out")
        .from(|a| a.disc(|one| one.elevation_mm)),
    millimetres(
        "disc_change_mm",
        "the same minus the last earlier exam that measured it",
    )
    .from(|a| a.disc(|one| one.change_mm)),
    millimetres(
        "nerve_mm",
        "nerve without its sheath; never compared with a sheath",
    )
    .from(|a| a.nerve()),
    code(
        "parameters_key",
        "fingerprint of parameters and limits of technique",
    )
    .required()
    .from(|a| Cell::text(&a.told.parameters_key)),
    technical("software", "the program that wrote the row")
        .required()
        .from(|_| Cell::text(SOFTWARE)),
];
