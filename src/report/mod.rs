//! What people and programs see, made from catalogue rows.
//!
//! - [`due_dates`]: what is due, as entries of a calendar
//! - [`findings`]: findings for people, what goes on told once
//! - [`json`]: the machine form, on the schemas in `schemas/`
//! - [`text`]: the terminal form
//! - [`usage_json`], [`usage_text`], [`journal_text`]: hours, what is due, journal entries

pub mod due_dates;
pub mod findings;
pub mod journal_text;
pub mod json;
pub mod text;
pub mod usage_json;
pub mod usage_text;
