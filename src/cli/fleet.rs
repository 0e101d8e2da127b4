//! Finding and reading `fleet.toml`.

use super::Failure;
use crate::archive::layout::FleetDir;
use crate::fleet::Fleet;
use std::path::{Path, PathBuf};

fn find(explicit: Option<&Path>) -> Result<Option<FleetDir>, Failure> {
    let working =
        std::env::current_dir().map_err(|e| Failure(format!("cannot tell the working folder: {e}")))?;
    let environment = std::env::var_os("FETTLE_FLEET").filter(|v| !v.is_empty());
    Ok(FleetDir::find(explicit, environment.as_deref().map(Path::new), &working))
}

fn read(dir: &FleetDir) -> Result<Fleet, Failure> {
    let path = dir.settings();
    let text = std::fs::read_to_string(&path).map_err(|e| {
        Failure(format!(
            "cannot read {}: {e}; `fettle init {}` makes one",
            path.display(),
            dir.root.display()
        ))
    })?;
    Fleet::parse(&text).map_err(|errors| {
        let lines: Vec<String> = errors.iter().map(|e| format!("{}:{e}", path.display())).collect();
        Failure(lines.join("\nerror: "))
    })
}

/// The fleet that must be there.
///
/// # Errors
/// If no folder is found or its `fleet.toml` is unreadable or wrong.
pub fn required(explicit: Option<&Path>) -> Result<(FleetDir, Fleet), Failure> {
    let dir = find(explicit)?.ok_or_else(|| {
        Failure(
            "no fleet folder: no --fleet, no FETTLE_FLEET and no fleet.toml here or above; `fettle init DIR` makes one"
                .to_owned(),
        )
    })?;
    let fleet = read(&dir)?;
    Ok((dir, fleet))
}

/// The fleet if there is one, else none known; and its folder.
///
/// # Errors
/// If a fleet was named or found but cannot be read.
pub fn optional(explicit: Option<&Path>) -> Result<(Fleet, Option<PathBuf>), Failure> {
    find(explicit)?.map_or_else(
        || Ok((Fleet::default(), None)),
        |dir| read(&dir).map(|fleet| (fleet, Some(dir.root.clone()))),
    )
}
