//! Bytes to checked MAVLink frames: pure, streaming, and silent about what a message means.
//!
//! - `crc`: the checksum that alone makes a frame.
//! - `scalar`, `message`, `definitions`, `enumeration`: what the published messages look like.
//! - `dialect`: the same, from XML at run time.
//! - `layout`: the two frame layouts as parsers.
//! - `frame`: one checked frame, borrowed from the input.
//! - `stamp`: the 8-byte capture times that some recordings put before each frame.
//! - `sequence`, `integrity`: what was lost, skipped or unknown.
//! - `scan`: the scanner that ties these together.
//! - `signature`: who signed a frame.
//! - `payload`: numbers out of a payload that may have been cut short.

#![deny(clippy::indexing_slicing)]

pub mod crc;
pub mod definitions;
pub mod dialect;
pub mod enumeration;
pub mod frame;
pub mod integrity;
pub mod layout;
pub mod message;
pub mod payload;
pub mod scalar;
pub mod scan;
mod sequence;
pub mod signature;
pub mod stamp;

pub use definitions::Definitions;
pub use dialect::Dialect;
pub use frame::Frame;
pub use integrity::{Fill, Gap, Integrity};
pub use message::{Field, Message};
pub use scalar::Scalar;
pub use scan::{Met, Scanner};
pub use stamp::Container;
