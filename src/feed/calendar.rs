//! Forecast due dates as an iCalendar file (RFC 5545): one all-day VEVENT each.
//!
//! The UID follows from the task and what it is done to, so a new file moves an entry instead of adding one;
//! SEQUENCE grows with every change (see [`super::sequence`]). An entry that is no longer due is sent once
//! more as cancelled. Entries do not block time (TRANSP:TRANSPARENT) and ring no alarm.

use super::id::digest;
use jiff::civil::Date;
use std::fmt::Write;

/// Stands in every entry.
pub const CAUTION: &str = "Forecast from the recent rate of use, not a release to fly: the logbook, the \
                           manufacturer's manual and local rules decide.";

/// When a task will be due if use goes on as it did.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DueDate {
    /// Task and what it is done to; the same for as long as both stay. Not shown.
    pub key: String,
    /// The aircraft or component, as people name it.
    pub subject: String,
    /// What is to be done.
    pub task: String,
    /// The forecast date.
    pub date: Date,
    /// Spread, what remains, which findings bring it forward; may have several lines.
    pub note: String,
}

/// A due date with what a calendar needs to tell old from new.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// What is due.
    pub due: DueDate,
    /// Globally unique and the same for ever.
    pub uid: String,
    /// Changes so far.
    pub sequence: i64,
    /// When it changed last, Unix microseconds.
    pub changed_utc_us: i64,
    /// True if it is no longer due.
    pub cancelled: bool,
}

/// The UID of a key: 32 hex digits of BLAKE3.
pub fn uid(key: &str) -> String {
    let half = digest(["feed due date", key].into_iter());
    half.iter().fold(String::new(), |text, byte| format!("{text}{byte:02x}"))
}

/// The file.
pub fn calendar(entries: &[Entry]) -> String {
    let mut out = String::new();
    let head = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//fettle//due dates 1//EN", "CALSCALE:GREGORIAN"];
    head.iter().for_each(|text| line(&mut out, text));
    for entry in entries {
        event(&mut out, entry);
    }
    line(&mut out, "END:VCALENDAR");
    out
}

fn event(out: &mut String, entry: &Entry) {
    let due = &entry.due;
    // An instant outside the calendar's years is none that a clock shows; the epoch stands for it.
    let changed = jiff::Timestamp::from_microsecond(entry.changed_utc_us).unwrap_or_default();
    let note = if due.note.is_empty() { String::new() } else { format!("{}\n", due.note) };
    line(out, "BEGIN:VEVENT");
    line(out, &format!("UID:{}", entry.uid));
    line(out, &format!("DTSTAMP:{}", changed.strftime("%Y%m%dT%H%M%SZ")));
    line(out, &format!("DTSTART;VALUE=DATE:{}", due.date.strftime("%Y%m%d")));
    line(out, &format!("SEQUENCE:{}", entry.sequence));
    line(out, &format!("SUMMARY:{}", escaped(&format!("{}: {} due", due.subject, due.task))));
    line(out, &format!("DESCRIPTION:{}", escaped(&format!("{note}{CAUTION}"))));
    line(out, "CATEGORIES:MAINTENANCE");
    line(out, if entry.cancelled { "STATUS:CANCELLED" } else { "STATUS:TENTATIVE" });
    line(out, "TRANSP:TRANSPARENT");
    line(out, "END:VEVENT");
}

/// TEXT (RFC 5545 §3.3.11): backslash, semicolon and comma escaped, line breaks as `\n`, no other controls.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.replace("\r\n", "\n").chars() {
        match c {
            '\\' | ';' | ',' => out.extend(['\\', c]),
            '\n' | '\r' => out.push_str("\\n"),
            '\t' => out.push(' '),
            c if c.is_control() => {}
            c => out.push(c),
        }
    }
    out
}

/// One content line, folded at 75 octets without cutting a character (RFC 5545 §3.1).
fn line(out: &mut String, text: &str) {
    let mut room = 75usize;
    for c in text.chars() {
        if c.len_utf8() > room {
            out.push_str("\r\n ");
            room = 74;
        }
        room -= c.len_utf8();
        // Writing to a String cannot fail.
        let _ = out.write_char(c);
    }
    out.push_str("\r\n");
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn folding_keeps_75_octets_and_every_character(text in "[a-zé€🛠 ]{0,300}") {
            let mut out = String::new();
            line(&mut out, &text);
            let body = out.strip_suffix("\r\n").unwrap();
            for (number, folded) in body.split("\r\n").enumerate() {
                prop_assert!(folded.len() <= 75);
                prop_assert!(number == 0 || folded.starts_with(' '));
            }
            prop_assert_eq!(body.replace("\r\n ", ""), text);
        }
    }

    #[test]
    fn text_is_escaped() {
        // The escapes of RFC 5545 §3.3.11.
        assert_eq!(escaped("a\\b;c,d\ne\r\nf\u{7}\tg"), "a\\\\b\\;c\\,d\\ne\\nf g");
    }
}
