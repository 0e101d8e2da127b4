//! fettle reads raw MAVLink telemetry of multirotors and tells a maintainer what flew, for exactly how
//! long, and which small signals changed, so that a hand goes to the right place first.
//!
//! The way of the data is the order of the modules; arrows point one way only:
//!
//! | module        | from → to                                                          |
//! |---------------|--------------------------------------------------------------------|
//! | [`wire`]      | bytes → checked MAVLink frames, message definitions, containers    |
//! | [`capture`]   | packet captures → the payload of their flows                         |
//! | [`table`]     | frames → one Arrow table a message                                 |
//! | [`clock`]     | frames → boot time, reboots, UTC                                   |
//! | [`signal`]    | frames → the typed series that the methods read, sentinels removed |
//! | [`airframe`]  | geometry, spin, outputs → allocation matrix                        |
//! | [`recording`]   | one log, bytes to tables, clocks and signals, sans I/O               |
//! | [`flight`]    | series → flights with airtime and its bounds                       |
//! | [`measure`]   | series of one flight and the airframe → numbers                    |
//! | [`finding`]   | numbers, limits, earlier flights → what to inspect                 |
//! | [`fleet`]     | `fleet.toml`                                                       |
//! | [`source`]    | files, compressed files and archives → readers of logs               |
//! | [`usage`]     | flights, the journal → hours, what is due                          |
//! | [`archive`]   | the Parquet archive: layout, raw copies, atomic writes             |
//! | [`assess`]      | a recording and the fleet's settings → catalogue rows, findings      |
//! | [`feed`]      | what a maintenance tracker is told, calendar of due dates          |
//! | [`report`]    | what people and programs see                                       |
//! | [`logbook`]   | the journal: SQLite, append-only, chained                          |
//! | [`cli`]       | the commands                                                       |
//!
//! Everything before `archive` is pure computation: it takes bytes, slices and columns, returns plain
//! structs, and knows no file, clock or environment.

pub mod airframe;
pub mod archive;
pub mod assess;
pub mod capture;
pub mod cli;
pub mod clock;
pub mod feed;
pub mod finding;
pub mod fleet;
pub mod flight;
pub mod logbook;
pub mod measure;
pub mod recording;
pub mod report;
pub mod signal;
#[cfg(feature = "simulator")]
pub mod simulator;
pub mod source;
pub mod stats;
pub mod table;
pub mod usage;
pub mod wire;
