//! One field of many rows: from fixed-width rows of payload bytes to an Arrow array.
//!
//! The type is looked at once per field and block of rows; inside, the loop only loads and stores.

use std::sync::Arc;

use arrow_array::builder::StringBuilder;
use arrow_array::{
    ArrayRef, FixedSizeListArray, Float32Array, Float64Array, Int8Array, Int16Array, Int32Array, Int64Array,
    UInt8Array, UInt16Array, UInt32Array, UInt64Array,
};

use super::schema;
use crate::wire::{Field, Scalar};

/// Values of one field, in row order.
pub(super) enum Column {
    U8(Vec<u8>),
    I8(Vec<i8>),
    U16(Vec<u16>),
    I16(Vec<i16>),
    U32(Vec<u32>),
    I32(Vec<i32>),
    U64(Vec<u64>),
    I64(Vec<i64>),
    F32(Vec<f32>),
    F64(Vec<f64>),
    Text(StringBuilder),
}

impl Column {
    /// Room for `rows` rows of `field`.
    pub(super) fn new(field: &Field, rows: usize) -> Self {
        let values = rows * field.elements();
        match field.kind {
            Scalar::U8 => Self::U8(Vec::with_capacity(values)),
            Scalar::I8 => Self::I8(Vec::with_capacity(values)),
            Scalar::U16 => Self::U16(Vec::with_capacity(values)),
            Scalar::I16 => Self::I16(Vec::with_capacity(values)),
            Scalar::U32 => Self::U32(Vec::with_capacity(values)),
            Scalar::I32 => Self::I32(Vec::with_capacity(values)),
            Scalar::U64 => Self::U64(Vec::with_capacity(values)),
            Scalar::I64 => Self::I64(Vec::with_capacity(values)),
            Scalar::F32 => Self::F32(Vec::with_capacity(values)),
            Scalar::F64 => Self::F64(Vec::with_capacity(values)),
            Scalar::Char => Self::Text(StringBuilder::with_capacity(rows, values)),
        }
    }

    /// Appends the field of each row of `block`, rows of `stride` bytes.
    pub(super) fn extend(&mut self, field: &Field, block: &[u8], stride: usize) {
        match self {
            Self::U8(values) => gather(values, field, block, stride, u8::from_le_bytes),
            Self::I8(values) => gather(values, field, block, stride, i8::from_le_bytes),
            Self::U16(values) => gather(values, field, block, stride, u16::from_le_bytes),
            Self::I16(values) => gather(values, field, block, stride, i16::from_le_bytes),
            Self::U32(values) => gather(values, field, block, stride, u32::from_le_bytes),
            Self::I32(values) => gather(values, field, block, stride, i32::from_le_bytes),
            Self::U64(values) => gather(values, field, block, stride, u64::from_le_bytes),
            Self::I64(values) => gather(values, field, block, stride, i64::from_le_bytes),
            Self::F32(values) => gather(values, field, block, stride, f32::from_le_bytes),
            Self::F64(values) => gather(values, field, block, stride, f64::from_le_bytes),
            Self::Text(texts) => {
                for row in block.chunks_exact(stride) {
                    let bytes = row.get(field.offset..field.offset + field.len()).unwrap_or_default();
                    let text = bytes.split(|byte| *byte == 0).next().unwrap_or_default();
                    texts.append_value(String::from_utf8_lossy(text));
                }
            }
        }
    }

    /// The finished array.
    pub(super) fn finish(self, field: &Field) -> ArrayRef {
        let values: ArrayRef = match self {
            Self::U8(values) => Arc::new(UInt8Array::from(values)),
            Self::I8(values) => Arc::new(Int8Array::from(values)),
            Self::U16(values) => Arc::new(UInt16Array::from(values)),
            Self::I16(values) => Arc::new(Int16Array::from(values)),
            Self::U32(values) => Arc::new(UInt32Array::from(values)),
            Self::I32(values) => Arc::new(Int32Array::from(values)),
            Self::U64(values) => Arc::new(UInt64Array::from(values)),
            Self::I64(values) => Arc::new(Int64Array::from(values)),
            Self::F32(values) => Arc::new(Float32Array::from(values)),
            Self::F64(values) => Arc::new(Float64Array::from(values)),
            Self::Text(mut texts) => return Arc::new(texts.finish()),
        };
        match field.array {
            Some(len) => Arc::new(FixedSizeListArray::new(schema::item(field), i32::from(len), values, None)),
            None => values,
        }
    }
}

#[inline]
fn gather<T, const N: usize>(
    values: &mut Vec<T>,
    field: &Field,
    block: &[u8],
    stride: usize,
    read: impl Fn([u8; N]) -> T,
) {
    // From the field's first byte on, so that the loop's bounds are the same for every row; the last one has a
    // shorter rest. Every row is as long as the message, so no default is ever taken.
    let rows = block.get(field.offset..).unwrap_or_default().chunks_exact(stride);
    let last = if field.offset == 0 { None } else { Some(rows.remainder()) };
    if field.array.is_none() {
        let one = |row: &[u8]| read(row.first_chunk::<N>().copied().unwrap_or([0; N]));
        values.extend(rows.map(one));
        values.extend(last.map(one));
    } else {
        for row in rows.chain(last) {
            let (elements, _) = row.get(..field.len()).unwrap_or_default().as_chunks::<N>();
            values.extend(elements.iter().map(|bytes| read(*bytes)));
        }
    }
}
