//! Checked frames to Arrow: one table a message, columns as published.
//!
//! - `schema`: the columns of a message's table.
//! - `column`: one field of many rows, out of the row buffer.
//! - `rows`: the rows of one message that wait to become a batch.
//! - `tables`: all messages together.

#![deny(clippy::indexing_slicing)]

mod column;
mod rows;
pub mod schema;
pub mod tables;

pub use rows::RowTimes;
pub use schema::schema;
pub use tables::{BatchSink, RowId, Tables};
