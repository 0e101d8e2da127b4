//! Condenses the published message definitions (XML) into the table that the wire folder reads.
//!
//! `fettle-definitions FOLDER [OUTPUT]` reads every `*.xml` in the folder and writes facts only: names, ids,
//! types, lengths, units, enumerations, sentinels. The prose stays behind. Where two dialects define the same
//! id differently both are kept, because only the checksum of a recorded frame can tell which was meant.
//! Includes are not followed: the folder is read as a whole.

use std::collections::BTreeMap;
use std::error::Error;
use std::fmt::Write as _;

use fettle::wire::Message;
use fettle::wire::dialect::DialectFile;

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
    /// By id, then dialect.
    messages: BTreeMap<(u32, String), Message>,
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
        published.add(DialectFile::parse(&path.display().to_string(), &std::fs::read_to_string(path)?)?);
    }
    std::fs::write(output, published.table()?)?;
    Ok(())
}

impl Published {
    fn add(&mut self, file: DialectFile) {
        for (message, _) in file.messages {
            self.messages.insert((message.id, message.dialect.clone()), message);
        }
        for enumeration in file.enums {
            let (bitmask, entries) = self.enums.entry(enumeration.name).or_default();
            *bitmask |= enumeration.bitmask;
            for (value, name) in enumeration.entries {
                if !entries.iter().any(|(_, known)| *known == name) {
                    entries.push((value, name));
                }
            }
        }
    }

    fn table(&self) -> Result<String, std::fmt::Error> {
        let mut table = String::from(HEADING);
        for message in self.messages.values() {
            writeln!(table, "M\t{}\t{}\t{}", message.dialect, message.id, message.name)?;
            let mut fields: Vec<_> = message.fields.iter().collect();
            fields.sort_by_key(|field| field.definition_index);
            for field in fields {
                let flags = match (field.extension, field.instance) {
                    (true, true) => "xi",
                    (true, false) => "x",
                    (false, true) => "i",
                    (false, false) => "",
                };
                let array = field.array.map(|length| length.to_string()).unwrap_or_default();
                let (kind, name, unit) = (field.kind.name(), &field.name, &field.unit);
                let (enumeration, invalid) = (&field.enumeration, &field.invalid);
                writeln!(table, "F\t{kind}\t{array}\t{name}\t{unit}\t{enumeration}\t{invalid}\t{flags}")?;
            }
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
