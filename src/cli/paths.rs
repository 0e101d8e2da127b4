//! A log can lie under several paths: on two cards, in a folder it was moved to. Which of them leads does not depend on the
//! order in which they were met; where it makes the log another aircraft's, the log is drawn again.

use super::import::Into;
use super::recordings;
use crate::archive::row::{LogRow, TableRow};
use crate::archive::{ArchiveError, catalogue};
use crate::assess::ends::Ends;
use crate::assess::naming;
use std::collections::{BTreeMap, BTreeSet};

/// What the paths say.
#[derive(Debug, Default)]
pub struct Led {
    /// Logs that are another aircraft's now, with the path that leads: to be drawn again.
    pub moved: BTreeMap<String, String>,
    /// Logs that the folders of several aircraft claim, in sentences.
    pub at_odds: Vec<String>,
}

/// Gives every log the leading one of its path so far and those it was `seen` under, and finds those that belong to
/// another aircraft by it, or by `fleet.toml` as it is now.
///
/// # Errors
/// If the rows of the logs cannot be read or written.
pub fn lead(seen: &BTreeMap<String, BTreeSet<String>>, into: &Into<'_>) -> Result<Led, ArchiveError> {
    let mut led = Led::default();
    let firsts = recordings::firsts(into.dir)?;
    for file in catalogue::files(&into.dir.archive().join(LogRow::TABLE), None)? {
        let id = file.file_stem().and_then(|stem| stem.to_str());
        let Some(paths) = id.and_then(|id| seen.get(id)) else { continue };
        for row in catalogue::read_file::<LogRow>(&file)? {
            let ends = serde_json::from_str::<Ends>(&row.ends).unwrap_or_default();
            let all: BTreeSet<&str> = paths.iter().chain([&row.path]).map(String::as_str).collect();
            let all: Vec<&str> = all.into_iter().collect();
            let path = naming::leading(&ends, all.iter().copied(), into.fleet).unwrap_or(&row.path);
            let claims = naming::at_odds(&ends, &all, into.fleet);
            let names = naming::names(&ends, path, into.fleet);
            if !claims.is_empty() {
                let claims: Vec<String> = claims.iter().map(|(p, name)| format!("{p} ({name})")).collect();
                led.at_odds.push(format!(
                    "one log lies in folders of several aircraft, {}; it counts for {}. To change that, tell them apart by autopilot_uid or \
                     system_id in fleet.toml, then `fettle reassess`",
                    claims.join(" and "),
                    names.join(", ")
                ));
            }
            let elsewhere = !names.is_empty() && !names.contains(&row.aircraft);
            // What the log does not say itself, the recording it begins may.
            let more = path != row.path && (names.is_empty() || firsts.contains(&row.log_id));
            if elsewhere || more || names != naming::names(&ends, &row.path, into.fleet) {
                led.moved.insert(row.log_id, path.to_owned());
            } else if path != row.path {
                let path = path.to_owned();
                catalogue::write(&file, &[LogRow { path, ..row }])?;
            }
        }
    }
    Ok(led)
}
