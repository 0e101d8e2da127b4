//! One log file through the recorder, in chunks: constant memory, and a file that grows or shrinks while
//! it is read is only longer or shorter. Memory maps were left out for that reason: a card pulled out
//! under a map kills the process.

use crate::archive::ArchiveError;
use crate::recording::{Recorder, Recording, Reduce};
use crate::table::BatchSink;
use crate::wire::{Definitions, Message};
use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::Path;

const CHUNK: usize = 1 << 20;

/// A sink for reading without tables.
pub struct NoTables;

impl BatchSink for NoTables {
    type Error = ArchiveError;
    fn batch(&mut self, _: &Message, _: arrow_array::RecordBatch) -> Result<(), ArchiveError> {
        Ok(())
    }
}

/// Reads `path`, handing every byte to `copy`, every batch of rows to `sink` and every boot session that
/// has ended to `reduce`.
///
/// # Errors
/// The file system's refusal, or the sink's.
pub fn record<S: BatchSink<Error = ArchiveError>>(
    path: &Path,
    with_tables: bool,
    sink: &mut S,
    reduce: Option<Reduce<'_>>,
    mut copy: impl FnMut(&[u8]) -> Result<(), ArchiveError>,
) -> Result<Recording, ArchiveError> {
    let mut file = File::open(path).map_err(ArchiveError::io("open", path))?;
    let mut recorder = Recorder::new(Definitions::builtin(), with_tables);
    if let Some(reduce) = reduce {
        recorder = recorder.reducing(reduce);
    }
    let mut buffer = vec![0u8; CHUNK];
    let mut filled = 0;
    loop {
        if filled == buffer.len() {
            buffer.resize(buffer.len() * 2, 0);
        }
        let read = match file.read(buffer.get_mut(filled..).unwrap_or_default()) {
            Ok(read) => read,
            Err(error) if error.kind() == ErrorKind::Interrupted => continue,
            Err(error) => return Err(ArchiveError::io("read", path)(error)),
        };
        copy(buffer.get(filled..filled + read).unwrap_or_default())?;
        filled += read;
        let last = read == 0;
        let used = recorder.feed(buffer.get(..filled).unwrap_or_default(), last, sink)?;
        if last {
            return recorder.finish(sink);
        }
        buffer.copy_within(used..filled, 0);
        filled -= used;
    }
}

/// Why a file is not usable as a log, or `None` if it is: a few stray frames in noise are no log.
pub fn unusable(recording: &Recording) -> Option<String> {
    let integrity = &recording.integrity;
    if integrity.bytes == 0 {
        return Some("the file is empty".to_owned());
    }
    if integrity.frames == 0 {
        return Some(format!(
            "no valid MAVLink frame in {} bytes; check that this is a raw telemetry log",
            integrity.bytes
        ));
    }
    // Chance passes about one checksum in 65,536 candidates.
    if integrity.frames < 5 && integrity.bytes_skipped > 10 * integrity.frames * 280 {
        return Some(format!(
            "only {} frames in {} bytes, no more than chance would give; check that this is a raw telemetry log",
            integrity.frames, integrity.bytes
        ));
    }
    None
}
