//! All published messages, from the table `schemas/mavlink.tsv`, found by id or by name in constant time.
//!
//! Five ids are defined by two dialects. Both definitions are kept; the checksum of a frame, which covers the
//! names and types of the fields, says which one its sender used.

use std::collections::HashMap;
use std::sync::OnceLock;

use super::dialect::{Dialect, merge_entries};
use super::enumeration::Enumeration;
pub use super::message::{Field, Message};
pub use super::scalar::Scalar;

/// The table that comes with the program.
const BUILT_IN: &str = include_str!("../../schemas/mavlink.tsv");

/// Ids a page of the index covers.
const PAGE: usize = 256;

/// A set of message definitions.
#[derive(Debug)]
pub struct Definitions {
    /// By id, then dialect: the candidates for an id are neighbours.
    messages: Vec<Message>,
    names: HashMap<String, usize>,
    /// For each 256 ids the number of their page; page zero is empty.
    directory: Vec<usize>,
    pages: Vec<[Run; PAGE]>,
    unknown: Message,
    /// The lines of the enumerations, read at first use.
    enum_lines: String,
    enums: OnceLock<HashMap<String, Enumeration>>,
}

/// The neighbouring messages of one id.
#[derive(Debug, Clone, Copy, Default)]
struct Run {
    first: u16,
    count: u8,
    /// Of the first one.
    crc_extra: u8,
}

/// A line of the table that could not be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("message definitions, line {line}: {problem}")]
pub struct BadDefinition {
    /// Counted from 1.
    pub line: usize,
    /// What is wrong with it.
    pub problem: &'static str,
}

/// A message of a dialect that clashes with one known before. Both are kept, for the checksum of a frame tells, unless
/// they are alike up to their extension fields: then the one known before is.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "{dialect} defines message {id} {name}, which clashes with {known_id} {known} of {known_dialect}{}",
    if *ambiguous { "; frames cannot tell them apart and are read as the latter" } else { "" }
)]
pub struct Conflict {
    /// The id in the added dialect.
    pub id: u32,
    /// Its name there.
    pub name: String,
    /// The file that defines it.
    pub dialect: String,
    /// The id of the message known before.
    pub known_id: u32,
    /// Its name.
    pub known: String,
    /// The dialect it comes from.
    pub known_dialect: String,
    /// Same id and same CRC_EXTRA but other fields, so that no frame can tell which is meant.
    pub ambiguous: bool,
}

impl Conflict {
    fn between(added: &Message, known: &Message, ambiguous: bool) -> Self {
        Conflict {
            id: added.id,
            name: added.name.clone(),
            dialect: added.dialect.clone(),
            known_id: known.id,
            known: known.name.clone(),
            known_dialect: known.dialect.clone(),
            ambiguous,
        }
    }
}

impl Definitions {
    /// These definitions and those of a dialect, and where the two clash.
    ///
    /// A message that is known already, by id and CRC_EXTRA, is left out, unless the dialect knows more extension
    /// fields of it: then it takes the place. If their extension fields differ otherwise, that is a clash. One that has
    /// a known id or name with other fields is added beside it; where names are equal, it is called `NAME_dialect`, as names of files and tables must differ.
    #[must_use]
    pub fn with_dialect(&self, dialect: &Dialect) -> (Self, Vec<Conflict>) {
        let mut messages = self.messages.clone();
        let mut conflicts = Vec::new();
        for added in &dialect.messages {
            let same = messages.iter_mut().find(|known| {
                (known.id, &known.name, known.crc_extra) == (added.id, &added.name, added.crc_extra)
            });
            if let Some(known) = same {
                // One of them goes on where the other ends, or their extension fields clash.
                let mut both = known.fields.iter().zip(&added.fields);
                if both.any(|(a, b)| {
                    (a.offset, a.kind, a.array, &a.name) != (b.offset, b.kind, b.array, &b.name)
                }) {
                    conflicts.push(Conflict::between(added, known, true));
                    continue;
                }
                if added.full_len > known.full_len {
                    *known = added.clone();
                }
                continue;
            }
            let mut added = added.clone();
            let by_name = messages.iter().find(|known| known.name == added.name);
            let clash = messages.iter().find(|known| known.id == added.id).or(by_name);
            // The table of what is not defined has its name already.
            let renamed = by_name.is_some() || added.name == self.unknown.name;
            if let Some(known) = clash {
                let ambiguous =
                    messages.iter().any(|known| (known.id, known.crc_extra) == (added.id, added.crc_extra));
                conflicts.push(Conflict::between(&added, known, ambiguous));
            }
            if renamed {
                let name = format!("{}_{}", added.name, added.dialect);
                let taken = |name: &str| messages.iter().any(|known| known.name == name);
                let numbered = (2..).map(|number| format!("{name}_{number}"));
                added.name = std::iter::once(name.clone())
                    .chain(numbered)
                    .find(|name| !taken(name))
                    .unwrap_or(name.clone());
            }
            messages.push(added);
        }
        let mut enums = self.enums.get_or_init(|| enumerations(&self.enum_lines)).clone();
        for added in &dialect.enums {
            match enums.get_mut(&added.name) {
                Some(known) => merge_entries(known, added.clone()),
                None => {
                    enums.insert(added.name.clone(), added.clone());
                }
            }
        }
        let definitions = Self { enums: OnceLock::from(enums), ..Self::index(messages, "") };
        (definitions, conflicts)
    }

    /// The published messages of all dialects together.
    #[must_use]
    #[expect(clippy::expect_used, reason = "the table is compiled in, and a test reads all of it")]
    pub fn builtin() -> &'static Self {
        static PARSED: OnceLock<Definitions> = OnceLock::new();
        PARSED.get_or_init(|| Self::parse(BUILT_IN).expect("the built-in table is well formed"))
    }

    /// Reads a table as `fettle-definitions` writes it; enumerations must come after the messages.
    ///
    /// # Errors
    /// At the first line that is not as the heading of the table describes.
    pub fn parse(table: &str) -> Result<Self, BadDefinition> {
        let (message_lines, enum_lines) =
            table.split_at(table.find("\nE\t").map_or(table.len(), |at| at + 1));
        let mut messages = Vec::new();
        let mut heading: Option<(u32, &str, &str)> = None;
        let mut fields = Vec::new();
        for (index, line) in message_lines.lines().enumerate() {
            let bad = |problem| BadDefinition { line: index + 1, problem };
            let mut cells = line.split('\t');
            match cells.next() {
                Some("M") => {
                    if let Some((id, name, dialect)) = heading {
                        messages.push(Message::new(id, name, dialect, std::mem::take(&mut fields)));
                    }
                    let (Some(dialect), Some(id), Some(name)) = (cells.next(), cells.next(), cells.next())
                    else {
                        return Err(bad("a message needs dialect, id and name"));
                    };
                    let id = id.parse().map_err(|_| bad("the id is no number"))?;
                    heading = Some((id, name, dialect));
                }
                Some("F") => fields.push(field(cells, fields.len()).map_err(bad)?),
                Some(other) if other.is_empty() || other.starts_with('#') => {}
                _ => return Err(bad("unknown kind of line")),
            }
            if fields.iter().map(Field::len).sum::<usize>() > 255 {
                return Err(bad("the payload is longer than 255 bytes"));
            }
        }
        if let Some((id, name, dialect)) = heading {
            messages.push(Message::new(id, name, dialect, fields));
        }
        Ok(Self::index(messages, enum_lines))
    }

    fn index(mut messages: Vec<Message>, enum_lines: &str) -> Self {
        messages.sort_by_key(|message| message.id);
        let mut names = HashMap::with_capacity(messages.len());
        let mut directory: Vec<usize> = Vec::new();
        let mut pages = vec![[Run::default(); PAGE]];
        for (slot, message) in messages.iter_mut().enumerate() {
            message.slot = slot;
            names.entry(message.name.clone()).or_insert(slot);
            let (page, place) = split(message.id);
            if directory.len() <= page {
                directory.resize(page + 1, 0);
            }
            if let Some(number) = directory.get_mut(page) {
                if *number == 0 {
                    *number = pages.len();
                    pages.push([Run::default(); PAGE]);
                }
                if let Some(run) = pages.get_mut(*number).and_then(|page| page.get_mut(place)) {
                    if run.count == 0 {
                        (run.first, run.crc_extra) = (slot as u16, message.crc_extra);
                    }
                    run.count = run.count.saturating_add(1);
                }
            }
        }
        let unknown = unknown(messages.len());
        let (enum_lines, enums) = (enum_lines.to_owned(), OnceLock::new());
        Self { messages, names, directory, pages, unknown, enum_lines, enums }
    }

    /// Stands for every message that is not defined, so that its bytes can be kept as a table row like any other:
    /// `message_id`, `length` and the `payload` as sent, filled up with zeros. Its slot is behind those of
    /// [`Definitions::messages`].
    #[must_use]
    pub fn unknown(&self) -> &Message {
        &self.unknown
    }

    /// Every message; [`Message::slot`] is its index here.
    #[must_use]
    pub fn messages(&self) -> &[Message] {
        &self.messages
    }

    /// The message of this name.
    #[must_use]
    pub fn by_name(&self, name: &str) -> Option<&Message> {
        self.names.get(name).and_then(|&slot| self.messages.get(slot))
    }

    /// The messages that have this id: none, one, or two where dialects clash.
    #[must_use]
    #[inline]
    pub fn by_id(&self, id: u32) -> &[Message] {
        let run = self.run(id);
        let first = usize::from(run.first);
        self.messages.get(first..first + usize::from(run.count)).unwrap_or_default()
    }

    /// The one message of this id and its CRC_EXTRA; nothing where there is none, or several.
    #[inline(always)]
    pub(super) fn sole(&self, id: u32) -> Option<(&Message, u8)> {
        let run = self.run(id);
        if run.count != 1 {
            return None;
        }
        self.messages.get(usize::from(run.first)).map(|message| (message, run.crc_extra))
    }

    #[inline(always)]
    fn run(&self, id: u32) -> Run {
        let (page, place) = split(id);
        let number = self.directory.get(page).copied().unwrap_or_default();
        self.pages.get(number).and_then(|page| page.get(place)).copied().unwrap_or_default()
    }

    /// The enumeration of this name.
    #[must_use]
    pub fn enumeration(&self, name: &str) -> Option<&Enumeration> {
        self.enums.get_or_init(|| enumerations(&self.enum_lines)).get(name)
    }
}

fn unknown(slot: usize) -> Message {
    let fields =
        [("message_id", Scalar::U32, None), ("length", Scalar::U8, None), ("payload", Scalar::U8, Some(255))];
    let field = |(definition_index, (name, kind, array)): (usize, (&str, Scalar, Option<u8>))| Field {
        name: name.to_owned(),
        kind,
        array,
        offset: 0,
        extension: false,
        instance: false,
        unit: String::new(),
        enumeration: String::new(),
        invalid: String::new(),
        definition_index,
    };
    let fields = fields.into_iter().enumerate().map(field).collect();
    Message { slot, ..Message::new(u32::MAX, "UNKNOWN", "", fields) }
}

/// Page and place in the page of an id.
#[inline]
fn split(id: u32) -> (usize, usize) {
    ((id >> 8) as usize, (id & 0xFF) as usize)
}

fn field<'t>(
    mut cells: impl Iterator<Item = &'t str>,
    definition_index: usize,
) -> Result<Field, &'static str> {
    let mut cell = || cells.next().ok_or("a field needs seven columns");
    let kind = Scalar::by_name(cell()?).ok_or("unknown type")?;
    let array = match cell()? {
        "" => None,
        length => Some(length.parse().map_err(|_| "the array length is no number up to 255")?),
    };
    let name = cell()?.to_owned();
    let unit = cell()?.to_owned();
    let enumeration = cell()?.to_owned();
    let invalid = cell()?.to_owned();
    let flags = cell()?;
    let (extension, instance) = (flags.contains('x'), flags.contains('i'));
    Ok(Field {
        name,
        kind,
        array,
        offset: 0,
        extension,
        instance,
        unit,
        enumeration,
        invalid,
        definition_index,
    })
}

/// Reads the `E` and `V` lines. Enumerations are only names for people, so a damaged line costs one name.
fn enumerations(lines: &str) -> HashMap<String, Enumeration> {
    let mut enums = HashMap::new();
    let mut current: Option<Enumeration> = None;
    for line in lines.lines() {
        let mut cells = line.split('\t');
        match (cells.next(), cells.next(), cells.next()) {
            (Some("E"), Some(name), flags) => {
                let bitmask = flags == Some("b");
                let next = Enumeration { name: name.to_owned(), bitmask, entries: Vec::new() };
                if let Some(done) = current.replace(next) {
                    enums.insert(done.name.clone(), done);
                }
            }
            (Some("V"), Some(value), Some(name)) => {
                if let (Some(current), Ok(value)) = (&mut current, value.parse()) {
                    current.entries.push((value, name.to_owned()));
                }
            }
            _ => {}
        }
    }
    enums.extend(current.map(|last| (last.name.clone(), last)));
    enums
}
