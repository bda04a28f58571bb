//! Rows as CSV (RFC 4180, UTF-8): names first, missing is empty.

use super::cell::Cell;
use super::column::Described;
use sheathline_model::legible;
use std::io::{self, Write};

/// One file being written.
pub(super) struct CsvFile<W: Write>(csv::Writer<W>);

impl<W: Write> CsvFile<W> {
    pub(super) fn begin(to: W, columns: &[Described]) -> io::Result<Self> {
        let mut writer = csv::WriterBuilder::new()
            .terminator(csv::Terminator::CRLF)
            .from_writer(to);
        writer.write_record(columns.iter().map(|column| column.name))?;
        Ok(CsvFile(writer))
    }

    pub(super) fn write(&mut self, cells: &[Cell]) -> io::Result<()> {
        for cell in cells {
            let written = cell.written();
            let written = match cell {
                Cell::Text(text) => legible::cell(text),
                _ => written,
            };
            self.0.write_field(written.as_bytes())?;
        }
        Ok(self.0.write_record(None::<&[u8]>)?)
    }

    pub(super) fn end(self) -> io::Result<W> {
        self.0.into_inner().map_err(|error| error.into_error())
    }
}
