//! Rows as Parquet (zstd), a bounded number of them in memory.

use super::cell::{Cell, Kind};
use super::column::Described;
use chrono::NaiveDate;
use parquet::basic::{Compression, LogicalType, Repetition, TimeUnit, Type as Physical, ZstdLevel};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::{ParquetError, Result};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;
use std::io::Write;
use std::sync::Arc;

/// Rows of a row group: what is kept in memory of each open file.
const GROUP: usize = 16_384;

/// One file being written.
pub(super) struct ParquetFile<W: Write + Send> {
    file: SerializedFileWriter<W>,
    columns: Vec<Gathered>,
    rows: usize,
}

impl<W: Write + Send> ParquetFile<W> {
    pub(super) fn begin(to: W, table: &str, columns: &[Described]) -> Result<Self> {
        let fields: Result<Vec<_>> = columns.iter().map(field).collect();
        let schema = Type::group_type_builder(table)
            .with_fields(fields?)
            .build()?;
        let properties = WriterProperties::builder()
            .set_compression(Compression::ZSTD(ZstdLevel::default()))
            .set_key_value_metadata(Some(vec![KeyValue::new(
                "written_by".to_owned(),
                super::stored::SOFTWARE.to_owned(),
            )]))
            .build();
        Ok(ParquetFile {
            file: SerializedFileWriter::new(to, Arc::new(schema), Arc::new(properties))?,
            columns: columns
                .iter()
                .map(|column| Gathered::new(column.kind))
                .collect(),
            rows: 0,
        })
    }

    pub(super) fn write(&mut self, cells: &[Cell]) -> Result<()> {
        for (column, cell) in self.columns.iter_mut().zip(cells) {
            column.take(cell)?;
        }
        self.rows += 1;
        match self.rows {
            GROUP => self.end_group(),
            _ => Ok(()),
        }
    }

    fn end_group(&mut self) -> Result<()> {
        let mut group = self.file.next_row_group()?;
        for column in &mut self.columns {
            let mut writer = group
                .next_column()?
                .ok_or_else(|| ParquetError::General("a column is missing".to_owned()))?;
            column.write(writer.untyped())?;
            writer.close()?;
        }
        group.close()?;
        self.rows = 0;
        Ok(())
    }

    pub(super) fn end(mut self) -> Result<W> {
        if self.rows > 0 {
            self.end_group()?;
        }
        self.file.into_inner()
    }
}

/// Every column may be empty: what must not be is told by the data package.
fn field(column: &Described) -> Result<Arc<Type>> {
    let (physical, logical) = match column.kind {
        Kind::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
        Kind::Integer => (Physical::INT64, None),
        Kind::Number => (Physical::DOUBLE, None),
        Kind::Flag => (Physical::BOOLEAN, None),
        Kind::Date => (Physical::INT32, Some(LogicalType::Date)),
        Kind::Clock => (Physical::INT64, Some(micros(false))),
        Kind::Instant => (Physical::INT64, Some(micros(true))),
    };
    let field = Type::primitive_type_builder(column.name, physical)
        .with_repetition(Repetition::OPTIONAL)
        .with_logical_type(logical)
        .build()?;
    Ok(Arc::new(field))
}

fn micros(is_utc: bool) -> LogicalType {
    LogicalType::timestamp(is_utc, TimeUnit::MICROS)
}

/// The cells of one column: which are there, and those that are.
struct Gathered {
    there: Vec<i16>,
    values: Values,
}

enum Values {
    Texts(Vec<ByteArray>),
    Longs(Vec<i64>),
    Numbers(Vec<f64>),
    Flags(Vec<bool>),
    Days(Vec<i32>),
}

impl Gathered {
    fn new(kind: Kind) -> Self {
        Gathered {
            there: Vec::new(),
            values: match kind {
                Kind::Text => Values::Texts(Vec::new()),
                Kind::Integer | Kind::Clock | Kind::Instant => Values::Longs(Vec::new()),
                Kind::Number => Values::Numbers(Vec::new()),
                Kind::Flag => Values::Flags(Vec::new()),
                Kind::Date => Values::Days(Vec::new()),
            },
        }
    }

    fn take(&mut self, cell: &Cell) -> Result<()> {
        match (&mut self.values, cell) {
            (_, Cell::Empty) => {
                self.there.push(0);
                return Ok(());
            }
            (Values::Texts(all), Cell::Text(text)) => all.push(text.as_str().into()),
            (Values::Longs(all), Cell::Integer(number)) => all.push(*number),
            (Values::Longs(all), Cell::Clock(at)) => all.push(at.and_utc().timestamp_micros()),
            (Values::Longs(all), Cell::Instant(at)) => all.push(at.timestamp_micros()),
            (Values::Numbers(all), Cell::Number(number)) => all.push(*number),
            (Values::Flags(all), Cell::Flag(flag)) => all.push(*flag),
            (Values::Days(all), Cell::Date(date)) => all.push(days(*date)?),
            _ => return Err(ParquetError::General("a cell of another kind".to_owned())),
        }
        self.there.push(1);
        Ok(())
    }

    fn write(&mut self, writer: &mut ColumnWriter<'_>) -> Result<()> {
        let there = Some(self.there.as_slice());
        match (writer, &mut self.values) {
            (ColumnWriter::ByteArrayColumnWriter(to), Values::Texts(all)) => {
                to.write_batch(all, there, None)?;
                all.clear();
            }
            (ColumnWriter::Int64ColumnWriter(to), Values::Longs(all)) => {
                to.write_batch(all, there, None)?;
                all.clear();
            }
            (ColumnWriter::DoubleColumnWriter(to), Values::Numbers(all)) => {
                to.write_batch(all, there, None)?;
                all.clear();
            }
            (ColumnWriter::BoolColumnWriter(to), Values::Flags(all)) => {
                to.write_batch(all, there, None)?;
                all.clear();
            }
            (ColumnWriter::Int32ColumnWriter(to), Values::Days(all)) => {
                to.write_batch(all, there, None)?;
                all.clear();
            }
            _ => return Err(ParquetError::General("a column of another kind".to_owned())),
        }
        self.there.clear();
        Ok(())
    }
}

/// Days since 1970-01-01.
fn days(date: NaiveDate) -> Result<i32> {
    let days = (date - NaiveDate::default()).num_days();
    i32::try_from(days).map_err(|_| ParquetError::General("a date out of range".to_owned()))
}
