//! Files appear whole or not at all: written under a temporary name in the same folder, synced, renamed.

use super::ArchiveError;
use std::fs::{self, File};
use std::hash::{BuildHasher, RandomState};
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};
use std::sync::LazyLock;
use std::sync::atomic::{AtomicU64, Ordering};

static SERIAL: AtomicU64 = AtomicU64::new(0);

/// This process, as no other one on any host that shares the folder is called: process numbers are used again, and
/// two containers may well have the same. The second part is drawn as the standard library draws the keys of its
/// hash maps.
pub fn process() -> String {
    static DRAWN: LazyLock<u64> = LazyLock::new(|| RandomState::new().hash_one(std::process::id()));
    format!("{}-{:016x}", std::process::id(), *DRAWN)
}

/// A name in the same folder that no other writer uses.
pub fn temporary_name(path: &Path) -> PathBuf {
    let serial = SERIAL.fetch_add(1, Ordering::Relaxed);
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    path.with_file_name(format!(".{name}.{}-{serial}.part", process()))
}

/// A new file of this name; one that is there is not touched.
///
/// # Errors
/// The file system's refusal.
pub fn create_new(path: &Path) -> Result<File, ArchiveError> {
    File::create_new(path).map_err(ArchiveError::io("create", path))
}

/// A new folder of a temporary name in `folder`, which is made if it is missing.
///
/// # Errors
/// The file system's refusal.
pub fn temporary_folder(folder: &Path, name: &str) -> Result<PathBuf, ArchiveError> {
    create_folder(folder)?;
    let made = temporary_name(&folder.join(name));
    fs::create_dir(&made).map_err(ArchiveError::io("create the folder", &made))?;
    Ok(made)
}

/// Makes a folder and those above it that are missing, and syncs every folder that gained one: else a power cut
/// could take a whole branch of finished files.
///
/// # Errors
/// The file system's refusal.
pub fn create_folder(folder: &Path) -> Result<(), ArchiveError> {
    let missing: Vec<&Path> =
        folder.ancestors().take_while(|f| !f.as_os_str().is_empty() && !f.is_dir()).collect();
    if missing.is_empty() {
        return Ok(());
    }
    fs::create_dir_all(folder)
        .map_err(|error| leads_nowhere(folder).unwrap_or(error))
        .map_err(ArchiveError::io("create the folder", folder))?;
    for made in missing {
        sync_folder(match made.parent() {
            Some(above) if !above.as_os_str().is_empty() => above,
            _ => Path::new("."),
        })?;
    }
    Ok(())
}

/// What lies in a folder, each with whether it is a folder; nothing if there is no such folder. What is there but
/// cannot be reached is an error: an archive on a disk that is away must not look like one in which nothing flew.
///
/// # Errors
/// The file system's refusal, or a link that leads nowhere.
pub fn list(folder: &Path) -> Result<Vec<(PathBuf, bool)>, ArchiveError> {
    let entries = match fs::read_dir(folder) {
        Err(error) if error.kind() == ErrorKind::NotFound => {
            let broken = leads_nowhere(folder);
            return broken.map_or(Ok(Vec::new()), |error| Err(ArchiveError::io("list", folder)(error)));
        }
        entries => entries.map_err(ArchiveError::io("list", folder))?,
    };
    let mut found = Vec::new();
    for entry in entries {
        let entry = entry.map_err(ArchiveError::io("list", folder))?;
        let path = entry.path();
        let look = |error: io::Error| leads_nowhere(&path).unwrap_or(error);
        let kind = match entry.file_type() {
            Ok(kind) if kind.is_symlink() => fs::metadata(&path).map(|meta| meta.file_type()).map_err(look),
            kind => kind,
        };
        let is_folder = kind.map_err(ArchiveError::io("look at", &path))?.is_dir();
        found.push((path, is_folder));
    }
    Ok(found)
}

/// The error of a path that is a link to nothing, or lies behind one.
fn leads_nowhere(path: &Path) -> Option<io::Error> {
    let there = path.ancestors().find(|above| fs::symlink_metadata(above).is_ok())?;
    let missing = fs::metadata(there).is_err_and(|error| error.kind() == ErrorKind::NotFound);
    missing.then(|| {
        let what = format!("{} is a link to something that is not there", there.display());
        io::Error::new(ErrorKind::NotFound, what)
    })
}

fn sync_folder(folder: &Path) -> Result<(), ArchiveError> {
    File::open(folder).and_then(|f| f.sync_all()).map_err(ArchiveError::io("sync the folder", folder))
}

/// The folder a path lies in; a bare name lies in the working folder.
pub fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Writes `path` through `write`; nothing is left behind on error.
///
/// # Errors
/// Whatever `write` returns, or the file system's refusal.
pub fn write(
    path: &Path,
    write: impl FnOnce(&mut File) -> Result<(), ArchiveError>,
) -> Result<(), ArchiveError> {
    let folder = folder_of(path);
    create_folder(folder)?;
    let temporary = temporary_name(path);
    // Whoever else made it keeps it.
    let mut file = create_new(&temporary)?;
    let result = (|| {
        write(&mut file)?;
        file.sync_all().map_err(ArchiveError::io("sync", &temporary))
    })();
    match result.and_then(|()| publish(&temporary, path)) {
        Ok(()) => Ok(()),
        Err(error) => {
            // The error that matters is the first one.
            let _ = fs::remove_file(&temporary);
            Err(error)
        }
    }
}

/// Renames a finished, synced file to its final name and syncs the folder.
///
/// # Errors
/// The file system's refusal.
pub fn publish(temporary: &Path, path: &Path) -> Result<(), ArchiveError> {
    let folder = folder_of(path);
    create_folder(folder)?;
    fs::rename(temporary, path).map_err(ArchiveError::io("rename into place", path))?;
    sync_folder(folder)
}

/// Items that are waited for at once.
const TOGETHER: usize = 16;

/// Does `work` for many items at once: a sync waits for the disk and not for a core, so they wait together.
///
/// # Errors
/// The first error in the order of the items; the others were tried too.
pub fn together<T: Sync>(
    items: &[T],
    work: impl Fn(&T) -> Result<(), ArchiveError> + Sync,
) -> Result<(), ArchiveError> {
    let work = &work;
    let mut results = Vec::new();
    for some in items.chunks(TOGETHER) {
        std::thread::scope(|scope| {
            let waiting: Vec<_> = some.iter().map(|item| scope.spawn(move || work(item))).collect();
            results.extend(waiting.into_iter().map(std::thread::ScopedJoinHandle::join));
        });
    }
    results.into_iter().try_for_each(|result| result.unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::AtomicUsize;

    #[test]
    fn a_temporary_name_is_of_this_process_and_of_one_file() {
        let name = |serial: &str| format!(".log.{}-{serial}.part", process());
        let made = temporary_name(Path::new("folder/log"));
        let serial = made.to_string_lossy().rsplit_once('-').unwrap().1.trim_end_matches(".part").to_owned();
        assert_eq!(made, Path::new("folder").join(name(&serial)));
        assert_ne!(made, temporary_name(Path::new("folder/log")));
        let (number, drawn) = process().split_once('-').map(|(n, d)| (n.to_owned(), d.to_owned())).unwrap();
        assert_eq!(number, std::process::id().to_string());
        assert!(drawn.len() == 16 && drawn != "0".repeat(16));

        let folder = tempfile::tempdir().unwrap();
        let taken = folder.path().join("taken");
        fs::write(&taken, "somebody's").unwrap();
        assert!(create_new(&taken).is_err());
        assert_eq!(fs::read(&taken).unwrap(), b"somebody's");
    }

    #[test]
    fn many_wait_together_but_not_all() {
        let (now, most, done) = (AtomicUsize::new(0), AtomicUsize::new(0), AtomicUsize::new(0));
        let items: Vec<usize> = (0..200).collect();
        let failing = together(&items, |item| {
            most.fetch_max(now.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
            std::thread::sleep(std::time::Duration::from_millis(2));
            now.fetch_sub(1, Ordering::SeqCst);
            done.fetch_add(1, Ordering::SeqCst);
            if *item == 3 || *item == 150 {
                return Err(ArchiveError::Exists { path: PathBuf::from(item.to_string()) });
            }
            Ok(())
        });
        assert!(matches!(failing, Err(ArchiveError::Exists { path }) if path == Path::new("3")));
        assert_eq!(done.into_inner(), 200, "the others were tried too");
        assert!((2..=TOGETHER).contains(&most.into_inner()));
    }
}
