//! One row for each earlier exam that a comparison rests on or has set aside.

use super::lists::LABELS;
use super::{code, date, key, measure};
use crate::export::cell::{Cell, Kind};
use crate::export::column::{Column, Subject};
use crate::export::stored::{StoredResult, operator_id};
use sheathline_model::results::content::{BaselineExam, NotCompared};

/// One earlier exam beside another.
pub(super) struct Baselines;

/// The exam and the earlier one.
pub(super) struct Earlier<'a> {
    pub(super) told: &'a StoredResult,
    pub(super) one: Which<'a>,
}

/// Whether the earlier one served.
pub(super) enum Which<'a> {
    Used(&'a BaselineExam),
    SetAside(&'a NotCompared),
}

impl Subject for Baselines {
    type Of<'a> = Earlier<'a>;
}

impl Earlier<'_> {
    fn used(&self) -> Option<&BaselineExam> {
        match self.one {
            Which::Used(one) => Some(one),
            Which::SetAside(_) => None,
        }
    }
}

pub(super) const COLUMNS: &[Column<Baselines>] = &[
    key("exam_id", "the exam that is compared")
        .key()
        .from(|b| Cell::text(&b.told.content.exam.id)),
    key(
        "earlier_exam_id",
        "an earlier exam of the patient, or one of the same day",
    )
    .key()
    .from(|b| match b.one {
        Which::Used(one) => Cell::text(&one.exam),
        Which::SetAside(one) => Cell::text(&one.exam),
    }),
    measure("used", Kind::Flag, "whether the comparison rests on it")
        .required()
        .from(|b| Cell::Flag(b.used().is_some())),
    code("reason", "why it was set aside").from(|b| match b.one {
        Which::Used(_) => Cell::Empty,
        Which::SetAside(one) => Cell::word(&one.reason),
    }),
    date("earlier_date", Kind::Date, "the day it was done")
        .required()
        .from(|b| {
            Cell::Date(match b.one {
                Which::Used(one) => one.date,
                Which::SetAside(one) => one.date,
            })
        }),
    code(
        "earlier_label",
        "what a person says of it, where it was used",
    )
    .one_of(LABELS)
    .from(|b| {
        let label = b.used().and_then(|one| one.label);
        label.map_or(Cell::Empty, |label| Cell::text(label.word()))
    }),
    key(
        "earlier_operator_id",
        "who measured it, where it was used; see operators",
    )
    .from(|b| {
        let operator = b.used().and_then(|one| one.operator.as_ref());
        operator.map_or(Cell::Empty, |name| Cell::text(operator_id(name)))
    }),
    measure(
        "right_readings",
        Kind::Integer,
        "its usable readings of the right eye",
    )
    .at_least(0.0)
    .from(|b| {
        b.used()
            .map_or(Cell::Empty, |one| Cell::count(one.right_mm.len()))
    }),
    measure(
        "left_readings",
        Kind::Integer,
        "its usable readings of the left eye",
    )
    .at_least(0.0)
    .from(|b| {
        b.used()
            .map_or(Cell::Empty, |one| Cell::count(one.left_mm.len()))
    }),
];
