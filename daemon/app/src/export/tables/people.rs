//! Operators and devices: one row for each that any exam names. Rows are only added.

use super::{direct, key, quasi};
use crate::export::cell::{Cell, Kind};
use crate::export::column::{Column, Subject};
use crate::export::stored::{device_id, operator_id};
use sheathline_model::domain::Device;

/// One operator.
pub(super) struct Operators;

impl Subject for Operators {
    type Of<'a> = String;
}

/// One machine.
pub(super) struct Devices;

impl Subject for Devices {
    type Of<'a> = Device;
}

pub(super) const OPERATORS: &[Column<Operators>] = &[
    key("operator_id", "our name of the operator")
        .key()
        .from(|name| Cell::text(operator_id(name))),
    direct("operator", "who measured, as the reports write it")
        .required()
        .from(|name| Cell::text(name)),
];

pub(super) const DEVICES: &[Column<Devices>] = &[
    key("device_id", "our name of the machine")
        .key()
        .from(|device| device_id(device).map_or(Cell::Empty, Cell::text)),
    quasi("manufacturer", Kind::Text, "maker").from(|one| Cell::text_of(one.manufacturer.as_ref())),
    quasi("model", Kind::Text, "model").from(|one| Cell::text_of(one.model.as_ref())),
    direct("serial", "serial number").from(|one| Cell::text_of(one.serial.as_ref())),
];
