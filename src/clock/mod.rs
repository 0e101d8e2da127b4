//! Boot time of every message, reboots, 32-bit wrap, and UTC bound to boot time.
//!
//! - [`boot`]: one sender's boot clock
//! - [`utc`]: the robust offset between boot time and UTC
//! - [`doubt`]: what is doubtful about it
//!
//! A message with a time field of its own is an instant; one without (HEARTBEAT, EXTENDED_SYS_STATE,
//! STATUSTEXT…) lies between its neighbours that have one.

pub mod boot;
pub mod doubt;
pub mod utc;
mod votes;

pub use boot::{BootClock, Placed, Stamp};
pub use doubt::UtcDoubt;
pub use utc::{SAME_BOOT_US, UtcBinding, UtcSource, UtcVotes};
