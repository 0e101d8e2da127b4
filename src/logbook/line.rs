//! One journal line, its bytes and its hash.
//!
//! | field      | bytes                                   |
//! |------------|-----------------------------------------|
//! | `prev`     | 32, hash of the line before; zeros first |
//! | `seq`      | i64 LE                                  |
//! | `at`       | i64 LE, Unix microseconds               |
//! | `entered`  | i64 LE, Unix microseconds               |
//! | `corrects` | i64 LE, 0 if none                       |
//! | `kind`     | length as u64 LE, then the text         |
//! | `body`     | length as u64 LE, then the text         |
//!
//! The hash is the BLAKE3 of all of them in this order, so a line binds itself and every line before it.

use super::LogbookError;
use crate::usage::{Action, Entry};
use serde_json::Value;

/// A line as stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// Number from 1.
    pub seq: i64,
    /// When it happened.
    pub at_us: i64,
    /// When it was written down.
    pub entered_us: i64,
    /// Kind of entry.
    pub kind: String,
    /// JSON text, kept to the byte.
    pub body: String,
    /// The entry it replaces.
    pub corrects: Option<i64>,
    /// Hash of the line before.
    pub prev: [u8; 32],
    /// Its own.
    pub hash: [u8; 32],
}

impl Line {
    /// The line that follows `(seq, hash)` of the last one.
    ///
    /// # Errors
    /// If the action cannot be written as JSON.
    pub fn following(
        last: (i64, [u8; 32]),
        at_us: i64,
        entered_us: i64,
        action: &Action,
        corrects: Option<i64>,
    ) -> Result<Line, LogbookError> {
        let seq = last.0 + 1;
        let unreadable = |why: serde_json::Error| LogbookError::Unreadable { seq, why: why.to_string() };
        let mut value = serde_json::to_value(action).map_err(unreadable)?;
        let mut body = value.get_mut("body").map(Value::take).unwrap_or_default();
        without_nulls(&mut body);
        let mut line = Line {
            seq,
            at_us,
            entered_us,
            kind: action.word().to_owned(),
            body: body.to_string(),
            corrects,
            prev: last.1,
            hash: [0; 32],
        };
        line.hash = line.computed_hash();
        Ok(line)
    }

    /// The hash that belongs to its content.
    pub fn computed_hash(&self) -> [u8; 32] {
        let mut hasher = blake3::Hasher::new();
        hasher.update(&self.prev);
        for number in [self.seq, self.at_us, self.entered_us, self.corrects.unwrap_or(0)] {
            hasher.update(&number.to_le_bytes());
        }
        for text in [&self.kind, &self.body] {
            hasher.update(&(text.len() as u64).to_le_bytes());
            hasher.update(text.as_bytes());
        }
        *hasher.finalize().as_bytes()
    }

    /// What it says.
    ///
    /// # Errors
    /// If the kind or body is not one this version writes.
    pub fn entry(&self) -> Result<Entry, LogbookError> {
        let unreadable =
            |why: serde_json::Error| LogbookError::Unreadable { seq: self.seq, why: why.to_string() };
        let body: Value = serde_json::from_str(&self.body).map_err(unreadable)?;
        let action = serde_json::json!({"kind": self.kind, "body": body});
        Ok(Entry {
            seq: self.seq,
            at_us: self.at_us,
            entered_us: self.entered_us,
            action: serde_json::from_value(action).map_err(unreadable)?,
            corrects: self.corrects,
        })
    }
}

fn without_nulls(value: &mut Value) {
    match value {
        Value::Object(object) => {
            object.retain(|_, v| !v.is_null());
            object.values_mut().for_each(without_nulls);
        }
        Value::Array(array) => array.iter_mut().for_each(without_nulls),
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::usage::entry::Event;

    #[test]
    fn the_hash_is_of_the_documented_bytes() {
        let event = Event { aircraft: "heron".into(), event: "hard landing".into(), note: None };
        let line = Line::following((0, [0; 32]), 1, -2, &Action::Event(event), None).unwrap();
        let body = r#"{"aircraft":"heron","event":"hard landing"}"#;
        assert_eq!(line.body, body, "canonical: sorted keys, no nulls");
        let mut bytes = vec![0u8; 32];
        for number in [1i64, 1, -2, 0] {
            bytes.extend(number.to_le_bytes());
        }
        bytes.extend(5u64.to_le_bytes());
        bytes.extend(b"event");
        bytes.extend((body.len() as u64).to_le_bytes());
        bytes.extend(body.as_bytes());
        assert_eq!(line.hash, *blake3::hash(&bytes).as_bytes());
        assert_eq!(line.entry().unwrap().action.word(), "event");
    }

    #[test]
    fn an_unknown_field_is_not_passed_over() {
        let mut line = Line::following(
            (0, [0; 32]),
            1,
            1,
            &Action::Void(crate::usage::entry::Void { reason: "x".into() }),
            Some(1),
        )
        .unwrap();
        line.body = r#"{"reason":"x","cause":"y"}"#.into();
        assert!(line.entry().unwrap_err().to_string().contains("cause"));
    }
}
