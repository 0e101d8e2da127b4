//! The feed to a maintenance tracker: what was used, inspected and found, told so that it can be told twice.
//!
//! - [`event`]: the three types of event (pure); [`id`]: their ids, for good
//! - [`sources`]: what the logbook and the archive say now, as events (pure)
//! - [`revision`]: when an event gets a new revision (pure)
//! - [`outbox`]: what was told and in which order, in the logbook's database
//! - [`csv`]: events as a table that opens safely in a spreadsheet (pure)
//! - [`calendar`]: due dates as an iCalendar file (pure); [`sequence`]: their SEQUENCE numbers
//! - [`target`]: the receiver's address and token, neither ever shown
//! - [`backoff`]: how long to wait before a repetition (pure)
//! - [`post`]: batches over HTTP until the receiver has them; [`delivery`]: how far each receiver got
//!
//! # The receiver's rule
//! Keep, per `event_id`, the revision with the highest number; apply an event as often as it comes. A
//! retracted event holds no longer. A cursor resumes: the events after it are all that is new.

pub mod backoff;
pub mod calendar;
pub mod csv;
pub mod delivery;
pub mod event;
pub mod id;
pub mod outbox;
pub mod post;
pub mod revision;
pub mod sequence;
pub mod sources;
pub mod target;
