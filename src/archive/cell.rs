//! The column types of catalogue rows: how one Rust type becomes an Arrow column and back.

use arrow_array::types::{Float64Type, Int64Type, TimestampMicrosecondType};
use arrow_array::{Array, ArrayRef, BooleanArray, PrimitiveArray, RecordBatch, StringArray};
use arrow_schema::{DataType, TimeUnit};
use std::sync::Arc;

/// Unix microseconds, UTC.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Utc(pub i64);

/// A value that is one cell of a catalogue row.
pub trait Cell: Sized {
    /// May be absent.
    const NULLABLE: bool;
    /// Its Arrow type.
    fn data_type() -> DataType;
    /// A column of it.
    fn array<'a>(values: impl Iterator<Item = &'a Self>) -> ArrayRef
    where
        Self: 'a;
    /// The column back; `None` if absent or of another type.
    fn read(batch: &RecordBatch, column: &str) -> Option<Vec<Self>>;
}

fn column<'b, A: Array + 'static>(batch: &'b RecordBatch, name: &str) -> Option<&'b A> {
    batch.column_by_name(name)?.as_any().downcast_ref::<A>()
}

macro_rules! primitive_cells {
    ($($rust:ty, $arrow:ty, $type:expr, $into:expr, $from:expr;)*) => {$(
        impl Cell for $rust {
            const NULLABLE: bool = false;
            fn data_type() -> DataType { $type }
            fn array<'a>(values: impl Iterator<Item = &'a Self>) -> ArrayRef where Self: 'a {
                Arc::new(PrimitiveArray::<$arrow>::from_iter_values(values.map($into)).with_data_type($type))
            }
            fn read(batch: &RecordBatch, name: &str) -> Option<Vec<Self>> {
                column::<PrimitiveArray<$arrow>>(batch, name)?.iter().map(|v| v.map($from)).collect()
            }
        }
        impl Cell for Option<$rust> {
            const NULLABLE: bool = true;
            fn data_type() -> DataType { $type }
            fn array<'a>(values: impl Iterator<Item = &'a Self>) -> ArrayRef where Self: 'a {
                let array: PrimitiveArray<$arrow> = values.map(|v| v.as_ref().map($into)).collect();
                Arc::new(array.with_data_type($type))
            }
            fn read(batch: &RecordBatch, name: &str) -> Option<Vec<Self>> {
                Some(column::<PrimitiveArray<$arrow>>(batch, name)?.iter().map(|v| v.map($from)).collect())
            }
        }
    )*};
}

primitive_cells! {
    i64, Int64Type, DataType::Int64, |v: &i64| *v, |v: i64| v;
    f64, Float64Type, DataType::Float64, |v: &f64| *v, |v: f64| v;
    Utc, TimestampMicrosecondType, DataType::Timestamp(TimeUnit::Microsecond, Some("UTC".into())), |v: &Utc| v.0, Utc;
}

impl Cell for bool {
    const NULLABLE: bool = false;
    fn data_type() -> DataType {
        DataType::Boolean
    }
    fn array<'a>(values: impl Iterator<Item = &'a Self>) -> ArrayRef {
        Arc::new(values.map(|v| Some(*v)).collect::<BooleanArray>())
    }
    fn read(batch: &RecordBatch, name: &str) -> Option<Vec<Self>> {
        column::<BooleanArray>(batch, name)?.iter().collect()
    }
}

impl Cell for String {
    const NULLABLE: bool = false;
    fn data_type() -> DataType {
        DataType::Utf8
    }
    fn array<'a>(values: impl Iterator<Item = &'a Self>) -> ArrayRef {
        Arc::new(StringArray::from_iter_values(values))
    }
    fn read(batch: &RecordBatch, name: &str) -> Option<Vec<Self>> {
        column::<StringArray>(batch, name)?.iter().map(|v| v.map(str::to_owned)).collect()
    }
}

impl Cell for Option<String> {
    const NULLABLE: bool = true;
    fn data_type() -> DataType {
        DataType::Utf8
    }
    fn array<'a>(values: impl Iterator<Item = &'a Self>) -> ArrayRef {
        Arc::new(values.map(|v| v.as_deref()).collect::<StringArray>())
    }
    fn read(batch: &RecordBatch, name: &str) -> Option<Vec<Self>> {
        Some(column::<StringArray>(batch, name)?.iter().map(|v| v.map(str::to_owned)).collect())
    }
}
