//! Every message as a Parquet file, written aside and renamed at the end. Memory is bounded: when the row
//! groups in the making pass a budget, the largest is written out.

use super::layout::FleetDir;
use super::{ArchiveError, atomic};
use crate::table::BatchSink;
use crate::wire::Message;
use arrow_array::RecordBatch;
use arrow_schema::{DataType, Schema};
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::schema::types::ColumnPath;
use std::collections::BTreeMap;
use std::fs::{self, File};
use std::path::{Path, PathBuf};

/// Row groups in the making, all messages together.
const BUDGET_BYTES: usize = 12 << 20;

/// Bytes of rows between two looks at the budget: a look asks every column of every file.
const LOOK_BYTES: usize = 1 << 20;

/// Writes one Parquet file a message into a folder of its own.
pub struct TelemetryWriter {
    folder: PathBuf,
    writers: BTreeMap<usize, (String, ArrowWriter<File>)>,
    closed: Vec<(String, PathBuf)>,
    /// Rows taken since the last look at the budget.
    unseen_bytes: usize,
}

impl TelemetryWriter {
    /// Writes into a staging folder of the archive until [`TelemetryWriter::file_under`] files it.
    ///
    /// # Errors
    /// The file system's refusal.
    pub fn staged(fleet: &FleetDir) -> Result<Self, ArchiveError> {
        let folder = atomic::temporary_folder(&fleet.archive(), "staging")?;
        Ok(TelemetryWriter { folder, writers: BTreeMap::new(), closed: Vec::new(), unseen_bytes: 0 })
    }

    /// Closes every file and gives it its place in the archive; returns the places.
    ///
    /// # Errors
    /// The file system's or Parquet's refusal.
    pub fn file_under(
        mut self,
        fleet: &FleetDir,
        aircraft: &str,
        date: &str,
        log_id: &str,
    ) -> Result<Vec<PathBuf>, ArchiveError> {
        self.close(log_id)?;
        let place = |name: &str| fleet.partition(&format!("telemetry/{name}"), aircraft, date, log_id);
        let closed = std::mem::take(&mut self.closed);
        atomic::together(&closed, |(name, staged)| atomic::publish(staged, &place(name)))?;
        Ok(closed.iter().map(|(name, _)| place(name)).collect())
    }

    /// Closes every file and moves it to `folder` as `<MESSAGE>.parquet`; refuses to replace any unless
    /// `replace`. Returns the names written.
    ///
    /// # Errors
    /// The file system's or Parquet's refusal, or [`ArchiveError::Exists`] before anything is moved.
    pub fn move_to(
        mut self,
        folder: &Path,
        replace: bool,
        log_id: &str,
    ) -> Result<Vec<String>, ArchiveError> {
        self.close(log_id)?;
        let staged = std::mem::take(&mut self.closed);
        let target = |name: &str| folder.join(format!("{name}.parquet"));
        if let Some(path) = staged.iter().map(|(name, _)| target(name)).find(|p| !replace && p.exists()) {
            return Err(ArchiveError::Exists { path });
        }
        for (name, file) in &staged {
            atomic::publish(file, &target(name))?;
        }
        Ok(staged.into_iter().map(|(name, _)| name).collect())
    }

    /// Writes into a hidden folder inside `folder`.
    ///
    /// # Errors
    /// The file system's refusal.
    pub fn beside(folder: &Path) -> Result<Self, ArchiveError> {
        let folder = atomic::temporary_folder(folder, "tables")?;
        Ok(TelemetryWriter { folder, writers: BTreeMap::new(), closed: Vec::new(), unseen_bytes: 0 })
    }

    /// Ends every file and frees what the writers hold; done before filing unless it was done already.
    ///
    /// # Errors
    /// The file system's or Parquet's refusal.
    pub fn close(&mut self, log_id: &str) -> Result<(), ArchiveError> {
        let mut files = Vec::new();
        for (_, (name, mut writer)) in std::mem::take(&mut self.writers) {
            let path = self.path(&name);
            writer.append_key_value_metadata(KeyValue::new("fettle.log_id".to_owned(), log_id.to_owned()));
            files.push((writer.into_inner().map_err(ArchiveError::parquet("finish", &path))?, path.clone()));
            self.closed.push((name, path));
        }
        atomic::together(&files, |(file, path)| file.sync_all().map_err(ArchiveError::io("sync", path)))?;
        self.closed.sort();
        Ok(())
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.join(format!("{name}.parquet"))
    }

    fn open(&self, message: &Message, schema: &Schema) -> Result<ArrowWriter<File>, ArchiveError> {
        let path = self.path(&message.name);
        let file = File::create(&path).map_err(ArchiveError::io("create", &path))?;
        let schema = std::sync::Arc::new(schema.clone());
        ArrowWriter::try_new(file, schema.clone(), Some(properties(&schema)))
            .map_err(ArchiveError::parquet("begin", &path))
    }
}

impl BatchSink for TelemetryWriter {
    type Error = ArchiveError;

    fn batch(&mut self, message: &Message, batch: RecordBatch) -> Result<(), ArchiveError> {
        if !self.writers.contains_key(&message.slot) {
            let writer = self.open(message, &batch.schema())?;
            self.writers.insert(message.slot, (message.name.clone(), writer));
        }
        if let Some((name, writer)) = self.writers.get_mut(&message.slot)
            && let Err(error) = writer.write(&batch)
        {
            return Err(ArchiveError::parquet("write", &self.folder.join(format!("{name}.parquet")))(error));
        }
        self.unseen_bytes += batch.get_array_memory_size();
        if self.unseen_bytes < LOOK_BYTES {
            return Ok(());
        }
        self.unseen_bytes = 0;
        let total: usize = self.writers.values().map(|(_, w)| w.in_progress_size()).sum();
        if total > BUDGET_BYTES
            && let Some((name, writer)) = self.writers.values_mut().max_by_key(|(_, w)| w.in_progress_size())
        {
            let path = self.folder.join(format!("{name}.parquet"));
            writer.flush().map_err(ArchiveError::parquet("write", &path))?;
        }
        Ok(())
    }
}

impl Drop for TelemetryWriter {
    fn drop(&mut self) {
        self.writers.clear();
        // What was filed is elsewhere by now; what was not must not be found half-written.
        let _ = fs::remove_dir_all(&self.folder);
    }
}

/// Floating-point columns split by byte, integers as packed differences (plain, the narrow ones would take four
/// bytes each), text by dictionary; zstd over all.
fn properties(schema: &Schema) -> WriterProperties {
    let mut builder = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::default()))
        .set_statistics_enabled(EnabledStatistics::Chunk)
        .set_dictionary_enabled(false);
    for field in schema.fields() {
        let (data_type, path) = match field.data_type() {
            DataType::FixedSizeList(item, _) => (
                item.data_type(),
                ColumnPath::new(vec![field.name().clone(), "list".into(), item.name().clone()]),
            ),
            other => (other, ColumnPath::new(vec![field.name().clone()])),
        };
        builder = match data_type {
            DataType::Float32 | DataType::Float64 => {
                builder.set_column_encoding(path, Encoding::BYTE_STREAM_SPLIT)
            }
            integer if integer.is_integer() => {
                builder.set_column_encoding(path, Encoding::DELTA_BINARY_PACKED)
            }
            DataType::Utf8 => builder.set_column_dictionary_enabled(path, true),
            _ => builder,
        };
    }
    builder.build()
}
