//! Where things are in a fleet folder.

use std::path::{Path, PathBuf};

/// The name of the settings file that marks a fleet folder.
pub const SETTINGS: &str = "fleet.toml";

/// A fleet folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FleetDir {
    /// The folder itself.
    pub root: PathBuf,
}

impl FleetDir {
    /// The explicit folder, else `from_environment`, else upwards from `working`; `None` if there is none.
    pub fn find(
        explicit: Option<&Path>,
        from_environment: Option<&Path>,
        working: &Path,
    ) -> Option<FleetDir> {
        let at = |root: &Path| FleetDir { root: root.to_owned() };
        explicit
            .or(from_environment)
            .map(at)
            .or_else(|| working.ancestors().find(|folder| folder.join(SETTINGS).is_file()).map(at))
    }

    /// `fleet.toml`.
    pub fn settings(&self) -> PathBuf {
        self.root.join(SETTINGS)
    }

    /// The archive.
    pub fn archive(&self) -> PathBuf {
        self.root.join("archive")
    }

    /// The logbook.
    pub fn logbook(&self) -> PathBuf {
        self.root.join("logbook.db")
    }

    /// The exact copy of a log.
    pub fn raw(&self, log_id: &str) -> PathBuf {
        self.archive().join("raw").join(log_id.get(..2).unwrap_or("00")).join(format!("{log_id}.zst"))
    }

    /// Files too short for a whole frame.
    pub fn pieces(&self) -> PathBuf {
        self.archive().join("pieces")
    }

    /// One catalogue or telemetry file, `kind` being `logs`, `flights`, `telemetry/ATTITUDE`…
    pub fn partition(&self, kind: &str, aircraft: &str, date: &str, log_id: &str) -> PathBuf {
        self.archive()
            .join(kind)
            .join(format!("aircraft={aircraft}"))
            .join(format!("date={date}"))
            .join(format!("{log_id}.parquet"))
    }
}
