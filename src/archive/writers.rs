//! Who is writing into the archive, and sweeping up after those who were killed at it.
//!
//! Every writer holds a shared lock on `archive/.writers` as long as it lives; the operating system releases it
//! however the process ends. A writer that can take the lock for itself alone is therefore the only one, and
//! every temporary file (`.*.part`) under the archive belongs to nobody. Process numbers in the names are no
//! evidence: they are used again, and mean nothing on another host that shares the folder. Where the file
//! system has no locks, nothing is swept.

use super::layout::FleetDir;
use super::{ArchiveError, atomic};
use std::fs::{self, File, OpenOptions};
use std::path::Path;

/// Held while this process writes into the archive.
#[derive(Debug)]
pub struct Writer {
    /// Closing it releases the lock.
    _lock: File,
    /// Temporary files and folders of dead writers that were removed.
    pub swept: usize,
}

/// Enters the archive as a writer, and sweeps it if there is no other.
///
/// # Errors
/// The file system's refusal.
pub fn enter(fleet: &FleetDir) -> Result<Writer, ArchiveError> {
    let archive = fleet.archive();
    atomic::create_folder(&archive)?;
    let path = archive.join(".writers");
    let lock = OpenOptions::new()
        .create(true)
        .truncate(false)
        .write(true)
        .open(&path)
        .map_err(ArchiveError::io("open", &path))?;
    let swept = match lock.try_lock() {
        Ok(()) => {
            let swept = sweep(&archive);
            lock.unlock().map_err(ArchiveError::io("unlock", &path))?;
            swept?
        }
        // Another writer lives, or there are no locks here: what lies about may be in use.
        Err(_) => 0,
    };
    match lock.lock_shared() {
        Err(error) if error.kind() != std::io::ErrorKind::Unsupported => {
            Err(ArchiveError::io("lock", &path)(error))
        }
        _ => Ok(Writer { _lock: lock, swept }),
    }
}

/// Removes every temporary file and staging folder below `folder`.
fn sweep(folder: &Path) -> Result<usize, ArchiveError> {
    let mut swept = 0;
    for entry in fs::read_dir(folder).map_err(ArchiveError::io("list", folder))? {
        let entry = entry.map_err(ArchiveError::io("list", folder))?;
        let (path, name) = (entry.path(), entry.file_name());
        let name = name.to_string_lossy();
        let temporary = name.starts_with('.') && name.ends_with(".part");
        let kind = entry.file_type().map_err(ArchiveError::io("look at", &path))?;
        if temporary {
            let removed = if kind.is_dir() { fs::remove_dir_all(&path) } else { fs::remove_file(&path) };
            removed.map_err(ArchiveError::io("remove", &path))?;
            swept += 1;
        } else if kind.is_dir() {
            swept += sweep(&path)?;
        }
    }
    Ok(swept)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_dead_writer_left_goes_and_what_a_living_one_holds_stays() {
        let root = tempfile::tempdir().unwrap();
        let fleet = FleetDir { root: root.path().to_owned() };
        let raw = fleet.archive().join("raw");
        let (staging, copy) = (fleet.archive().join(".staging.7-0.part"), raw.join(".copy.7-1.part"));
        let (kept, dotted) = (raw.join("log.zst"), raw.join("x.part"));
        let lay = || {
            fs::create_dir_all(&staging).unwrap();
            fs::create_dir_all(&raw).unwrap();
            for path in [&staging.join("ATTITUDE.parquet"), &copy, &kept, &dotted] {
                fs::write(path, "x").unwrap();
            }
        };
        lay();
        let first = enter(&fleet).unwrap();
        assert_eq!(first.swept, 2);
        assert!(!staging.exists() && !copy.exists() && kept.exists() && dotted.exists());
        lay();
        let second = enter(&fleet).unwrap();
        assert_eq!(second.swept, 0, "the first writer lives");
        assert!(staging.exists() && copy.exists());
        drop((first, second));
        assert_eq!(enter(&fleet).unwrap().swept, 2);
    }
}
