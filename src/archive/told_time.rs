//! The time that a person gave a recording whose log tells none, or a wrong one: `clocks/<recording>.json`. It is
//! applied whenever the recording is drawn, and the log itself stays as it is.

use super::layout::FleetDir;
use super::{ArchiveError, atomic, pending};
use crate::clock::{UtcBinding, UtcSource};
use crate::recording::Recording;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs;
use std::io::{ErrorKind, Write};
use std::path::PathBuf;

/// What was said of one recording.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ToldTime {
    /// Unix microseconds of the first instant of a boot session, by its number from 0.
    #[serde(default)]
    pub starts_us: BTreeMap<usize, i64>,
    /// Microseconds to add to whatever the log tells, in boot sessions without a start.
    #[serde(default)]
    pub shift_us: i64,
}

impl ToldTime {
    /// True if nothing is said.
    pub fn is_empty(&self) -> bool {
        self.starts_us.is_empty() && self.shift_us == 0
    }

    /// The same for a log that begins `earlier_ms` before the one it was told of; of that, only one with `one_boot` has the
    /// start. `None`: nobody knows by how much.
    #[must_use]
    pub fn seen_from(mut self, earlier_ms: Option<i64>, one_boot: bool) -> Self {
        if earlier_ms != Some(0) {
            let start_us = self.starts_us.remove(&0);
            self.starts_us.clear();
            if let (Some(start_us), Some(earlier_ms), true) = (start_us, earlier_ms, one_boot) {
                self.starts_us.insert(0, start_us.saturating_sub(earlier_ms.saturating_mul(1000)));
            }
        }
        self
    }

    /// Gives the boot sessions of every vehicle their time.
    pub fn apply(&self, recording: &mut Recording) {
        for vehicle in &mut recording.vehicles {
            for (number, boot) in vehicle.boots.iter_mut().enumerate() {
                let start = self.starts_us.get(&number).zip(boot.span_ms);
                if let Some((start_us, (first_ms, _))) = start {
                    let boot_unix_us = start_us.saturating_sub(first_ms.saturating_mul(1000));
                    boot.utc = Some(UtcBinding::steady(UtcSource::Told, boot_unix_us));
                } else if let (Some(utc), true) = (boot.utc, self.shift_us != 0) {
                    boot.utc = Some(utc.shifted(UtcSource::Told, self.shift_us));
                }
            }
        }
    }
}

fn path(fleet: &FleetDir, recording_id: &str) -> PathBuf {
    fleet.archive().join("clocks").join(format!("{recording_id}.json"))
}

/// What was said of a recording, if anything.
///
/// # Errors
/// The file system's refusal, or a file of another form.
pub fn read(fleet: &FleetDir, recording_id: &str) -> Result<Option<ToldTime>, ArchiveError> {
    let path = path(fleet, recording_id);
    let text = match fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(ArchiveError::io("read", &path)(error)),
    };
    let told = serde_json::from_str(&text);
    told.map(Some).map_err(|e| ArchiveError::ToldTime { path, why: e.to_string() })
}

/// The recordings of which something is said.
///
/// # Errors
/// The file system's refusal.
pub fn all(fleet: &FleetDir) -> Result<Vec<String>, ArchiveError> {
    let folder = fleet.archive().join("clocks");
    let entries = match fs::read_dir(&folder) {
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Vec::new()),
        entries => entries.map_err(ArchiveError::io("list", &folder))?,
    };
    let mut ids = Vec::new();
    for entry in entries {
        let name = entry.map_err(ArchiveError::io("list", &folder))?.file_name();
        ids.extend(name.to_str().and_then(|n| n.strip_suffix(".json")).map(str::to_owned));
    }
    Ok(ids)
}

/// Forgets what is said of a recording.
///
/// # Errors
/// The file system's refusal.
pub fn forget(fleet: &FleetDir, recording_id: &str) -> Result<(), ArchiveError> {
    pending::remove(&path(fleet, recording_id))
}

/// Keeps what is said of a recording, in place of what was said before. What says nothing is kept too: that it was
/// taken back must be known until the recording is drawn without it, then [`forget`] it.
///
/// # Errors
/// The file system's refusal.
pub fn write(fleet: &FleetDir, recording_id: &str, told: &ToldTime) -> Result<(), ArchiveError> {
    let path = path(fleet, recording_id);
    let text = serde_json::to_string_pretty(told)
        .map_err(|e| ArchiveError::ToldTime { path: path.clone(), why: e.to_string() })?;
    atomic::write(&path, |file| {
        file.write_all(text.as_bytes())
            .and_then(|()| file.write_all(b"\n"))
            .map_err(ArchiveError::io("write", &path))
    })
}
