//! The tables of all messages, filled frame by frame and emitted batch by batch.

use arrow_array::RecordBatch;
use arrow_schema::SchemaRef;

use super::rows::{RowTimes, Rows};
use super::schema;
use crate::wire::{Definitions, Frame, Message};

/// Rows at the end of a table that may wait for their upper time bound when a batch is emitted.
const HELD_BACK: usize = 4096;

/// Takes finished batches.
pub trait BatchSink {
    /// Why a batch could not be taken.
    type Error;

    /// Takes the next rows of a message's table.
    ///
    /// # Errors
    /// Whatever the sink itself meets.
    fn batch(&mut self, message: &Message, batch: RecordBatch) -> Result<(), Self::Error>;
}

/// Names an appended row, so that its upper time bound can be set later.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct RowId {
    slot: usize,
    number: u64,
}

/// One table a message, made when its first frame comes.
#[derive(Debug)]
pub struct Tables<'d> {
    definitions: &'d Definitions,
    rows_per_batch: usize,
    /// By [`Message::slot`].
    tables: Vec<Option<Table>>,
}

#[derive(Debug)]
struct Table {
    rows: Rows,
    /// Rows at which the next batch is due.
    due: usize,
}

impl<'d> Tables<'d> {
    /// Empty tables. Batches have about `rows_per_batch` rows: more by those held back before, fewer by those
    /// held back now.
    #[must_use]
    pub fn new(definitions: &'d Definitions, rows_per_batch: usize) -> Self {
        let tables = definitions.messages().iter().chain([definitions.unknown()]).map(|_| None).collect();
        Self { definitions, rows_per_batch: rows_per_batch.max(1), tables }
    }

    /// Appends a frame to the table of its message, and emits a batch when that is full.
    ///
    /// Up to 4096 rows at the end that have no `boot_ms_latest` yet are held back for the next batch. Frames of
    /// unknown ids go to the table of [`Definitions::unknown`], as bytes.
    ///
    /// # Errors
    /// What the sink answers; the rows of that batch are gone then.
    #[inline]
    pub fn append<S: BatchSink>(
        &mut self,
        frame: &Frame<'_>,
        times: RowTimes,
        sink: &mut S,
    ) -> Result<RowId, S::Error> {
        match frame.message {
            Some(message) => self.row(message, frame, times, sink),
            None => self.unknown(frame, times, sink),
        }
    }

    #[cold]
    fn unknown<S: BatchSink>(
        &mut self,
        frame: &Frame<'_>,
        times: RowTimes,
        sink: &mut S,
    ) -> Result<RowId, S::Error> {
        // The row's wire order: the id, the length, the bytes.
        let mut row = Vec::with_capacity(5 + frame.payload.len());
        row.extend_from_slice(&frame.message_id.to_le_bytes());
        row.extend(u8::try_from(frame.payload.len()));
        row.extend_from_slice(frame.payload);
        self.row(self.definitions.unknown(), &Frame { payload: &row, ..*frame }, times, sink)
    }

    #[inline(always)]
    fn row<S: BatchSink>(
        &mut self,
        message: &Message,
        frame: &Frame<'_>,
        times: RowTimes,
        sink: &mut S,
    ) -> Result<RowId, S::Error> {
        let Some(place) = self.tables.get_mut(message.slot) else {
            return Ok(RowId { slot: usize::MAX, number: 0 });
        };
        let table = place.get_or_insert_with(|| Table { rows: Rows::new(message), due: self.rows_per_batch });
        let id = RowId { slot: message.slot, number: table.rows.total() };
        table.rows.push(frame, times);
        if table.rows.len() >= table.due {
            let held = table.rows.unresolved_tail(HELD_BACK);
            table.due = held + self.rows_per_batch;
            let ready = table.rows.len() - held;
            if ready > 0 {
                sink.batch(message, table.rows.emit(message, ready))?;
            }
        }
        Ok(id)
    }

    /// Sets the upper time bound of a row that has none yet; does nothing once the row is emitted.
    pub fn resolve(&mut self, row: RowId, latest_ms: i64) {
        if let Some(Some(table)) = self.tables.get_mut(row.slot) {
            table.rows.resolve(row.number, latest_ms);
        }
    }

    /// Takes its time from a row that has no upper bound yet; does nothing once the row is emitted.
    pub fn displace(&mut self, row: RowId) {
        if let Some(Some(table)) = self.tables.get_mut(row.slot) {
            table.rows.displace(row.number);
        }
    }

    /// Emits everything that waits, resolved or not. The tables can be filled again afterwards.
    ///
    /// # Errors
    /// What the sink answers first.
    pub fn finish<S: BatchSink>(&mut self, sink: &mut S) -> Result<(), S::Error> {
        let messages = self.definitions.messages().iter().chain([self.definitions.unknown()]);
        for (message, table) in messages.zip(&mut self.tables) {
            if let Some(table) = table {
                table.due = self.rows_per_batch;
                if table.rows.len() > 0 {
                    sink.batch(message, table.rows.emit(message, table.rows.len()))?;
                }
            }
        }
        Ok(())
    }

    /// The schema of a message's table.
    #[must_use]
    pub fn schema(message: &Message) -> SchemaRef {
        schema::schema(message)
    }

    /// Rows appended so far as (slot, rows), for every message that came.
    #[must_use]
    pub fn counts(&self) -> Vec<(usize, u64)> {
        self.tables
            .iter()
            .enumerate()
            .filter_map(|(slot, table)| table.as_ref().map(|table| (slot, table.rows.total())))
            .collect()
    }
}
