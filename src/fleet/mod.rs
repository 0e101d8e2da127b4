//! `fleet.toml`: aircraft, geometry, outputs, limits and inspection tasks, as written by hand.
//!
//! - [`document`]: spanned TOML, errors with line, column and the nearest valid key
//! - [`parse`]: the document's meaning
//! - [`recognise`]: which aircraft a log belongs to
//! - [`task`]: inspection tasks
//!
//! Strict: unknown keys and impossible values are errors, all of them reported at once.

pub mod document;
pub mod parse;
pub mod recognise;
pub mod task;

use crate::airframe::Airframe;
use crate::finding::Limits;
pub use document::FleetError;
pub use recognise::{Identity, Recognition};
pub use task::{After, Interval, Task};

/// What `fleet.toml` says.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Fleet {
    /// Name of the fleet.
    pub name: String,
    /// Files of message definitions beside the built-in ones, from the folder of `fleet.toml`.
    pub dialects: Vec<String>,
    /// The aircraft, in the file's order.
    pub aircraft: Vec<Aircraft>,
    /// Inspection tasks.
    pub tasks: Vec<Task>,
    /// Limits, with the defaults where the file is silent.
    pub limits: Limits,
}

/// One aircraft.
#[derive(Debug, Clone, PartialEq)]
pub struct Aircraft {
    /// Its name: also a folder name in the archive.
    pub name: String,
    /// How its logs are told from others'.
    pub recognise: Recognise,
    /// Geometry and outputs; `None` if the file does not map motors to outputs.
    pub airframe: Option<Airframe>,
    /// Flights from here on, µs Unix, are not compared with those before: something was changed on purpose.
    pub baseline_from_us: Option<i64>,
}

/// The µs Unix of a UTC date like `2026-09-14` or an instant like `2026-09-14T08:30:00Z`.
pub fn instant_us(text: &str) -> Option<i64> {
    let midnight = format!("{text}T00:00:00Z");
    let parsed = text.parse::<jiff::Timestamp>().or_else(|_| midnight.parse());
    parsed.ok().map(jiff::Timestamp::as_microsecond)
}

/// How an aircraft's logs are told from others'.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Recognise {
    /// Hardware identity from AUTOPILOT_VERSION, `0x` and lower-case digits without leading zeros.
    pub autopilot_uid: Option<String>,
    /// MAVLink system id.
    pub system_id: Option<u32>,
    /// Path patterns with `*` and `**`.
    pub paths: Vec<String>,
}

impl Fleet {
    /// Reads the text of a `fleet.toml`.
    ///
    /// # Errors
    /// Everything that is wrong with it, in the order of the file.
    pub fn parse(text: &str) -> Result<Fleet, Vec<FleetError>> {
        parse::fleet(text)
    }

    /// The text that a new fleet begins with.
    pub fn starter(name: &str) -> String {
        format!(
            "# The fleet: its aircraft, limits and inspection tasks. Read by every fettle command.\n\
             [fleet]\nname = {}\n{}",
            toml_text(name),
            include_str!("starter.toml")
        )
    }
}

fn toml_text(text: &str) -> String {
    let escaped: String = text
        .chars()
        .map(|c| match c {
            '"' => "\\\"".to_owned(),
            '\\' => "\\\\".to_owned(),
            c if c.is_control() => format!("\\u{:04X}", u32::from(c)),
            c => c.to_string(),
        })
        .collect();
    format!("\"{escaped}\"")
}

#[cfg(test)]
mod tests;
