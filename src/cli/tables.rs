//! `tables`: every message of a log as a Parquet file.

use super::args::Tables;
use super::output::Output;
use super::{Failure, Outcome, dialects, fleet, reading, signing};
use crate::archive::telemetry::TelemetryWriter;
use crate::recording::{BootSession, Reduce};
use crate::signal::Signals;

/// Writes `<MESSAGE>.parquet` files; sentinels are left as they were sent.
///
/// # Errors
/// If the log cannot be read, holds no telemetry, or a file is in the way.
pub fn run(options: &Tables, output: &mut Output) -> Result<Outcome, Failure> {
    let (fleet, folder) = fleet::optional(options.fleet.fleet.as_deref())?;
    let definitions = dialects::announced(&options.dialects, &fleet, folder.as_deref(), output)?;
    let key = signing::key(&options.signing)?;
    let decoding = reading::Decoding { definitions, key: key.as_ref() };
    let mut writer = TelemetryWriter::beside(&options.output)?;
    let mut hasher = blake3::Hasher::new();
    let (recording, problems) = reading::only_log(&options.log, |entry, input| {
        let reduce: Option<Reduce<'_>> = Some(Box::new(forget));
        Ok(reading::record(input, &entry.name, decoding, true, &mut writer, reduce, |bytes| {
            hasher.update(bytes);
            Ok(())
        })?)
    })?;
    let log_id = hasher.finalize().to_hex().to_string();
    let outcome = reading::warn(&problems, output);
    if let Some(why) = reading::unreadable(&recording) {
        return Err(Failure(format!("{}: {why}", options.log.display())));
    }
    let names = writer.move_to(&options.output, options.force, &log_id)?;
    output.answer(&format!("wrote {} tables to {}\n", names.len(), options.output.display()));
    Ok(outcome)
}

/// Tables need no signals.
fn forget(_: u32, _: Option<&str>, session: &mut BootSession) {
    session.signals = Signals::default();
    session.reduced = Some(Vec::new());
}
