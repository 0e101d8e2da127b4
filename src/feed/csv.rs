//! Events as a table (RFC 4180): one row an event, one column a field of any type of event.
//!
//! A spreadsheet takes a cell that starts with `=`, `+`, `-`, `@`, a tab or a line break for a formula, and
//! serial numbers and free text come from anywhere. Such text gets an apostrophe in front, which
//! spreadsheets show as plain text. Three additions to that common rule: the full-width forms of the four
//! signs count as well; so does a sign after leading white space; and so does a sign after a `;`, a tab or
//! a line break inside the cell, because a spreadsheet set to another separator splits the cell there.
//! Plain numbers such as `-3.5` stay numbers. NDJSON has the text untouched.

use super::event::{Event, utc};
use serde_json::Value;
use std::borrow::Cow;
use std::io::Write;

/// Columns, in order. `kind` is the kind of finding in `finding` rows, else of component; lists
/// stand in one cell, separated by `; `.
pub const COLUMNS: [&str; 39] = [
    "cursor",
    "type",
    "event_id",
    "revision",
    "retracted",
    "recorded_utc",
    "aircraft",
    "flight_id",
    "component_id",
    "kind",
    "serial",
    "part_number",
    "position",
    "takeoff_utc",
    "touchdown_utc",
    "airtime_ms",
    "flights",
    "landings",
    "motor_starts",
    "charge_mah",
    "inspection_id",
    "entry",
    "at_utc",
    "by",
    "licence",
    "task",
    "result",
    "deferred_until",
    "readings",
    "parts_changed",
    "text",
    "finding_id",
    "subject",
    "severity",
    "value",
    "unit",
    "limit",
    "summary",
    "inspect",
];

/// Why a row could not be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum CsvError {
    /// The reader of the table went away or the disk is full.
    #[error("cannot write the table")]
    Write(#[from] ::csv::Error),
    /// A stored body is no JSON object.
    #[error("the body of feed event {event_id} is damaged")]
    Body {
        /// The event.
        event_id: String,
        /// Where.
        source: serde_json::Error,
    },
}

/// Writes a table.
#[derive(Debug)]
pub struct Table<W: Write> {
    writer: ::csv::Writer<W>,
}

impl<W: Write> Table<W> {
    /// Starts a table with its header.
    ///
    /// # Errors
    /// If `out` refuses.
    pub fn new(out: W) -> Result<Self, CsvError> {
        let mut writer = ::csv::WriterBuilder::new().terminator(::csv::Terminator::CRLF).from_writer(out);
        writer.write_record(COLUMNS)?;
        Ok(Table { writer })
    }

    /// Writes one event.
    ///
    /// # Errors
    /// If `out` refuses or the stored body is damaged.
    pub fn write(&mut self, event: &Event) -> Result<(), CsvError> {
        let damaged = |source| CsvError::Body { event_id: event.event_id.to_string(), source };
        let body: Value = serde_json::from_str(&event.body).map_err(damaged)?;
        let cell = |column: &&str| match *column {
            "cursor" => event.cursor.to_string(),
            "type" => event.kind.word().to_owned(),
            "event_id" => event.event_id.to_string(),
            "revision" => event.revision.to_string(),
            "retracted" => event.retracted.to_string(),
            "recorded_utc" => text(&utc(Some(event.recorded_utc_us))),
            field => body.get(field).map_or_else(String::new, text),
        };
        // Ids and instants of our own making pass the same gate: it leaves them as they are.
        Ok(self.writer.write_record(COLUMNS.iter().map(|c| harmless(&cell(c)).into_owned()))?)
    }

    /// Writes out what is still held: whole rows.
    ///
    /// # Errors
    /// If `out` refuses.
    pub fn flush(&mut self) -> Result<(), CsvError> {
        Ok(self.writer.flush().map_err(::csv::Error::from)?)
    }
}

/// A value as the text of a cell.
fn text(value: &Value) -> String {
    let join = |items: Vec<String>, separator| items.join(separator);
    match value {
        Value::Null => String::new(),
        Value::String(text) => text.clone(),
        Value::Bool(_) | Value::Number(_) => value.to_string(),
        Value::Array(items) => join(items.iter().map(text).collect(), "; "),
        Value::Object(reading) => {
            let part = |name| reading.get(name).map(text).filter(|t| !t.is_empty());
            join(["name", "value", "unit"].into_iter().filter_map(part).collect(), " ")
        }
    }
}

/// A cell that no spreadsheet takes for a formula.
fn harmless(cell: &str) -> Cow<'_, str> {
    if plain_number(cell) {
        return Cow::Borrowed(cell);
    }
    let mut out = String::with_capacity(cell.len());
    let mut at_start = true;
    for c in cell.chars() {
        let sign = matches!(c, '=' | '+' | '-' | '@' | '＝' | '＋' | '－' | '＠');
        if (at_start && sign) || (out.is_empty() && matches!(c, '\t' | '\r' | '\n')) {
            out.push('\'');
        }
        out.push(c);
        at_start = matches!(c, ';' | '\t' | '\r' | '\n') || (at_start && c.is_whitespace());
    }
    if out.len() == cell.len() { Cow::Borrowed(cell) } else { Cow::Owned(out) }
}

/// `-3.5`, `12`, `1e-7`: an optional minus, digits, optional decimals and exponent.
fn plain_number(cell: &str) -> bool {
    let unsigned = cell.strip_prefix('-').unwrap_or(cell);
    let (mantissa, exponent) = match unsigned.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, exponent.strip_prefix(['+', '-']).unwrap_or(exponent)),
        None => (unsigned, "0"),
    };
    let (whole, decimals) = mantissa.split_once('.').unwrap_or((mantissa, "0"));
    [whole, decimals, exponent].iter().all(|d| !d.is_empty() && d.bytes().all(|b| b.is_ascii_digit()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn formulas_become_text_and_numbers_stay_numbers() {
        // Leading characters: common practice for CSV injection; the additions are ours, see above.
        for (cell, want) in [
            ("=1+1", "'=1+1"),
            ("+49 1", "'+49 1"),
            ("-2+3+cmd", "'-2+3+cmd"),
            ("@SUM(A1)", "'@SUM(A1)"),
            ("\t=1", "'\t'=1"),
            ("\r=1", "'\r'=1"),
            (" =1", " '=1"),
            ("＝1", "'＝1"),
            ("-3.5", "-3.5"),
            ("-0", "-0"),
            ("-1.5e-7", "-1.5e-7"),
            ("-3.5 mm", "'-3.5 mm"),
            ("--3", "'--3"),
            ("-", "'-"),
            ("-.5", "'-.5"),
            ("1=2", "1=2"),
            ("SN-0042", "SN-0042"),
            ("nick; =HYPERLINK(1)", "nick; '=HYPERLINK(1)"),
            ("first line\n=2", "first line\n'=2"),
            ("2026-09-14T08:30:00.000Z", "2026-09-14T08:30:00.000Z"),
            ("", ""),
        ] {
            assert_eq!(harmless(cell), want, "{cell:?}");
        }
    }

    proptest! {
        #[test]
        fn no_piece_of_a_cell_starts_like_a_formula(cell in "[-=+@;\t\r\n a1.＝]{0,12}") {
            let out = harmless(&cell).into_owned();
            let bare = |t: &str| t.replace('\'', "");
            prop_assert_eq!(bare(&out), bare(&cell), "only apostrophes are added");
            if out.parse::<f64>().is_ok() && plain_number(&out) { return Ok(()); }
            for piece in out.split([';', '\t', '\r', '\n']) {
                prop_assert!(!piece.trim_start().starts_with(['=', '+', '-', '@', '＝']), "{:?}", out);
            }
            prop_assert!(!out.starts_with(['\t', '\r', '\n']));
        }
    }
}
