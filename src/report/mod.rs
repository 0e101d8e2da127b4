//! What people and programs see, made from catalogue rows.
//!
//! - [`json`]: the machine form, on the schemas in `schemas/`
//! - [`text`]: the terminal form

pub mod json;
pub mod text;
