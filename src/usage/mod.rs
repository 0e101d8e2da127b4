//! Usage: which part has how many hours, what is due, from flights × fittings. Pure computation.
//!
//! - [`entry`]: what a person can write down, as it stands in the journal
//! - [`ledger`]: the journal's meaning: components, fittings, tasks, signatures; impossible histories refused
//! - [`conflict`]: why a history is impossible, in words
//! - [`amount`]: what is counted
//! - [`flown`]: a flight as usage sees it; which instants lie in the air
//! - [`timeline`]: usage up to any instant, as one running sum
//! - [`account`]: every aircraft's and component's usage, the flights behind it, what could not be attributed
//! - [`target`]: what a task is done on
//! - [`item`]: one task on one target, and how soon it is due
//! - [`due`]: everything that is due, and what brings it forward
//! - [`forecast`]: when, from the recent rate of use
//! - [`events`]: usage and inspection events for a feed
//! - [`rainflow`]: load cycles of a series (ASTM E1049-85)
//! - [`severity`]: how hard the hours were
//!
//! Nothing computed here is stored: a late card or a correction is right everywhere at once.

pub mod account;
pub mod amount;
pub mod conflict;
pub mod due;
pub mod entry;
pub mod events;
pub mod flown;
pub mod forecast;
pub mod item;
pub mod ledger;
pub mod rainflow;
pub mod severity;
pub mod target;
pub mod timeline;

pub use account::{Accounts, Missing, Share, Source, Straddle};
pub use amount::Amount;
pub use conflict::Conflict;
pub use entry::{Action, ComponentId, Entry};
pub use flown::{Flown, Pack};
pub use ledger::{Component, Fitting, Ledger, State};

/// Microseconds in a day.
pub const DAY_US: i64 = 86_400_000_000;

/// An instant as people read it, UTC.
pub fn utc(at_us: i64) -> String {
    jiff::Timestamp::from_microsecond(at_us)
        .map_or_else(|_| format!("{at_us} µs"), |t| t.strftime("%Y-%m-%dT%H:%M:%SZ").to_string())
}
