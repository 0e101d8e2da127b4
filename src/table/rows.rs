//! The rows of one message that wait to become a batch.
//!
//! A row is the payload, zero-extended to its full length, in one contiguous buffer, and beside it what the
//! frame and the clock say. At emission the buffer is turned into columns, block by block so that each block is
//! read from the cache for every field.

use std::sync::Arc;

use arrow_array::types::{ArrowPrimitiveType, Int64Type, UInt16Type, UInt64Type};
use arrow_array::{ArrayRef, PrimitiveArray, RecordBatch, UInt8Array, UInt32Array, UInt64Array};
use arrow_buffer::{BooleanBuffer, NullBuffer};
use arrow_schema::SchemaRef;

use super::column::Column;
use super::schema;
use crate::wire::{Frame, Message};

/// Bytes of rows turned at a time: fits a second-level cache together with what is written.
const BLOCK_LEN: usize = 128 * 1024;

/// When a frame was sent, as far as known.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct RowTimes {
    /// Which start of the sender.
    pub boot: Option<u16>,
    /// Time since that start in ms, or the earliest it can be.
    pub boot_ms: Option<i64>,
    /// The latest it can be; `None` as long as that is open.
    pub boot_ms_latest: Option<i64>,
}

/// The house columns of one row.
#[derive(Debug, Clone, Copy)]
struct House {
    times: RowTimes,
    capture_us: Option<u64>,
    system_id: u32,
    component_id: u8,
    sequence: u8,
    offset: u64,
}

/// The waiting rows of one message.
#[derive(Debug)]
pub(super) struct Rows {
    schema: SchemaRef,
    stride: usize,
    payloads: Vec<u8>,
    house: Vec<House>,
    /// Rows emitted before the first one here.
    emitted: u64,
}

impl Rows {
    pub(super) fn new(message: &Message) -> Self {
        Self {
            schema: schema::schema(message),
            stride: message.full_len,
            payloads: Vec::new(),
            house: Vec::new(),
            emitted: 0,
        }
    }

    /// Rows that wait.
    pub(super) fn len(&self) -> usize {
        self.house.len()
    }

    /// Rows there ever were; the number of the next one.
    pub(super) fn total(&self) -> u64 {
        self.emitted + self.house.len() as u64
    }

    #[inline]
    pub(super) fn push(&mut self, frame: &Frame<'_>, times: RowTimes) {
        let known = frame.payload.get(..self.stride).unwrap_or(frame.payload);
        self.payloads.extend_from_slice(known);
        self.house.push(House {
            times,
            capture_us: frame.capture_us,
            system_id: frame.system_id,
            component_id: frame.component_id,
            sequence: frame.sequence,
            offset: frame.offset,
        });
        self.payloads.resize(self.house.len() * self.stride, 0);
    }

    /// Sets the upper bound of a row that still waits for it.
    pub(super) fn resolve(&mut self, number: u64, latest_ms: i64) {
        let waiting = number.checked_sub(self.emitted).and_then(|index| self.house.get_mut(index as usize));
        if let Some(house) = waiting {
            house.times.boot_ms_latest.get_or_insert(latest_ms);
        }
    }

    /// Unresolved rows at the end, `limit` at most.
    pub(super) fn unresolved_tail(&self, limit: usize) -> usize {
        self.house.iter().rev().take(limit).take_while(|row| row.times.boot_ms_latest.is_none()).count()
    }

    /// Takes the first `count` rows out as a batch.
    #[expect(clippy::expect_used, reason = "the columns are built from the very schema they are put under")]
    pub(super) fn emit(&mut self, message: &Message, count: usize) -> RecordBatch {
        let count = count.min(self.house.len());
        let mut columns = self.house_columns(count);
        columns.extend(self.own_columns(message, count));
        self.house.drain(..count);
        self.payloads.drain(..count * self.stride);
        self.emitted += count as u64;
        RecordBatch::try_new(Arc::clone(&self.schema), columns).expect("columns match their schema")
    }

    fn own_columns(&self, message: &Message, count: usize) -> Vec<ArrayRef> {
        let mut columns: Vec<_> = schema::published_order(message)
            .into_iter()
            .map(|field| (field, Column::new(field, count)))
            .collect();
        let rows = self.payloads.get(..count * self.stride).unwrap_or_default();
        let block_len = (BLOCK_LEN / self.stride.max(1)).max(1) * self.stride.max(1);
        for block in rows.chunks(block_len) {
            for (field, column) in &mut columns {
                column.extend(field, block, self.stride);
            }
        }
        columns.into_iter().map(|(field, column)| column.finish(field)).collect()
    }

    fn house_columns(&self, count: usize) -> Vec<ArrayRef> {
        let house = self.house.get(..count).unwrap_or_default();
        vec![
            nullable::<UInt16Type>(house, |row| row.times.boot),
            nullable::<Int64Type>(house, |row| row.times.boot_ms),
            nullable::<Int64Type>(house, |row| row.times.boot_ms_latest),
            nullable::<UInt64Type>(house, |row| row.capture_us),
            Arc::new(UInt32Array::from_iter_values(house.iter().map(|row| row.system_id))),
            Arc::new(UInt8Array::from_iter_values(house.iter().map(|row| row.component_id))),
            Arc::new(UInt8Array::from_iter_values(house.iter().map(|row| row.sequence))),
            Arc::new(UInt64Array::from_iter_values(house.iter().map(|row| row.offset))),
        ]
    }
}

/// A column that may have gaps: values and validity in two plain loops.
fn nullable<T: ArrowPrimitiveType>(house: &[House], value: impl Fn(&House) -> Option<T::Native>) -> ArrayRef {
    let values: Vec<T::Native> = house.iter().map(|row| value(row).unwrap_or_default()).collect();
    let valid = BooleanBuffer::collect_bool(house.len(), |row| {
        house.get(row).is_some_and(|row| value(row).is_some())
    });
    Arc::new(PrimitiveArray::<T>::new(values.into(), Some(NullBuffer::new(valid))))
}
