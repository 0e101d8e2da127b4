//! Boot time of every message, reboots, 32-bit wrap, and UTC bound to boot time.
//!
//! - [`boot`]: one sender's boot clock
//! - [`utc`]: the robust offset between boot time and UTC
//!
//! A message with a time field of its own is an instant; one without (HEARTBEAT, EXTENDED_SYS_STATE,
//! STATUSTEXT…) lies between its neighbours that have one.

pub mod boot;
pub mod utc;

pub use boot::{BootClock, Placed, Stamp};
pub use utc::{UtcBinding, UtcSource, UtcVotes};
