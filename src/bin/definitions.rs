//! Condenses the published message definitions (XML) into the table that the wire folder reads.
//!
//! `fettle-definitions FOLDER [OUTPUT]` reads every `*.xml` in the folder and writes facts only: names, ids,
//! types, lengths, units, enumerations, sentinels. The prose stays behind. Where two dialects define the same
//! id differently both are kept, because only the checksum of a recorded frame can tell which was meant.

use std::collections::BTreeMap;
use std::error::Error;
use std::fmt::Write as _;
use std::path::Path;

use quick_xml::events::{BytesStart, Event};
use quick_xml::{Reader, XmlVersion};

/// First lines of the table: where it comes from and what the columns are.
const HEADING: &str = "\
# Facts of the published MAVLink message definitions, written by fettle-definitions; do not edit.
# M dialect id name
# F type array_length name unit enum invalid flags (x extension, i instance), in order of definition
# E enumeration flags (b bitmask), then V value name
";

/// The definitions of all files together.
#[derive(Default)]
struct Published {
    /// By id, then dialect; the text is the finished lines.
    messages: BTreeMap<(u32, String), String>,
    /// By name: bitmask, entries in order of appearance.
    enums: BTreeMap<String, (bool, Vec<(u64, String)>)>,
}

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = std::env::args_os().skip(1);
    let folder = arguments.next().ok_or("usage: fettle-definitions FOLDER [OUTPUT]")?;
    let output = arguments.next().unwrap_or_else(|| "schemas/mavlink.tsv".into());

    let mut files: Vec<_> =
        std::fs::read_dir(&folder)?.map(|entry| entry.map(|e| e.path())).collect::<Result<_, _>>()?;
    files.retain(|path| path.extension().is_some_and(|extension| extension == "xml"));
    files.sort();

    let mut published = Published::default();
    for path in &files {
        published.read(path).map_err(|error| format!("{}: {error}", path.display()))?;
    }
    std::fs::write(output, published.table()?)?;
    Ok(())
}

impl Published {
    /// Adds one file. Includes are not followed: the folder is read as a whole.
    fn read(&mut self, path: &Path) -> Result<(), Box<dyn Error>> {
        let dialect = path.file_stem().and_then(|stem| stem.to_str()).ok_or("file name")?;
        let text = std::fs::read_to_string(path)?;
        let mut reader = Reader::from_str(&text);
        let mut message = None;
        let mut enumeration = String::new();
        let mut extension = false;
        loop {
            match reader.read_event()? {
                Event::Start(element) | Event::Empty(element) => match element.name().as_ref() {
                    b"message" => {
                        let id: u32 = required(&element, "id")?.parse()?;
                        let name = required(&element, "name")?;
                        let key = (id, dialect.to_owned());
                        self.messages.insert(key.clone(), format!("M\t{dialect}\t{id}\t{name}\n"));
                        message = Some(key);
                        extension = false;
                    }
                    b"extensions" => extension = true,
                    b"field" => {
                        let key = message.as_ref().ok_or("a field outside a message")?;
                        let lines = self.messages.get_mut(key).ok_or("a field outside a message")?;
                        field(lines, &element, extension)?;
                    }
                    b"enum" => {
                        enumeration = required(&element, "name")?;
                        let bitmask = attribute(&element, "bitmask")?.is_some_and(|value| value == "true");
                        self.enums.entry(enumeration.clone()).or_default().0 |= bitmask;
                    }
                    b"entry" => self.entry(&enumeration, &element)?,
                    _ => {}
                },
                Event::Eof => return Ok(()),
                _ => {}
            }
        }
    }

    /// Adds one entry; a missing value is the one before plus one.
    fn entry(&mut self, enumeration: &str, element: &BytesStart<'_>) -> Result<(), Box<dyn Error>> {
        let entries = &mut self.enums.entry(enumeration.to_owned()).or_default().1;
        let name = required(element, "name")?;
        let value = match attribute(element, "value")? {
            Some(text) => number(&text)?,
            None => entries.last().map_or(1, |(value, _)| value + 1),
        };
        if !entries.iter().any(|(_, known)| *known == name) {
            entries.push((value, name));
        }
        Ok(())
    }

    fn table(&self) -> Result<String, std::fmt::Error> {
        let mut table = String::from(HEADING);
        for lines in self.messages.values() {
            table.push_str(lines);
        }
        for (name, (bitmask, entries)) in &self.enums {
            writeln!(table, "E\t{name}\t{}", if *bitmask { "b" } else { "" })?;
            for (value, entry) in entries {
                writeln!(table, "V\t{value}\t{entry}")?;
            }
        }
        Ok(table)
    }
}

/// Writes the line of one field.
fn field(lines: &mut String, element: &BytesStart<'_>, extension: bool) -> Result<(), Box<dyn Error>> {
    let full = required(element, "type")?;
    let (kind, array) = match full.split_once('[') {
        Some((kind, rest)) => (kind, rest.trim_end_matches(']')),
        None => (full.as_str(), ""),
    };
    // The one type that exists only to mark a field; it is a byte in every respect.
    let kind = if kind == "uint8_t_mavlink_version" { "uint8_t" } else { kind };
    let name = required(element, "name")?;
    let unit = attribute(element, "units")?.unwrap_or_default();
    let enumeration = attribute(element, "enum")?.unwrap_or_default();
    let invalid = attribute(element, "invalid")?.unwrap_or_default();
    let instance = attribute(element, "instance")?.is_some_and(|value| value == "true");
    let flags = format!("{}{}", if extension { "x" } else { "" }, if instance { "i" } else { "" });
    writeln!(lines, "F\t{kind}\t{array}\t{name}\t{unit}\t{enumeration}\t{invalid}\t{flags}")?;
    Ok(())
}

/// Decimal, hexadecimal or a power written `2**n`.
fn number(text: &str) -> Result<u64, Box<dyn Error>> {
    if let Some(hexadecimal) = text.strip_prefix("0x") {
        return Ok(u64::from_str_radix(hexadecimal, 16)?);
    }
    if let Some(exponent) = text.strip_prefix("2**") {
        return Ok(1u64.checked_shl(exponent.parse()?).ok_or("power too large")?);
    }
    Ok(text.parse()?)
}

fn attribute(element: &BytesStart<'_>, name: &str) -> Result<Option<String>, Box<dyn Error>> {
    match element.try_get_attribute(name)? {
        Some(found) => Ok(Some(found.normalized_value(XmlVersion::Implicit1_0)?.trim().to_owned())),
        None => Ok(None),
    }
}

fn required(element: &BytesStart<'_>, name: &str) -> Result<String, Box<dyn Error>> {
    attribute(element, name)?.ok_or_else(|| format!("attribute {name} is missing").into())
}
