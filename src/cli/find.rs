//! Which files under the given paths are worth reading: every regular file; what is not telemetry is
//! recognised by its content. A fleet's own files and hidden ones are passed over; links to folders are not
//! followed, so a loop cannot catch us.

use crate::archive::layout::SETTINGS;
use std::path::{Path, PathBuf};

/// What was found.
#[derive(Debug, Default)]
pub struct Found {
    /// Files to read, sorted.
    pub files: Vec<PathBuf>,
    /// Paths that cannot be read, and why.
    pub unreadable: Vec<(PathBuf, String)>,
    /// Paths that are not looked into, and what they are.
    pub passed_over: Vec<(PathBuf, String)>,
}

/// Names beside logs that are never logs; the last with the files that SQLite keeps beside a database.
const BESIDE: [&str; 7] = [
    "fleet.toml",
    "README.md",
    "truth.json",
    "logbook.db",
    "logbook.db-wal",
    "logbook.db-shm",
    "logbook.db-journal",
];

/// Walks `paths`; folders are searched, files are taken as they are.
pub fn logs(paths: &[PathBuf], archive: &Path) -> Found {
    let mut found = Found::default();
    let archive = archive.canonicalize().ok();
    for path in paths {
        match std::fs::metadata(path) {
            Ok(meta) if meta.is_dir() => walk(path, archive.as_deref(), &mut found),
            Ok(meta) if flows(&meta) => {
                let why = "a pipe or a device, and a log is read twice; save it to a file first";
                found.unreadable.push((path.clone(), why.to_owned()));
            }
            Ok(_) => found.files.push(path.clone()),
            Err(error) => found.unreadable.push((path.clone(), error.to_string())),
        }
    }
    found.files.sort();
    found.files.dedup();
    found
}

/// Whether what is read there is gone, or may never end.
#[cfg(unix)]
fn flows(meta: &std::fs::Metadata) -> bool {
    use std::os::unix::fs::FileTypeExt;
    let kind = meta.file_type();
    kind.is_fifo() || kind.is_char_device() || kind.is_socket()
}

/// Whether what is read there is gone, or may never end.
#[cfg(not(unix))]
fn flows(_: &std::fs::Metadata) -> bool {
    false
}

fn walk(folder: &Path, archive: Option<&Path>, found: &mut Found) {
    if archive.is_some() && folder.canonicalize().ok().as_deref() == archive {
        return;
    }
    let entries = match std::fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) => {
            found.unreadable.push((folder.to_owned(), error.to_string()));
            return;
        }
    };
    let mut entries: Vec<_> = entries
        .filter_map(|entry| match entry {
            Ok(entry) => Some(entry),
            Err(error) => {
                found.unreadable.push((folder.to_owned(), error.to_string()));
                None
            }
        })
        .collect();
    entries.sort_by_key(std::fs::DirEntry::file_name);
    for entry in entries {
        let name = entry.file_name();
        let name = name.to_string_lossy();
        let path = entry.path();
        if (name == "archive" || name == "backups") && folder.join(SETTINGS).is_file() {
            continue;
        }
        if name.starts_with('.') {
            found.passed_over.push((path, "hidden".to_owned()));
            continue;
        }
        if BESIDE.contains(&name.as_ref()) {
            continue;
        }
        match entry.file_type() {
            Ok(kind) if kind.is_dir() => walk(&path, archive, found),
            Ok(kind) if kind.is_file() => found.files.push(path),
            Ok(_) => match std::fs::metadata(&path) {
                Ok(meta) if meta.is_file() => found.files.push(path),
                Ok(meta) if meta.is_dir() => {
                    let what = "a link to a folder, which is not followed; name it to read it";
                    found.passed_over.push((path, what.to_owned()));
                }
                Ok(_) => found.passed_over.push((path, "neither a file nor a folder".to_owned())),
                Err(error) => {
                    found.passed_over.push((path, format!("a link that leads nowhere ({error})")));
                }
            },
            Err(error) => found.unreadable.push((path, error.to_string())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[cfg(unix)]
    #[test]
    fn a_device_that_never_ends_is_not_read() {
        let found = logs(&["/dev/zero".into()], Path::new("archive"));
        assert_eq!((found.files.len(), found.unreadable.len()), (0, 1));
    }

    #[test]
    fn only_exact_names_beside_logs_are_passed_over() {
        let card = tempfile::tempdir().unwrap();
        let names = [
            "README.md",
            "README.mdx",
            "fleet.toml",
            "fleet.toml.bin",
            "logbook.db-wal",
            "logbook.dbx",
            ".x",
        ];
        for name in names {
            std::fs::write(card.path().join(name), "x").unwrap();
        }
        let found = logs(&[card.path().to_owned()], Path::new("none"));
        let found: Vec<_> = found.files.iter().filter_map(|f| f.file_name()).collect();
        assert_eq!(found, ["README.mdx", "fleet.toml.bin", "logbook.dbx"]);
    }

    #[cfg(unix)]
    #[test]
    fn what_is_not_looked_into_is_known() {
        let card = tempfile::tempdir().unwrap();
        let link = |to: &Path, name: &str| std::os::unix::fs::symlink(to, card.path().join(name)).unwrap();
        std::fs::write(card.path().join("log"), "x").unwrap();
        link(card.path(), "loop");
        link(Path::new("nowhere"), "dangling");
        link(Path::new("log"), "to-log");
        std::fs::create_dir(card.path().join(".hidden")).unwrap();
        let found = logs(&[card.path().to_owned()], Path::new("none"));
        let name = |path: &PathBuf| path.file_name().unwrap().to_owned();
        assert_eq!(found.files.iter().map(name).collect::<Vec<_>>(), ["log", "to-log"]);
        let passed_over: Vec<_> = found.passed_over.iter().map(|(path, _)| name(path)).collect();
        assert_eq!(passed_over, [".hidden", "dangling", "loop"]);
        assert_eq!(found.unreadable, []);
    }
}
