//! Helpers shared by the tests: a simulated log through the recorder, without files.
#![allow(dead_code)]

use fettle::recording::{Recorder, Recording};
use fettle::table::BatchSink;
use fettle::wire::{Definitions, Message};
use std::convert::Infallible;

/// Counts rows and keeps nothing.
#[derive(Default)]
pub struct CountRows(pub usize);

impl BatchSink for CountRows {
    type Error = Infallible;
    fn batch(&mut self, _: &Message, batch: arrow_array::RecordBatch) -> Result<(), Infallible> {
        self.0 += batch.num_rows();
        Ok(())
    }
}

/// Reads bytes in chunks of `chunk`, as a file would be read.
pub fn record(bytes: &[u8], chunk: usize) -> (Recording, usize) {
    let mut rows = CountRows::default();
    let mut recorder = Recorder::new(Definitions::builtin(), true);
    let mut rest: Vec<u8> = Vec::new();
    for part in bytes.chunks(chunk) {
        rest.extend_from_slice(part);
        let used = recorder.feed(&rest, false, &mut rows).unwrap();
        rest.drain(..used);
    }
    recorder.feed(&rest, true, &mut rows).unwrap();
    (recorder.finish(&mut rows).unwrap(), rows.0)
}
