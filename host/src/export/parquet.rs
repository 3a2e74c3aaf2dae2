//! Parquet: row groups of bounded size, compressed with zstd; units and the run's facts in the file's key-value metadata.
//!
//! Currents repeat a few thousand codes and are kept by dictionary; times are kept by their differences. The metadata
//! has, for every column, `COLUMN.unit` (UCUM, case sensitive) and `COLUMN.meaning`, and what [`super::facts`] gives.

use std::io::{self, Write};
use std::sync::Arc;

use parquet::basic::{
    Compression, Encoding, LogicalType, Repetition, TimeUnit, Type as PhysicalType, ZstdLevel,
};
use parquet::data_type::{BoolType, DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::{ColumnPath, Type};

use crate::recorder::minutes::Interval;
use crate::stream::{Gap, Reading};
use crate::units::Units;

use super::RowSink;
use super::columns::{Cell, Column, INTERVALS, Kind, READINGS, of_gap, of_interval, of_reading};

/// Rows of one row group: two minutes of 1000 readings a second, some 20 MB while they are collected.
const ROW_GROUP_ROWS: usize = 1 << 17;

/// Values of one column in the row group in progress.
enum Values {
    Integer(Vec<i64>),
    Flag(Vec<bool>),
    Quantity(Vec<f64>),
}

/// A column in progress: its values without the nulls, and for each row whether it has one.
struct Collected {
    values: Values,
    present: Vec<i16>,
}

impl Collected {
    const fn new(kind: Kind) -> Self {
        Self {
            values: match kind {
                Kind::Instant | Kind::Integer => Values::Integer(Vec::new()),
                Kind::Flag => Values::Flag(Vec::new()),
                Kind::Quantity => Values::Quantity(Vec::new()),
            },
            present: Vec::new(),
        }
    }

    fn push(&mut self, cell: Cell) {
        let present = match (&mut self.values, cell) {
            (Values::Integer(values), Cell::Integer(value)) => {
                values.push(value);
                true
            }
            (Values::Flag(values), Cell::Flag(value)) => {
                values.push(value);
                true
            }
            (Values::Quantity(values), Cell::Quantity(value)) => {
                values.push(value);
                true
            }
            _ => false,
        };
        self.present.push(i16::from(present));
    }

    fn clear(&mut self) {
        self.present.clear();
        match &mut self.values {
            Values::Integer(values) => values.clear(),
            Values::Flag(values) => values.clear(),
            Values::Quantity(values) => values.clear(),
        }
    }
}

/// Writes Parquet.
pub(crate) struct ParquetSink<W: Write + Send> {
    writer: SerializedFileWriter<W>,
    collected: Vec<Collected>,
}

impl<W: Write + Send> ParquetSink<W> {
    /// Begins a file of readings, or of intervals.
    pub(crate) fn new(target: W, intervals: bool) -> io::Result<Self> {
        let columns: &[Column] = if intervals { &INTERVALS } else { &READINGS };
        let writer = SerializedFileWriter::new(
            target,
            schema(columns).map_err(in_words)?,
            properties(columns).into(),
        )
        .map_err(in_words)?;
        Ok(Self {
            writer,
            collected: columns.iter().map(|column| Collected::new(column.kind)).collect(),
        })
    }

    fn put(&mut self, cells: &[Cell]) -> io::Result<()> {
        for (column, cell) in self.collected.iter_mut().zip(cells) {
            column.push(*cell);
        }
        if self.collected[0].present.len() >= ROW_GROUP_ROWS {
            self.write_group().map_err(in_words)?;
        }
        Ok(())
    }

    fn write_group(&mut self) -> Result<(), ParquetError> {
        let mut group = self.writer.next_row_group()?;
        for column in &mut self.collected {
            let Some(mut writer) = group.next_column()? else {
                break;
            };
            let present = Some(column.present.as_slice());
            match &column.values {
                Values::Integer(values) => writer.typed::<Int64Type>().write_batch(values, present, None)?,
                Values::Flag(values) => writer.typed::<BoolType>().write_batch(values, present, None)?,
                Values::Quantity(values) => {
                    writer.typed::<DoubleType>().write_batch(values, present, None)?
                }
            };
            writer.close()?;
            column.clear();
        }
        group.close()?;
        Ok(())
    }

    /// Ends the file, with `facts` beside the units.
    pub(crate) fn finish(mut self, facts: Vec<(String, String)>) -> io::Result<()> {
        if !self.collected[0].present.is_empty() {
            self.write_group().map_err(in_words)?;
        }
        for (key, value) in facts {
            self.writer.append_key_value_metadata(KeyValue::new(key, value));
        }
        self.writer.close().map_err(in_words)?;
        Ok(())
    }
}

impl<W: Write + Send> RowSink for ParquetSink<W> {
    fn put_reading(&mut self, reading: &Reading, _units: &Units) -> io::Result<()> {
        self.put(&of_reading(reading))
    }

    fn put_gap(&mut self, gap: &Gap) -> io::Result<()> {
        self.put(&of_gap(gap))
    }

    fn put_interval(&mut self, interval: &Interval, _units: &Units) -> io::Result<()> {
        self.put(&of_interval(interval))
    }
}

fn schema(columns: &[Column]) -> Result<Arc<Type>, ParquetError> {
    let fields = columns
        .iter()
        .map(|column| {
            let (physical, logical) = match column.kind {
                Kind::Instant => (
                    PhysicalType::INT64,
                    Some(LogicalType::timestamp(true, TimeUnit::MICROS)),
                ),
                Kind::Integer => (PhysicalType::INT64, None),
                Kind::Flag => (PhysicalType::BOOLEAN, None),
                Kind::Quantity => (PhysicalType::DOUBLE, None),
            };
            Type::primitive_type_builder(column.name, physical)
                .with_repetition(Repetition::OPTIONAL)
                .with_logical_type(logical)
                .build()
                .map(Arc::new)
        })
        .collect::<Result<Vec<_>, _>>()?;
    Type::group_type_builder("readings")
        .with_fields(fields)
        .build()
        .map(Arc::new)
}

fn properties(columns: &[Column]) -> WriterProperties {
    let units = columns.iter().flat_map(|column| {
        [
            KeyValue::new(format!("{}.unit", column.name), column.unit.to_owned()),
            KeyValue::new(format!("{}.meaning", column.name), column.meaning.to_owned()),
        ]
    });
    let mut properties = WriterProperties::builder()
        .set_created_by(concat!("steady ", env!("CARGO_PKG_VERSION")).into())
        .set_compression(Compression::ZSTD(ZstdLevel::default()))
        .set_max_row_group_row_count(None)
        .set_key_value_metadata(Some(units.collect()));
    for column in columns {
        // A dictionary of values that never repeat only costs.
        let by_difference = match column.kind {
            Kind::Instant => Encoding::DELTA_BINARY_PACKED,
            Kind::Integer if column.name == "reading" => Encoding::DELTA_BINARY_PACKED,
            Kind::Quantity if column.name == "elapsed_s" => Encoding::BYTE_STREAM_SPLIT,
            _ => continue,
        };
        let path = ColumnPath::from(column.name);
        properties = properties
            .set_column_dictionary_enabled(path.clone(), false)
            .set_column_encoding(path, by_difference);
    }
    properties.build()
}

fn in_words(error: ParquetError) -> io::Error {
    match error {
        ParquetError::External(error) => match error.downcast::<io::Error>() {
            Ok(error) => *error,
            Err(error) => io::Error::other(error),
        },
        other => io::Error::other(other),
    }
}
