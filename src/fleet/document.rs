//! Spanned TOML with errors that say where and what would be right.

use std::fmt;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue};

/// Something wrong in `fleet.toml`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FleetError {
    /// Line from 1.
    pub line: usize,
    /// Column from 1, in characters.
    pub column: usize,
    /// What is wrong and what would be right.
    pub message: String,
}

impl fmt::Display for FleetError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}: {}", self.line, self.column, self.message)
    }
}

impl std::error::Error for FleetError {}

/// A table of the document.
pub type Table<'d> = &'d DeTable<'d>;

/// Reads values out of tables and gathers what is wrong.
pub struct Document<'t> {
    text: &'t str,
    /// Everything wrong so far.
    pub errors: Vec<FleetError>,
}

impl<'t> Document<'t> {
    /// A reader over the document's text.
    pub fn new(text: &'t str) -> Self {
        Document { text, errors: Vec::new() }
    }

    /// Notes something wrong at a byte range of the text.
    pub fn wrong(&mut self, span: &Range<usize>, message: impl Into<String>) {
        let before = self.text.get(..span.start).unwrap_or(self.text);
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().unwrap_or_default().chars().count() + 1;
        self.errors.push(FleetError { line, column, message: message.into() });
    }

    /// Notes every key of `table` that is not in `allowed`.
    pub fn keys(&mut self, table: Table<'_>, place: &str, allowed: &[&str]) {
        for key in table.keys() {
            let name: &str = key.get_ref();
            if allowed.contains(&name) {
                continue;
            }
            let near = near(name, allowed);
            self.wrong(&key.span(), format!("unknown key {name} in {place}; {near}"));
        }
    }

    /// A text; noted if of another type.
    pub fn text<'d>(&mut self, table: Table<'d>, key: &str) -> Option<(&'d str, Range<usize>)> {
        let value = table.get(key)?;
        let text = value.get_ref().as_str();
        if text.is_none() {
            self.mismatch(key, "a text in quotes", value);
        }
        Some((text?, value.span()))
    }

    /// A number within `range`; noted if of another type or outside.
    pub fn number(&mut self, table: Table<'_>, key: &str, range: Range<f64>) -> Option<f64> {
        let value = table.get(key)?;
        let Some(number) = number(value.get_ref()) else {
            self.mismatch(key, "a number", value);
            return None;
        };
        if !(range.contains(&number) || number == range.end) {
            self.wrong(
                &value.span(),
                format!("{key} = {number} must lie from {} to {}", range.start, range.end),
            );
            return None;
        }
        Some(number)
    }

    /// A whole number within `range`, both ends included.
    pub fn whole(&mut self, table: Table<'_>, key: &str, range: Range<u32>) -> Option<u32> {
        let number = self.number(table, key, f64::from(range.start)..f64::from(range.end))?;
        if number.fract() != 0.0 {
            if let Some(value) = table.get(key) {
                self.wrong(&value.span(), format!("{key} must be a whole number"));
            }
            return None;
        }
        Some(number as u32)
    }

    /// A table; noted if of another type.
    pub fn table<'d>(&mut self, table: Table<'d>, key: &str) -> Option<(Table<'d>, Range<usize>)> {
        let value = table.get(key)?;
        let found = value.get_ref().as_table();
        if found.is_none() {
            self.mismatch(key, "a table", value);
        }
        Some((found?, value.span()))
    }

    /// The tables of a list of tables (`[[key]]`).
    pub fn tables<'d>(&mut self, table: Table<'d>, key: &str) -> Vec<(Table<'d>, Range<usize>)> {
        let Some(array) = self.array(table, key) else { return Vec::new() };
        let mut found = Vec::new();
        for value in array.iter() {
            match value.get_ref().as_table() {
                Some(table) => found.push((table, value.span())),
                None => self.mismatch(key, "a list of tables", value),
            }
        }
        found
    }

    /// A list; noted if of another type.
    pub fn array<'d>(&mut self, table: Table<'d>, key: &str) -> Option<&'d DeArray<'d>> {
        let value = table.get(key)?;
        let array = value.get_ref().as_array();
        if array.is_none() {
            self.mismatch(key, "a list", value);
        }
        array
    }

    /// A value of the wrong type.
    pub fn mismatch(&mut self, key: &str, wanted: &str, value: &Spanned<DeValue<'_>>) {
        self.wrong(&value.span(), format!("{key} must be {wanted}, not {}", value.get_ref().type_str()));
    }
}

/// The word of `allowed` that was probably meant, or all of them.
pub fn near(word: &str, allowed: &[&str]) -> String {
    allowed
        .iter()
        .map(|a| (strsim::damerau_levenshtein(a, word), *a))
        .min()
        .filter(|(distance, _)| *distance <= 2 + word.len() / 4)
        .map_or_else(|| format!("one of {}", allowed.join(", ")), |(_, a)| format!("did you mean {a}?"))
}

/// A TOML integer or float as a finite number.
pub fn number(value: &DeValue<'_>) -> Option<f64> {
    let number = match value {
        DeValue::Integer(integer) => i64::from_str_radix(integer.as_str(), integer.radix()).ok()? as f64,
        DeValue::Float(float) => float.as_str().parse().ok()?,
        _ => return None,
    };
    number.is_finite().then_some(number)
}
