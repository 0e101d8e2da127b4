//! Which of the imported logs a user means.

use super::Failure;
use crate::archive::raw;
use crate::archive::row::LogRow;
use std::path::Path;

/// The log that a user means: the beginning of an id, or a file.
///
/// # Errors
/// If there is none, or more than one.
pub fn log(rows: &[LogRow], text: &str) -> Result<String, Failure> {
    let path = Path::new(text);
    let beginning = if path.is_file() { raw::hash_file(path)?.0 } else { text.to_owned() };
    let found: Vec<&LogRow> = rows.iter().filter(|row| row.log_id.starts_with(&beginning)).collect();
    match found.as_slice() {
        _ if text.is_empty() => Err(Failure("a log's id or file is empty".to_owned())),
        [one] => Ok(one.log_id.clone()),
        [] => Err(Failure(format!(
            "no imported log has the id or file {text}; `fettle read FILE` shows a log's id"
        ))),
        many => Err(Failure(format!("{} logs' ids begin with {text}; give more of it", many.len()))),
    }
}
