//! `export --format parquet`: the columns of the CSV, with their types.
//!
//! Rows go out in groups, so that the memory it takes does not grow with the stretch of time. Nothing is written twice
//! or out of place: a pipe will do. What a reader must know to use the numbers (units, what the flags mean, the stretch
//! asked for) is in the file's own metadata.

use std::io::Write;
use std::sync::Arc;

use parquet::basic::{Compression, Encoding, LogicalType, Repetition, TimeUnit, Type as Physical};
use parquet::data_type::{ByteArray, ByteArrayType, DataType, DoubleType, Int32Type, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedColumnWriter, SerializedFileWriter};
use parquet::schema::types::{ColumnPath, Type};
use pondreeve_core::Quantity;

use super::export::{Found, Stop, time};
use crate::exit_code::Failure;
use crate::forward::message::unit;
use crate::local::protocol::KeptReading;
use crate::texts::say;

/// Rows of one group: a few megabytes while they are gathered, and columns long enough to shrink well.
const ROWS_PER_GROUP: usize = 65_536;

const FLAGS: &str = "QARTOD: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing; null where never judged";

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Time,
    Text,
    /// Null where empty.
    Name,
    Number,
    Flag,
    Count,
}

const READINGS: [(&str, Kind); 8] = [
    ("time_utc", Kind::Time),
    ("pond", Kind::Name),
    ("quantity", Kind::Text),
    ("probe", Kind::Name),
    ("raw", Kind::Number),
    ("value", Kind::Number),
    ("flag", Kind::Flag),
    ("corrected", Kind::Number),
];

const ROLLED: [(&str, Kind); 10] = [
    ("from_utc", Kind::Time),
    ("pond", Kind::Name),
    ("quantity", Kind::Text),
    ("minimum", Kind::Number),
    ("mean", Kind::Number),
    ("maximum", Kind::Number),
    ("usable", Kind::Count),
    ("suspect", Kind::Count),
    ("failed", Kind::Count),
    ("missing", Kind::Count),
];

/// Values that are there, and for each row whether it has one.
#[derive(Debug)]
struct Column<T> {
    values: Vec<T>,
    there: Vec<i16>,
}

impl<T: Clone> Column<T> {
    fn new() -> Self {
        Self { values: Vec::new(), there: Vec::new() }
    }

    fn put(&mut self, value: Option<T>) {
        self.there.push(i16::from(value.is_some()));
        self.values.extend(value);
    }

    fn write<D: DataType<T = T>>(
        &mut self,
        to: &mut SerializedColumnWriter<'_>,
        may_be_null: bool,
    ) -> Result<(), ParquetError> {
        let levels = may_be_null.then_some(&self.there[..]);
        to.typed::<D>().write_batch(&self.values, levels, None)?;
        self.values.clear();
        self.there.clear();
        Ok(())
    }
}

#[derive(Debug)]
enum Gathered {
    Time(Column<i64>),
    Text(Column<ByteArray>),
    Number(Column<f64>),
    Small(Column<i32>),
}

impl Kind {
    const fn may_be_null(self) -> bool {
        matches!(self, Self::Name | Self::Number | Self::Flag)
    }

    fn gathered(self) -> Gathered {
        match self {
            Self::Time => Gathered::Time(Column::new()),
            Self::Text | Self::Name => Gathered::Text(Column::new()),
            Self::Number => Gathered::Number(Column::new()),
            Self::Flag | Self::Count => Gathered::Small(Column::new()),
        }
    }

    fn field(self, name: &str) -> Result<Type, ParquetError> {
        let (physical, logical) = match self {
            Self::Time => (Physical::INT64, Some(LogicalType::timestamp(true, TimeUnit::MILLIS))),
            Self::Text | Self::Name => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
            Self::Number => (Physical::DOUBLE, None),
            Self::Flag => (Physical::INT32, Some(LogicalType::integer(8, false))),
            Self::Count => (Physical::INT32, Some(LogicalType::integer(32, false))),
        };
        let repetition = if self.may_be_null() { Repetition::OPTIONAL } else { Repetition::REQUIRED };
        Type::primitive_type_builder(name, physical)
            .with_repetition(repetition)
            .with_logical_type(logical)
            .build()
    }
}

/// One value on its way into its column.
enum Cell {
    Time(i64),
    Text(Option<ByteArray>),
    Number(Option<f64>),
    Small(Option<i32>),
}

/// A Parquet file that is being written.
pub(super) struct Table<W: Write + Send> {
    file: SerializedFileWriter<W>,
    columns: Vec<(Kind, Gathered)>,
    rows: usize,
}

impl<W: Write + Send> Table<W> {
    /// Writes the beginning; `asked` is what of the stretch and the farm a reader will want to know.
    pub(super) fn new(
        out: W,
        rolled: bool,
        quantities: &[Quantity],
        asked: &[(&str, String)],
    ) -> Result<Self, Stop> {
        let columns: &[(&str, Kind)] = if rolled { &ROLLED } else { &READINGS };
        let fields = columns.iter().map(|(name, kind)| kind.field(name).map(Arc::new));
        let fields = fields.collect::<Result<Vec<_>, _>>()?;
        let schema = Type::group_type_builder("pondreeve").with_fields(fields).build()?;
        let units: serde_json::Map<_, _> =
            quantities.iter().map(|own| (own.id().to_owned(), unit(*own).into())).collect();
        let mut told = vec![
            KeyValue::new("units".to_owned(), serde_json::Value::from(units).to_string()),
            KeyValue::new("flags".to_owned(), FLAGS.to_owned()),
        ];
        told.extend(asked.iter().map(|(key, value)| KeyValue::new((*key).to_owned(), value.clone())));
        let time = ColumnPath::from(columns.first().map_or("", |(name, _)| *name));
        let properties = WriterProperties::builder()
            .set_created_by(concat!("pondreeve version ", env!("CARGO_PKG_VERSION")).to_owned())
            .set_compression(Compression::SNAPPY)
            .set_column_dictionary_enabled(time.clone(), false)
            .set_column_encoding(time, Encoding::DELTA_BINARY_PACKED)
            .set_key_value_metadata(Some(told))
            .build();
        let file = SerializedFileWriter::new(out, Arc::new(schema), Arc::new(properties))?;
        let columns = columns.iter().map(|(_, kind)| (*kind, kind.gathered())).collect();
        Ok(Self { file, columns, rows: 0 })
    }

    /// Takes what the daemon answered for a pond, a quantity and a stretch of time.
    pub(super) fn page(&mut self, pond: &str, quantity: Quantity, found: &Found) -> Result<(), Stop> {
        let text = |text: &str| Cell::Text(Some(ByteArray::from(text.as_bytes().to_vec())));
        let pond = if pond.is_empty() { Cell::Text(None) } else { text(pond) };
        let quantity = text(quantity.id());
        let at = |text: &str| time(text, "the daemon's time").map(Cell::Time);
        match found {
            Found::Readings(readings) => {
                for KeptReading { at: measured, probe, raw, value, corrected, flag } in readings {
                    let probe = Some(probe).filter(|probe| !probe.is_empty());
                    self.row([
                        at(measured)?,
                        pond.again(),
                        quantity.again(),
                        probe.map_or(Cell::Text(None), |probe| text(probe)),
                        Cell::Number(*raw),
                        Cell::Number(*value),
                        Cell::Small(flag.map(i32::from)),
                        Cell::Number(*corrected),
                    ])?;
                }
            }
            Found::RollUps(roll_ups) => {
                for own in roll_ups {
                    // Parquet keeps unsigned numbers in the bits of signed ones.
                    let count = |count: u32| Cell::Small(Some(count.cast_signed()));
                    self.row([
                        at(&own.from)?,
                        pond.again(),
                        quantity.again(),
                        Cell::Number(own.minimum),
                        Cell::Number(own.mean),
                        Cell::Number(own.maximum),
                        count(own.usable),
                        count(own.suspect),
                        count(own.failed),
                        count(own.missing),
                    ])?;
                }
            }
        }
        Ok(())
    }

    /// Writes what is left and the file's end.
    pub(super) fn finish(mut self) -> Result<(), Stop> {
        self.group()?;
        self.file.finish()?;
        Ok(self.file.inner_mut().flush()?)
    }

    fn row<const N: usize>(&mut self, cells: [Cell; N]) -> Result<(), Stop> {
        for ((_, column), cell) in self.columns.iter_mut().zip(cells) {
            match (column, cell) {
                (Gathered::Time(column), Cell::Time(value)) => column.put(Some(value)),
                (Gathered::Text(column), Cell::Text(value)) => column.put(value),
                (Gathered::Number(column), Cell::Number(value)) => column.put(value),
                (Gathered::Small(column), Cell::Small(value)) => column.put(value),
                _ => return Err(parquet_failed("a cell does not fit its column").into()),
            }
        }
        self.rows += 1;
        if self.rows >= ROWS_PER_GROUP { self.group() } else { Ok(()) }
    }

    fn group(&mut self) -> Result<(), Stop> {
        if self.rows == 0 {
            return Ok(());
        }
        let mut group = self.file.next_row_group()?;
        for (kind, column) in &mut self.columns {
            let Some(mut to) = group.next_column()? else { break };
            let null = kind.may_be_null();
            match column {
                Gathered::Time(column) => column.write::<Int64Type>(&mut to, null)?,
                Gathered::Text(column) => column.write::<ByteArrayType>(&mut to, null)?,
                Gathered::Number(column) => column.write::<DoubleType>(&mut to, null)?,
                Gathered::Small(column) => column.write::<Int32Type>(&mut to, null)?,
            }
            to.close()?;
        }
        group.close()?;
        self.rows = 0;
        Ok(())
    }
}

impl Cell {
    /// The same once more; bytes are shared.
    fn again(&self) -> Self {
        match self {
            Self::Time(value) => Self::Time(*value),
            Self::Text(value) => Self::Text(value.clone()),
            Self::Number(value) => Self::Number(*value),
            Self::Small(value) => Self::Small(*value),
        }
    }
}

fn parquet_failed(error: &str) -> Failure {
    Failure::failed(say!(super::spoken(), "export-form-failed", form = "Parquet", error = error))
}

impl From<ParquetError> for Stop {
    fn from(error: ParquetError) -> Self {
        match error {
            ParquetError::External(inner) => match inner.downcast::<std::io::Error>() {
                Ok(io) => Self::from(*io),
                Err(other) => parquet_failed(&other.to_string()).into(),
            },
            other => parquet_failed(&other.to_string()).into(),
        }
    }
}
