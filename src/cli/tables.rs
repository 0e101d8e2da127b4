//! `tables`: every message of a log as a Parquet file.

use super::args::Tables;
use super::output::Output;
use super::{Failure, Outcome, reading};
use crate::archive::raw::hash_file;
use crate::archive::telemetry::TelemetryWriter;
use crate::recording::BootSession;
use crate::signal::Signals;

/// Writes `<MESSAGE>.parquet` files; sentinels are left as they were sent.
///
/// # Errors
/// If the log cannot be read, holds no telemetry, or a file is in the way.
pub fn run(options: &Tables, output: &mut Output) -> Result<Outcome, Failure> {
    let (log_id, _) = hash_file(&options.log)?;
    let mut writer = TelemetryWriter::beside(&options.output)?;
    let recording = reading::record(&options.log, true, &mut writer, Some(Box::new(forget)), |_| Ok(()))?;
    if let Some(why) = reading::unusable(&recording) {
        return Err(Failure(format!("{}: {why}", options.log.display())));
    }
    let names = writer.move_to(&options.output, options.force, &log_id)?;
    output.answer(&format!("wrote {} tables to {}\n", names.len(), options.output.display()));
    Ok(Outcome::Done)
}

/// Tables need no signals.
fn forget(_: u32, _: Option<&str>, session: &mut BootSession) {
    session.signals = Signals::default();
    session.reduced = Some(Vec::new());
}
