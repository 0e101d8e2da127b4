//! `init`: a fleet folder with a commented `fleet.toml`.

use super::args::Init;
use super::output::Output;
use super::{Failure, Outcome};
use crate::archive::layout::FleetDir;
use crate::archive::{ArchiveError, atomic};
use crate::fleet::Fleet;
use std::io::Write;

/// Makes the folder; never replaces a `fleet.toml`.
///
/// # Errors
/// If there is a `fleet.toml` already or the folder cannot be written.
pub fn run(options: &Init, output: &mut Output) -> Result<Outcome, Failure> {
    let dir = FleetDir { root: options.folder.clone() };
    let path = dir.settings();
    if path.exists() {
        return Err(Failure(format!("{} exists already; edit it, or choose another folder", path.display())));
    }
    atomic::write(&path, |file| {
        file.write_all(Fleet::starter(&options.name).as_bytes()).map_err(ArchiveError::io("write", &path))
    })?;
    output.answer(&format!("wrote {}\n", path.display()));
    output.say(&format!(
        "next: describe your aircraft there, then `fettle import --fleet {} PATH-OF-CARD`",
        options.folder.display()
    ));
    Ok(Outcome::Done)
}
