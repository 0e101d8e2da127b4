//! The terminal form: few lines, answer first, units on every number, times with their zone.

use super::json::rfc3339;
use crate::archive::cell::Utc;
use crate::archive::row::{FlightRow, IntegrityRow, LogRow, MeasureRow};
use comfy_table::{CellAlignment, Table};

/// Removes control and bidirectional characters from text that came out of a log or a path.
pub fn plain(text: &str) -> String {
    let hidden = |c: char| {
        c.is_control()
            || matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    text.chars().map(|c| if hidden(c) { '\u{fffd}' } else { c }).collect()
}

/// `3 min 24.5 s`, `1 h 02 min 05.0 s`.
pub fn duration(ms: i64) -> String {
    // Rounded before it is split: no minute has 60.0 s.
    let tenths = ms.unsigned_abs().saturating_add(50) / 100;
    let sign = if ms < 0 && tenths > 0 { "-" } else { "" };
    let (h, min, s, tenth) = (tenths / 36_000, tenths / 600 % 60, tenths / 10 % 60, tenths % 10);
    match (h, min) {
        (0, 0) => format!("{sign}{s}.{tenth} s"),
        (0, _) => format!("{sign}{min} min {s:02}.{tenth} s"),
        _ => format!("{sign}{h} h {min:02} min {s:02}.{tenth} s"),
    }
}

/// RFC 3339 to the second.
pub(super) fn instant(utc: Option<Utc>) -> String {
    utc.and_then(|t| rfc3339(t, 0)).unwrap_or_else(|| "no UTC".to_owned())
}

/// Unix microseconds as RFC 3339 to the second.
pub fn utc_to_second(unix_us: i64) -> String {
    instant(Some(Utc(unix_us)))
}

/// Rows under a header, columns aligned; `right` ones to the right.
pub fn aligned(header: &[&str], right: &[usize], rows: Vec<Vec<String>>) -> String {
    let mut table = Table::new();
    table.load_style(comfy_table::presets::NOTHING);
    table.set_header(header.to_vec());
    for row in rows {
        table.add_row(row);
    }
    for index in 0..header.len() {
        if let Some(column) = table.column_mut(index) {
            column.set_padding((0, 2));
            if right.contains(&index) {
                column.set_cell_alignment(CellAlignment::Right);
            }
        }
    }
    let lines: Vec<String> = table.to_string().lines().map(|l| l.trim_end().to_owned()).collect();
    lines.join("\n") + "\n"
}

/// Flights as a table.
pub fn flights(rows: &[FlightRow]) -> String {
    let body = rows
        .iter()
        .map(|f| {
            // Bounds need not be symmetric: the airtime is known no better than to the larger side.
            let bound_ms = (f.airtime_max_ms - f.airtime_ms).max(f.airtime_ms - f.airtime_min_ms);
            vec![
                plain(&f.aircraft),
                instant(f.takeoff_utc),
                duration(f.airtime_ms),
                format!("±{:.1} s", bound_ms as f64 / 1000.0),
                f.landings.to_string(),
                f.evidence.replace('_', " "),
                if f.complete { String::new() } else { "log cut in the air".to_owned() },
            ]
        })
        .collect();
    aligned(&["aircraft", "takeoff", "airtime", "bound", "landings", "evidence", ""], &[2, 3, 4], body)
}

/// Totals per aircraft: flights, airtime.
pub fn totals(rows: &[FlightRow]) -> String {
    let mut names: Vec<&str> = rows.iter().map(|f| f.aircraft.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    let body = names
        .into_iter()
        .map(|name| {
            let own = || rows.iter().filter(|f| f.aircraft == name);
            let airtime_ms: i64 = own().map(|f| f.airtime_ms).sum();
            let landings: i64 = own().map(|f| f.landings).sum();
            vec![plain(name), own().count().to_string(), landings.to_string(), duration(airtime_ms)]
        })
        .collect();
    aligned(&["aircraft", "flights", "landings", "airtime"], &[1, 2, 3], body)
}

/// Three significant digits.
pub(super) fn significant(value: f64) -> String {
    let decimals = if value == 0.0 { 0 } else { (2 - value.abs().log10().floor() as i32).clamp(0, 6) };
    format!("{value:.*}", decimals as usize)
}

/// A paragraph that fits 80 columns.
pub fn paragraph(text: &str) -> String {
    wrapped(text, "")
}

/// Breaks at spaces so that a line fits 80 columns.
pub fn wrapped(text: &str, indent: &str) -> String {
    let mut out = String::new();
    let mut line = indent.to_owned();
    for word in text.split(' ') {
        if line.chars().count() + word.chars().count() + 1 > 80 && line.trim() != "" {
            out.push_str(line.trim_end());
            out.push('\n');
            line = if indent.is_empty() { String::new() } else { format!("{indent}  ") };
        }
        line.push_str(word);
        line.push(' ');
    }
    out.push_str(line.trim_end());
    out.push('\n');
    out
}

/// What one log is and how whole it is.
pub fn log(row: &LogRow) -> String {
    let counts = format!(
        "{} bytes, {}, {} frames, {} with a bad checksum, {} of unknown messages, {} bytes passed over",
        row.bytes, row.container, row.frames, row.frames_bad_crc, row.frames_unknown, row.bytes_skipped
    );
    let mut text = format!("{}\n{}", plain(&row.path), wrapped(&counts, "  "));
    let times = format!(
        "{} to {} (from {}), {} boot session{}, log {}",
        instant(row.start_utc),
        instant(row.end_utc),
        row.utc_source.replace('_', " "),
        row.boots,
        if row.boots == 1 { "" } else { "s" },
        row.log_id.get(..12).unwrap_or_default()
    );
    text.push_str(&wrapped(&times, "  "));
    let sure = format!("{:.1} % of its bytes are", (row.confidence * 1000.0).floor() / 10.0);
    let what = if row.container.starts_with("pcap") { "known parts of it" } else { "frames" };
    text.push_str(&wrapped(&format!("seen as {} by its content: {sure} {what}", row.container), "  "));
    let notes: Vec<String> = serde_json::from_str(&row.notes).unwrap_or_default();
    for note in notes {
        text.push_str(&wrapped(&format!("note: {}", plain(&note)), "  "));
    }
    text
}

/// What a log lost: one line a kind, with the first place.
pub fn losses(rows: &[IntegrityRow]) -> String {
    let mut kinds: Vec<&str> = Vec::new();
    for row in rows {
        if !kinds.contains(&row.kind.as_str()) {
            kinds.push(&row.kind);
        }
    }
    let body = kinds
        .into_iter()
        .map(|kind| {
            let own = || rows.iter().filter(|row| row.kind == kind);
            let bytes: i64 = own().map(|row| row.bytes).sum();
            let frames: i64 = own().map(|row| row.frames).sum();
            let time_ms: i64 =
                own().filter_map(|row| Some(row.to_boot_ms? - row.from_boot_ms?)).map(|ms| ms.max(0)).sum();
            let longest = own().max_by_key(|row| {
                (row.bytes, row.frames, row.to_boot_ms.zip(row.from_boot_ms).map(|(to, from)| to - from))
            });
            let place = longest.map(|row| match row.from_utc.or(row.to_utc) {
                Some(at) => format!("byte {}, {}", row.offset, instant(Some(at))),
                None => format!("byte {}", row.offset),
            });
            vec![
                kind.replace('_', " "),
                own().count().to_string(),
                bytes.to_string(),
                frames.to_string(),
                duration(time_ms),
                place.unwrap_or_default(),
            ]
        })
        .collect();
    aligned(&["lost", "places", "bytes", "frames", "time", "largest at"], &[1, 2, 3, 4], body)
}

/// The numbers of one flight, each with what is to be said of it below.
pub fn measures(rows: &[&MeasureRow]) -> String {
    let body = rows
        .iter()
        .map(|m| {
            vec![
                m.measure.clone(),
                m.subject.clone(),
                m.statistic.replace('_', " "),
                m.value.map_or_else(|| "-".to_owned(), significant),
                m.unit.clone(),
            ]
        })
        .collect();
    let table = aligned(&["measure", "of", "statistic", "value", "unit"], &[3], body);
    let notes = rows.iter().map(|m| m.note.as_deref().unwrap_or_default());
    let mut text = String::new();
    // The heading has none.
    for (line, note) in table.lines().zip([""].into_iter().chain(notes)) {
        text.push_str(line);
        text.push('\n');
        if !note.is_empty() {
            text.push_str(&wrapped(note, "    "));
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations_read_as_people_say_them() {
        for (ms, want) in [
            (0, "0.0 s"),
            (900, "0.9 s"),
            (-1_540, "-1.5 s"),
            (204_500, "3 min 24.5 s"),
            (3_725_000, "1 h 02 min 05.0 s"),
            (59_949, "59.9 s"),
            (59_950, "1 min 00.0 s"),
            (119_970, "2 min 00.0 s"),
            (3_599_999, "1 h 00 min 00.0 s"),
        ] {
            assert_eq!(duration(ms), want);
        }
    }

    #[test]
    fn a_bound_covers_both_sides() {
        let flight = crate::archive::row::testing::flight(0, 10_000);
        for (min_ms, max_ms, bound) in [(9_800, 13_000, "±3.0 s"), (7_500, 10_100, "±2.5 s")] {
            let row = FlightRow { airtime_min_ms: min_ms, airtime_max_ms: max_ms, ..flight.clone() };
            assert!(flights(&[row]).contains(bound), "{bound}");
        }
    }

    #[test]
    fn text_from_a_log_cannot_drive_the_terminal() {
        assert_eq!(plain("a\u{1b}[31mb\u{202e}c"), "a\u{fffd}[31mb\u{fffd}c");
    }

    #[test]
    fn lines_fit_eighty_columns() {
        let long = "word ".repeat(60);
        assert!(wrapped(long.trim(), "    ").lines().all(|l| l.chars().count() <= 80));
    }
}
