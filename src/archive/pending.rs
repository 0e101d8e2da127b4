//! Marks of work on the archive that takes several steps. A mark lies in the archive, locked, as long as its process
//! lives, and is removed when all is done; one that nobody holds was left by a process that was killed, and the next
//! import finishes the work.

use super::layout::FleetDir;
use super::{ArchiveError, atomic};
use std::fs::{self, File};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// First part of a mark's name; what tells the process from all others follows.
const MARK: &str = ".unjoined.";

/// Work that is under way.
#[derive(Debug)]
pub struct Pending {
    own: PathBuf,
    /// Closing it releases the lock.
    _lock: File,
    left: Vec<PathBuf>,
}

impl Pending {
    /// Sets a mark, and looks for those that were left.
    ///
    /// # Errors
    /// The file system's refusal.
    pub fn begin(fleet: &FleetDir) -> Result<Pending, ArchiveError> {
        let archive = fleet.archive();
        let mut left = Vec::new();
        for entry in fs::read_dir(&archive).map_err(ArchiveError::io("list", &archive))? {
            let path = entry.map_err(ArchiveError::io("list", &archive))?.path();
            let is_mark = path.file_name().is_some_and(|name| name.to_string_lossy().starts_with(MARK));
            // Whoever lives holds the lock of its mark.
            if is_mark && File::open(&path).is_ok_and(|mark| mark.try_lock().is_ok()) {
                left.push(path);
            }
        }
        let own = archive.join(format!("{MARK}{}", atomic::process()));
        atomic::write(&own, |_| Ok(()))?;
        let lock = File::open(&own).map_err(ArchiveError::io("open", &own))?;
        match lock.lock() {
            Err(error) if error.kind() != ErrorKind::Unsupported => {
                Err(ArchiveError::io("lock", &own)(error))
            }
            _ => Ok(Pending { own, _lock: lock, left }),
        }
    }

    /// Whether work was left half done.
    pub fn is_left(&self) -> bool {
        !self.left.is_empty()
    }

    /// The own work is done; what was left stays for the next import.
    ///
    /// # Errors
    /// The file system's refusal.
    pub fn done(self) -> Result<(), ArchiveError> {
        remove(&self.own)
    }

    /// The own work is done, and what was left too.
    ///
    /// # Errors
    /// The file system's refusal.
    pub fn all_done(self) -> Result<(), ArchiveError> {
        self.left.iter().chain([&self.own]).try_for_each(|mark| remove(mark))
    }

    /// Work is still half done: the own mark stays for the next import, and stands for those that were left.
    ///
    /// # Errors
    /// The file system's refusal.
    pub fn leave(self) -> Result<(), ArchiveError> {
        self.left.iter().try_for_each(|mark| remove(mark))
    }
}

/// Removes a file; another process may have done it.
///
/// # Errors
/// The file system's refusal.
pub fn remove(path: &Path) -> Result<(), ArchiveError> {
    match fs::remove_file(path) {
        Err(error) if error.kind() != ErrorKind::NotFound => Err(ArchiveError::io("remove", path)(error)),
        _ => Ok(()),
    }
}
