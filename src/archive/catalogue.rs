//! Writing and reading the catalogue tables, one small Parquet file a log and aircraft.

use super::layout::FleetDir;
use super::row::TableRow;
use super::{ArchiveError, atomic};
use parquet::arrow::ArrowWriter;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use parquet::basic::{Compression, ZstdLevel};
use parquet::file::properties::WriterProperties;
use rayon::prelude::*;
use std::collections::{HashMap, HashSet};
use std::fs::File;
use std::path::{Path, PathBuf};

/// Writes the rows of one log and aircraft, replacing what was there.
///
/// # Errors
/// The file system's or Parquet's refusal.
pub fn write<R: TableRow>(path: &Path, rows: &[R]) -> Result<(), ArchiveError> {
    atomic::write(path, |file| {
        let batch = R::to_batch(rows).map_err(|e| ArchiveError::parquet("lay out", path)(e.into()))?;
        let properties =
            WriterProperties::builder().set_compression(Compression::ZSTD(ZstdLevel::default())).build();
        let mut writer = ArrowWriter::try_new(file, batch.schema(), Some(properties))
            .map_err(ArchiveError::parquet("write", path))?;
        writer.write(&batch).map_err(ArchiveError::parquet("write", path))?;
        writer.close().map_err(ArchiveError::parquet("write", path))?;
        Ok(())
    })
}

/// The rows of one file.
///
/// # Errors
/// The file system's or Parquet's refusal, or a column this version does not know.
pub fn read_file<R: TableRow>(path: &Path) -> Result<Vec<R>, ArchiveError> {
    let file = File::open(path).map_err(ArchiveError::io("open", path))?;
    let reader = ParquetRecordBatchReaderBuilder::try_new(file)
        .and_then(|b| b.build())
        .map_err(ArchiveError::parquet("read", path))?;
    let mut rows = Vec::new();
    for batch in reader {
        let batch = batch.map_err(|e| ArchiveError::parquet("read", path)(e.into()))?;
        let found =
            R::from_batch(&batch).map_err(|column| ArchiveError::Column { path: path.to_owned(), column })?;
        rows.extend(found);
    }
    Ok(rows)
}

/// Every row of one table, file by file in the order of their paths; `aircraft` narrows it to one.
///
/// # Errors
/// As [`read_file`].
pub fn read<R: TableRow>(fleet: &FleetDir, aircraft: Option<&str>) -> Result<Vec<R>, ArchiveError> {
    let files = imported_files(fleet, R::TABLE, aircraft)?;
    // Opening a thousand small files is most of the work; the order of the files is kept.
    let rows: Vec<Vec<R>> = files.par_iter().map(|path| read_file(path)).collect::<Result<_, _>>()?;
    Ok(rows.into_iter().flatten().collect())
}

/// The files of one table that belong to an imported log: an import cut short leaves files that do not
/// count.
///
/// # Errors
/// The file system's refusal.
pub fn imported_files(
    fleet: &FleetDir,
    table: &str,
    aircraft: Option<&str>,
) -> Result<Vec<PathBuf>, ArchiveError> {
    let imported = imported(fleet)?;
    let mut found = files(&fleet.archive().join(table), aircraft)?;
    found.retain(|path| log_id(path).is_some_and(|id| imported.contains(id)));
    Ok(found)
}

/// Files that an import cut short left behind, by log id; importing that log again removes them first, in
/// case it is filed elsewhere now.
///
/// # Errors
/// The file system's refusal.
pub fn left_behind(
    fleet: &FleetDir,
    imported: &HashSet<String>,
) -> Result<HashMap<String, Vec<PathBuf>>, ArchiveError> {
    let mut left: HashMap<String, Vec<PathBuf>> = HashMap::new();
    for table in ["flights", "measures", "findings", "integrity", "recordings", "telemetry"] {
        for path in files(&fleet.archive().join(table), None)? {
            if let Some(id) = log_id(&path).filter(|id| !imported.contains(*id)) {
                left.entry(id.to_owned()).or_default().push(path);
            }
        }
    }
    Ok(left)
}

fn log_id(path: &Path) -> Option<&str> {
    path.file_stem()?.to_str()
}

/// The Parquet files under one table's folder, sorted by path.
///
/// # Errors
/// The file system's refusal.
pub fn files(table: &Path, aircraft: Option<&str>) -> Result<Vec<PathBuf>, ArchiveError> {
    let mut found = Vec::new();
    let mut folders = match aircraft {
        Some(name) => vec![table.join(format!("aircraft={name}"))],
        None => vec![table.to_owned()],
    };
    while let Some(folder) = folders.pop() {
        for (path, is_folder) in atomic::list(&folder)? {
            if is_folder {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "parquet")
                && !path.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'))
            {
                found.push(path);
            }
        }
    }
    found.sort();
    Ok(found)
}

/// The ids of all imported logs: the `logs/` row is written last and makes a log imported.
///
/// # Errors
/// The file system's refusal.
pub fn imported(fleet: &FleetDir) -> Result<HashSet<String>, ArchiveError> {
    let files = files(&fleet.archive().join("logs"), None)?;
    Ok(files.iter().filter_map(|p| log_id(p).map(str::to_owned)).collect())
}
