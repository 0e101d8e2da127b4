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

/// Bytes of rows turned at a time: every column reads them again, so they should stay in the first-level cache.
const BLOCK_LEN: usize = 12 * 1024;

/// Rows a table has room for at first.
const LEAST_ROWS: usize = 16;

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

/// The house columns of one row: as small as it can be, since every frame writes one and every column reads it.
#[derive(Debug, Clone, Copy)]
struct House {
    offset: u64,
    /// [`NO_TIME`] where unknown.
    boot_ms: i64,
    /// [`NO_TIME`] where unknown.
    boot_ms_latest: i64,
    /// [`NO_CAPTURE`] where there is none.
    capture_us: u64,
    system_id: u32,
    /// [`NO_BOOT`] where unknown.
    boot: u16,
    component_id: u8,
    sequence: u8,
}

const NO_TIME: i64 = i64::MIN;
const NO_CAPTURE: u64 = u64::MAX;
const NO_BOOT: u16 = u16::MAX;

/// The waiting rows of one message.
#[derive(Debug)]
pub(super) struct Rows {
    schema: SchemaRef,
    stride: usize,
    /// Row after row, zero behind the last one.
    payloads: Vec<u8>,
    house: Vec<House>,
    /// Rows emitted before the first one here.
    emitted: u64,
}

impl House {
    /// It has a time, and no upper bound of it yet.
    fn waits(&self) -> bool {
        self.boot_ms != NO_TIME && self.boot_ms_latest == NO_TIME
    }
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
        let from = self.house.len() * self.stride;
        if self.payloads.len() < from + self.stride {
            self.payloads.resize((2 * from).max(LEAST_ROWS * self.stride), 0);
        }
        let known = frame.payload.get(..self.stride).unwrap_or(frame.payload);
        if let Some(row) = self.payloads.get_mut(from..from + known.len()) {
            row.copy_from_slice(known);
        }
        self.house.push(House {
            offset: frame.offset,
            boot_ms: times.boot_ms.unwrap_or(NO_TIME),
            boot_ms_latest: times.boot_ms_latest.unwrap_or(NO_TIME),
            capture_us: frame.capture_us.unwrap_or(NO_CAPTURE),
            system_id: frame.system_id,
            boot: times.boot.unwrap_or(NO_BOOT),
            component_id: frame.component_id,
            sequence: frame.sequence,
        });
    }

    /// Sets the upper bound of a row that still waits for it.
    pub(super) fn resolve(&mut self, number: u64, latest_ms: i64) {
        let waiting = number.checked_sub(self.emitted).and_then(|index| self.house.get_mut(index as usize));
        if let Some(house) = waiting.filter(|house| house.waits()) {
            house.boot_ms_latest = latest_ms;
        }
    }

    /// Takes its time from a row that still waits for its upper bound.
    pub(super) fn displace(&mut self, number: u64) {
        let waiting = number.checked_sub(self.emitted).and_then(|index| self.house.get_mut(index as usize));
        if let Some(house) = waiting.filter(|house| house.waits()) {
            (house.boot, house.boot_ms) = (NO_BOOT, NO_TIME);
        }
    }

    /// Rows from the first one on that still waits for its upper bound, of the last `limit`. Senders take turns in a
    /// table, so others' rows that are done may lie behind it.
    pub(super) fn unresolved_tail(&self, limit: usize) -> usize {
        let tail = self.house.get(self.house.len().saturating_sub(limit)..).unwrap_or_default();
        tail.iter().position(House::waits).map_or(0, |first| tail.len() - first)
    }

    /// Takes the first `count` rows out as a batch.
    #[expect(clippy::expect_used, reason = "the columns are built from the very schema they are put under")]
    pub(super) fn emit(&mut self, message: &Message, count: usize) -> RecordBatch {
        let count = count.min(self.house.len());
        let mut columns = self.house_columns(count);
        columns.extend(self.own_columns(message, count));
        let (taken, used) = (count * self.stride, self.house.len() * self.stride);
        self.house.drain(..count);
        self.payloads.copy_within(taken..used, 0);
        self.payloads.get_mut(used - taken..used).unwrap_or_default().fill(0);
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
        let mut boot = Vec::with_capacity(count);
        let mut boot_ms = Vec::with_capacity(count);
        let mut boot_ms_latest = Vec::with_capacity(count);
        let mut capture_us = Vec::with_capacity(count);
        let mut system_id = Vec::with_capacity(count);
        let mut component_id = Vec::with_capacity(count);
        let mut sequence = Vec::with_capacity(count);
        let mut offset = Vec::with_capacity(count);
        let house = self.house.get(..count).unwrap_or_default();
        for block in house.chunks(BLOCK_LEN / size_of::<House>()) {
            boot.extend(block.iter().map(|row| row.boot));
            boot_ms.extend(block.iter().map(|row| row.boot_ms));
            boot_ms_latest.extend(block.iter().map(|row| row.boot_ms_latest));
            capture_us.extend(block.iter().map(|row| row.capture_us));
            system_id.extend(block.iter().map(|row| row.system_id));
            component_id.extend(block.iter().map(|row| row.component_id));
            sequence.extend(block.iter().map(|row| row.sequence));
            offset.extend(block.iter().map(|row| row.offset));
        }
        vec![
            nullable::<UInt16Type>(boot, NO_BOOT),
            nullable::<Int64Type>(boot_ms, NO_TIME),
            nullable::<Int64Type>(boot_ms_latest, NO_TIME),
            nullable::<UInt64Type>(capture_us, NO_CAPTURE),
            Arc::new(UInt32Array::from(system_id)),
            Arc::new(UInt8Array::from(component_id)),
            Arc::new(UInt8Array::from(sequence)),
            Arc::new(UInt64Array::from(offset)),
        ]
    }
}

/// A column that may have gaps: a validity is only made where there is one.
fn nullable<T: ArrowPrimitiveType>(mut values: Vec<T::Native>, none: T::Native) -> ArrayRef {
    let gaps = values.iter().fold(0usize, |gaps, value| gaps + usize::from(*value == none));
    let nulls = match gaps {
        0 => None,
        all if all == values.len() => Some(NullBuffer::new_null(all)),
        _ => {
            let filled = |row: usize| values.get(row).is_some_and(|value| *value != none);
            Some(NullBuffer::new(BooleanBuffer::collect_bool(values.len(), filled)))
        }
    };
    if nulls.is_some() {
        values.iter_mut().for_each(|value| {
            *value = if *value == none { T::Native::default() } else { *value };
        });
    }
    Arc::new(PrimitiveArray::<T>::new(values.into(), nulls))
}
