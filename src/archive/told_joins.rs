//! What a person says of two logs: that they are one recording, or are not: `joins/<log>-<log>.json`, the lesser id first. It is
//! asked whenever recordings are put together, and the logs stay as they are.

use super::layout::FleetDir;
use super::{ArchiveError, atomic, pending};
use serde::{Deserialize, Serialize};
use std::fs;
use std::io::{ErrorKind, Write};
use std::path::PathBuf;

/// What was said of two logs.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ToldJoin {
    /// One of them; the earlier one, if they are one recording.
    pub earlier: String,
    /// The other.
    pub later: String,
    /// They are one recording, or must not be.
    pub one: bool,
}

impl ToldJoin {
    /// The two logs, whichever is said to be earlier.
    pub fn pair(&self) -> (&str, &str) {
        let (a, b) = (self.earlier.as_str(), self.later.as_str());
        if a < b { (a, b) } else { (b, a) }
    }
}

fn folder(fleet: &FleetDir) -> PathBuf {
    fleet.archive().join("joins")
}

fn path(fleet: &FleetDir, told: &ToldJoin) -> PathBuf {
    let (a, b) = told.pair();
    folder(fleet).join(format!("{a}-{b}.json"))
}

/// All that was said.
///
/// # Errors
/// The file system's refusal, or a file of another form.
pub fn all(fleet: &FleetDir) -> Result<Vec<ToldJoin>, ArchiveError> {
    let folder = folder(fleet);
    let mut all = Vec::new();
    for (path, is_folder) in atomic::list(&folder)? {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        if is_folder || name.starts_with('.') || !name.ends_with(".json") {
            continue;
        }
        let text = match fs::read_to_string(&path) {
            // Taken back in the meantime.
            Err(error) if error.kind() == ErrorKind::NotFound => continue,
            text => text.map_err(ArchiveError::io("read", &path))?,
        };
        let told = serde_json::from_str(&text);
        all.push(told.map_err(|e| ArchiveError::ToldJoin { path: path.clone(), why: e.to_string() })?);
    }
    all.sort();
    Ok(all)
}

/// Keeps what is said of two logs, in place of what was said of them before.
///
/// # Errors
/// The file system's refusal.
pub fn write(fleet: &FleetDir, told: &ToldJoin) -> Result<(), ArchiveError> {
    let path = path(fleet, told);
    let text = serde_json::to_string_pretty(told)
        .map_err(|e| ArchiveError::ToldJoin { path: path.clone(), why: e.to_string() })?;
    atomic::write(&path, |file| writeln!(file, "{text}").map_err(ArchiveError::io("write", &path)))
}

/// Takes back what was said of two logs.
///
/// # Errors
/// The file system's refusal.
pub fn forget(fleet: &FleetDir, told: &ToldJoin) -> Result<(), ArchiveError> {
    pending::remove(&path(fleet, told))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_word_on_two_logs_holds() {
        let root = tempfile::tempdir().unwrap();
        let fleet = FleetDir { root: root.path().to_owned() };
        assert_eq!(all(&fleet).unwrap(), []);
        let told = |earlier: &str, later: &str, one| ToldJoin {
            earlier: earlier.to_owned(),
            later: later.to_owned(),
            one,
        };
        write(&fleet, &told("b", "a", true)).unwrap();
        write(&fleet, &told("a", "c", true)).unwrap();
        write(&fleet, &told("a", "b", false)).unwrap();
        assert_eq!(all(&fleet).unwrap(), [told("a", "b", false), told("a", "c", true)]);
        forget(&fleet, &told("b", "a", false)).unwrap();
        assert_eq!(all(&fleet).unwrap(), [told("a", "c", true)]);
        let broken = folder(&fleet).join("x-y.json");
        fs::write(&broken, "{}").unwrap();
        let error = all(&fleet).unwrap_err().to_string();
        assert!(error.contains("x-y.json") && error.contains("`fettle join`"), "{error}");
    }
}
