//! From one recording and the fleet's settings to the rows of the catalogue, and from an aircraft's rows
//! to its findings.
//!
//! - [`log`]: one log's rows
//! - [`naming`]: which aircraft a log's vehicles are
//! - [`copies`]: which logs are the beginning of another one
//! - [`ends`]: what a log says at both ends
//! - `joint`: whether two files were one stream, by the bytes at the cut
//! - [`parts`]: which files are one recording that was rotated
//! - `fill`: which others lie in the holes of one
//! - [`severed`]: flights that a person must join
//! - [`told`]: what a person says of which are one
//! - [`pieces`]: files too short for a whole frame
//! - [`overlap`]: flights that several recordings show
//! - [`history`]: findings of every flight of one aircraft, each against the flights before it

pub mod copies;
pub mod ends;
mod fill;
pub mod history;
mod joint;
pub mod log;
pub mod naming;
pub mod overlap;
pub mod parts;
pub mod pieces;
pub mod severed;
pub mod told;

pub use history::judge_aircraft;
pub use log::{Assessment, assess, reducer};

/// Version of the methods behind the archived measures.
pub const METHOD_VERSION: i64 = 5;

/// The first twelve hex digits of BLAKE3 over the parts, each followed by a zero byte.
pub fn short_id(parts: &[&str]) -> String {
    let mut hasher = blake3::Hasher::new();
    for part in parts {
        hasher.update(part.as_bytes());
        hasher.update(&[0]);
    }
    hasher.finalize().to_hex().as_str().chars().take(12).collect()
}
