//! Where something is told of an exam: line and column of the table.

use super::columns::{Column, Shape};
use super::row::Read;
use crate::domain::Eye;
use crate::entered::Field;

/// Line and column of a field of an exam.
pub(super) fn place(rows: &[(u64, Read)], field: Field, shape: Shape) -> (u64, Column) {
    let first = rows.first().map(|(line, _)| *line).unwrap_or_default();
    // The row that holds the n-th reading of an eye, and which of its readings that is.
    let of = |eye: Eye, n: usize| {
        let mut before = 0;
        for (line, read) in rows {
            let count = read.readings(eye).count();
            if n < before + count {
                let column = match shape {
                    Shape::Readings => Column::Value,
                    Shape::Exams => read.column(eye, n - before),
                };
                return (*line, column);
            }
            before += count;
        }
        (first, Column::Value)
    };
    match field {
        Field::PatientId => (first, Column::PatientId),
        Field::Issuer => (first, Column::Issuer),
        Field::BirthDate => (first, Column::BirthDate),
        Field::Sex => (first, Column::Sex),
        Field::Name => (first, Column::Name),
        Field::Accession => (first, Column::Accession),
        Field::Time => (first, Column::Time),
        Field::Value(eye, n) => of(eye, n),
        Field::Plane(eye, n) => (of(eye, n).0, Column::Plane),
        Field::Depth(eye, n) => (of(eye, n).0, Column::Depth),
        Field::Angle(eye, n) => (of(eye, n).0, Column::Angle),
        Field::Readings(Some(eye)) => of(eye, 0),
        Field::Border => (first, Column::Border),
        Field::Operator => (first, Column::Operator),
        Field::Manufacturer => (first, Column::Manufacturer),
        Field::Model => (first, Column::Model),
        Field::Serial => (first, Column::Serial),
        Field::Day | Field::Readings(None) | Field::Author | Field::Reason => (first, Column::Date),
    }
}
