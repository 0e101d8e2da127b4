//! Message definitions in XML, read at run time: one file ([`DialectFile::parse`]) or a dialect with all that it includes
//! ([`Dialect::read`]).
//!
//! Nothing here opens a file: the caller's loader resolves an include and returns its text. Names become names of
//! files and columns, so that only letters, digits and `_` pass. Only facts are kept, the prose stays behind.
//!
//! Source: the protocol guide, *How to Define MAVLink Messages*, and the published files themselves; entries
//! without a value count up from the one before, from 1.

use std::collections::{HashMap, HashSet};

use quick_xml::events::{BytesStart, Event};
use quick_xml::{Reader, XmlVersion};

use super::enumeration::Enumeration;
use super::message::{Field, Message};
use super::scalar::Scalar;

/// Highest message id: 24 bits.
const HIGHEST_ID: u32 = 0x00FF_FFFF;
/// Bytes of the longest payload.
const LONGEST_PAYLOAD: usize = 255;
/// Fields a message may have, by the guide.
const MOST_FIELDS: usize = 64;
/// Longest name; the published ones keep below 50.
const LONGEST_NAME: usize = 64;
/// Messages of one dialect with all that it includes; the published ones together are 397.
const MOST_MESSAGES: usize = 4000;
/// Enumerations of one file; the published ones together are 259.
const MOST_ENUMS: usize = 4000;
/// Bytes of one file; the longest published one has about half a million.
const LONGEST_FILE: usize = 4 << 20;
/// Files of one dialect; the published ones together are 20.
const MOST_FILES: usize = 100;

/// What is wrong with a file of definitions, and where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{file}:{line}:{column}: {problem}")]
pub struct DialectError {
    /// The file as the loader names it.
    pub file: String,
    /// Counted from 1.
    pub line: usize,
    /// Counted from 1, in characters.
    pub column: usize,
    /// What is wrong.
    pub problem: String,
}

/// One file of definitions, its includes not followed.
#[derive(Debug, Clone, Default)]
pub struct DialectFile {
    /// Includes as written, with their places in the text.
    pub includes: Vec<(String, usize)>,
    /// Messages in order, with their places in the text.
    pub messages: Vec<(Message, usize)>,
    /// Enumerations in order; one that appears twice is merged.
    pub enums: Vec<Enumeration>,
}

/// A text that a loader found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    /// Its name in messages and its identity: two includes of one name are the same file.
    pub name: String,
    /// The whole text.
    pub text: String,
}

/// A dialect with all that it includes.
#[derive(Debug, Clone, Default)]
pub struct Dialect {
    /// Messages, those of included files first.
    pub messages: Vec<Message>,
    /// Enumerations, entries merged over all files.
    pub enums: Vec<Enumeration>,
}

/// A place in a text and what is wrong there.
type Problem = (usize, String);

impl Dialect {
    /// Reads `top` and everything it includes. `load` gets the name of the including file and the include as
    /// written, and returns the text or why there is none.
    ///
    /// # Errors
    /// At the first thing that is wrong: the XML, a definition, a missing file, a circle of includes, an id or a
    /// name defined twice.
    pub fn read(
        top: Source,
        load: &mut impl FnMut(&str, &str) -> Result<Source, String>,
    ) -> Result<Self, DialectError> {
        let mut reading = Reading { load, done: HashSet::new(), open: Vec::new(), known: HashMap::new() };
        let mut dialect = Self::default();
        reading.file(&top, &mut dialect)?;
        Ok(dialect)
    }
}

struct Reading<'l, L> {
    load: &'l mut L,
    /// Files read.
    done: HashSet<String>,
    /// Files being read, each included by the one before.
    open: Vec<String>,
    /// Where an id or a name was defined.
    known: HashMap<Known, String>,
}

#[derive(PartialEq, Eq, Hash)]
enum Known {
    Id(u32),
    Name(String),
}

impl<L: FnMut(&str, &str) -> Result<Source, String>> Reading<'_, L> {
    fn file(&mut self, source: &Source, dialect: &mut Dialect) -> Result<(), DialectError> {
        let located = |(at, problem)| locate(source, at, problem);
        let file = DialectFile::read(&stem(&source.name), &source.text).map_err(located)?;
        self.open.push(source.name.clone());
        self.done.insert(source.name.clone());
        for (include, at) in &file.includes {
            let included = (self.load)(&source.name, include)
                .map_err(|why| located((*at, format!("cannot include {include}: {why}"))))?;
            if self.open.contains(&included.name) {
                let circle = format!(
                    "{} includes itself: {} → {}",
                    included.name,
                    self.open.join(" → "),
                    included.name
                );
                return Err(located((*at, circle)));
            }
            if self.done.contains(&included.name) {
                continue;
            }
            if self.done.len() == MOST_FILES {
                return Err(located((*at, format!("more than {MOST_FILES} files"))));
            }
            self.file(&included, dialect)?;
        }
        for (message, at) in file.messages {
            for known in [Known::Id(message.id), Known::Name(message.name.clone())] {
                let what = match &known {
                    Known::Id(id) => format!("id {id}"),
                    Known::Name(name) => format!("name {name}"),
                };
                if let Some(elsewhere) =
                    self.known.insert(known, format!("{} in {}", message.name, source.name))
                {
                    return Err(located((at, format!("{what} is defined already, by {elsewhere}"))));
                }
            }
            if dialect.messages.len() == MOST_MESSAGES {
                return Err(located((at, format!("more than {MOST_MESSAGES} messages"))));
            }
            dialect.messages.push(message);
        }
        for enumeration in file.enums {
            merge(&mut dialect.enums, enumeration);
        }
        self.open.pop();
        Ok(())
    }
}

impl DialectFile {
    /// Parses one file. `name` is what errors call it; its stem is the dialect of the messages.
    ///
    /// # Errors
    /// At the first thing that is wrong.
    pub fn parse(name: &str, text: &str) -> Result<Self, DialectError> {
        Self::read(&stem(name), text).map_err(|(at, problem)| {
            locate(&Source { name: name.to_owned(), text: text.to_owned() }, at, problem)
        })
    }

    fn read(dialect: &str, text: &str) -> Result<Self, Problem> {
        if text.len() > LONGEST_FILE {
            return Err((0, format!("the file has more than {LONGEST_FILE} bytes")));
        }
        let mut reader = Reader::from_str(text);
        let mut file = Self::default();
        let mut enums = 0;
        let mut root = false;
        let mut open: Option<Draft> = None;
        let mut include: Option<(String, usize)> = None;
        let mut enumeration: Option<Enumeration> = None;
        loop {
            let at = reader.buffer_position() as usize;
            let event = reader.read_event();
            let event = event.map_err(|error| (reader.error_position() as usize, error.to_string()))?;
            let wrong = |problem: String| (at, problem);
            match event {
                Event::Start(ref element) | Event::Empty(ref element) => {
                    match element.name().as_ref() {
                        b"mavlink" => root = true,
                        b"include" => include = Some((String::new(), at)),
                        b"message" => {
                            let next = Draft::open(element, at).map_err(wrong)?;
                            if let Some(message) = open.replace(next) {
                                return Err(wrong(format!("message {} is not closed", message.name)));
                            }
                        }
                        b"extensions" => match &mut open {
                            Some(message) if !message.extensions => message.extensions = true,
                            Some(_) => return Err(wrong("a second <extensions/>".to_owned())),
                            None => {}
                        },
                        b"field" => match &mut open {
                            Some(message) => message.field(element).map_err(wrong)?,
                            None => return Err(wrong("a field outside a message".to_owned())),
                        },
                        b"enum" => {
                            enums += 1;
                            if enums > MOST_ENUMS {
                                return Err(wrong(format!("more than {MOST_ENUMS} enums")));
                            }
                            enumeration = Some(open_enum(element).map_err(wrong)?);
                        }
                        b"entry" => match &mut enumeration {
                            Some(enumeration) => entry(enumeration, element).map_err(wrong)?,
                            None => return Err(wrong("an entry outside an enum".to_owned())),
                        },
                        _ => {}
                    }
                    if matches!(event, Event::Empty(_)) {
                        close(
                            element.name().as_ref(),
                            dialect,
                            &mut file,
                            &mut open,
                            &mut include,
                            &mut enumeration,
                        )
                        .map_err(wrong)?;
                    }
                }
                Event::Text(text) => {
                    if let Some((path, _)) = &mut include {
                        path.push_str(&text.decode().map_err(|error| wrong(error.to_string()))?);
                    }
                }
                Event::End(element) => {
                    close(
                        element.name().as_ref(),
                        dialect,
                        &mut file,
                        &mut open,
                        &mut include,
                        &mut enumeration,
                    )
                    .map_err(wrong)?;
                }
                Event::Eof if !root => {
                    return Err((0, "no <mavlink> element, so this is no message definition".to_owned()));
                }
                Event::Eof if open.is_none() && include.is_none() && enumeration.is_none() => {
                    return Ok(file);
                }
                Event::Eof => return Err(wrong("the file ends inside a definition".to_owned())),
                _ => {}
            }
        }
    }
}

/// Finishes what an end tag ends.
fn close(
    tag: &[u8],
    dialect: &str,
    file: &mut DialectFile,
    open: &mut Option<Draft>,
    include: &mut Option<(String, usize)>,
    enumeration: &mut Option<Enumeration>,
) -> Result<(), String> {
    match tag {
        b"message" => {
            if let Some(draft) = open.take() {
                let at = draft.at;
                file.messages.push((draft.finish(dialect)?, at));
            }
        }
        b"include" => {
            if let Some((path, at)) = include.take() {
                let path = path.trim();
                if path.is_empty() {
                    return Err("an include without a file name".to_owned());
                }
                file.includes.push((path.to_owned(), at));
            }
        }
        b"enum" => {
            if let Some(done) = enumeration.take() {
                merge(&mut file.enums, done);
            }
        }
        _ => {}
    }
    Ok(())
}

/// A message whose end tag has not come.
struct Draft {
    at: usize,
    id: u32,
    name: String,
    extensions: bool,
    fields: Vec<Field>,
}

impl Draft {
    fn open(element: &BytesStart<'_>, at: usize) -> Result<Self, String> {
        let text = required(element, "id")?;
        let id = text.parse().ok().filter(|id| *id <= HIGHEST_ID);
        let id = id.ok_or_else(|| format!("message id {text} is no number from 0 to {HIGHEST_ID}"))?;
        let name = identifier(element, "message")?;
        Ok(Self { at, id, name, extensions: false, fields: Vec::new() })
    }

    fn field(&mut self, element: &BytesStart<'_>) -> Result<(), String> {
        let name = identifier(element, "field")?;
        let full = required(element, "type")?;
        let (kind, array) = match full.strip_suffix(']').and_then(|full| full.split_once('[')) {
            Some((kind, length)) => {
                let length = length.parse::<u8>().ok().filter(|length| *length > 0);
                (kind, Some(length.ok_or_else(|| format!("type {full}: an array has 1 to 255 elements"))?))
            }
            None => (full.as_str(), None),
        };
        // The one type that exists only to mark a field; it is a byte in every respect.
        let kind = if kind == "uint8_t_mavlink_version" { "uint8_t" } else { kind };
        let kind = Scalar::by_name(kind).ok_or_else(|| format!("unknown type {kind}"))?;
        if self.fields.iter().any(|field| field.name == name) {
            return Err(format!("a second field {name}"));
        }
        let field = Field {
            name,
            kind,
            array,
            offset: 0,
            extension: self.extensions,
            instance: attribute(element, "instance")?.is_some_and(|value| value == "true"),
            unit: attribute(element, "units")?.unwrap_or_default(),
            enumeration: attribute(element, "enum")?.unwrap_or_default(),
            invalid: attribute(element, "invalid")?.unwrap_or_default(),
            definition_index: self.fields.len(),
        };
        let payload = field.len() + self.fields.iter().map(Field::len).sum::<usize>();
        if payload > LONGEST_PAYLOAD || self.fields.len() == MOST_FIELDS {
            return Err(format!(
                "message {} has more than {LONGEST_PAYLOAD} bytes or {MOST_FIELDS} fields with {}",
                self.name, field.name
            ));
        }
        self.fields.push(field);
        Ok(())
    }

    fn finish(self, dialect: &str) -> Result<Message, String> {
        if self.fields.is_empty() {
            return Err(format!("message {} has no field", self.name));
        }
        Ok(Message::new(self.id, &self.name, dialect, self.fields))
    }
}

fn open_enum(element: &BytesStart<'_>) -> Result<Enumeration, String> {
    let name = identifier(element, "enum")?;
    let bitmask = attribute(element, "bitmask")?.is_some_and(|value| value == "true");
    Ok(Enumeration { name, bitmask, entries: Vec::new() })
}

/// Adds one entry; a missing value is the one before plus one.
fn entry(enumeration: &mut Enumeration, element: &BytesStart<'_>) -> Result<(), String> {
    let name = identifier(element, "entry")?;
    let value = match attribute(element, "value")? {
        Some(text) => {
            number(&text).ok_or_else(|| format!("value {text} of {name} is no number of 64 bits"))?
        }
        None => match enumeration.entries.last() {
            Some((value, _)) => value.checked_add(1).ok_or_else(|| format!("no value is left for {name}"))?,
            None => 1,
        },
    };
    enumeration.entries.push((value, name));
    Ok(())
}

/// Adds an enumeration to those of its name; of entries with the same name the first counts.
fn merge(enums: &mut Vec<Enumeration>, next: Enumeration) {
    let Some(known) = enums.iter_mut().find(|known| known.name == next.name) else {
        let mut fresh = Enumeration { entries: Vec::new(), ..next.clone() };
        merge_entries(&mut fresh, next);
        enums.push(fresh);
        return;
    };
    merge_entries(known, next);
}

pub(super) fn merge_entries(known: &mut Enumeration, next: Enumeration) {
    known.bitmask |= next.bitmask;
    let names: HashSet<String> = known.entries.iter().map(|(_, name)| name.clone()).collect();
    let mut fresh = HashSet::new();
    known.entries.extend(
        next.entries.into_iter().filter(|(_, name)| !names.contains(name) && fresh.insert(name.clone())),
    );
}

/// Decimal, hexadecimal or a power written `2**n`.
fn number(text: &str) -> Option<u64> {
    if let Some(hexadecimal) = text.strip_prefix("0x") {
        return u64::from_str_radix(hexadecimal, 16).ok();
    }
    if let Some(exponent) = text.strip_prefix("2**") {
        return 1u64.checked_shl(exponent.parse().ok()?);
    }
    text.parse().ok()
}

fn attribute(element: &BytesStart<'_>, name: &str) -> Result<Option<String>, String> {
    let found = element.try_get_attribute(name).map_err(|error| error.to_string())?;
    let Some(found) = found else { return Ok(None) };
    let value = found.normalized_value(XmlVersion::Implicit1_0).map_err(|error| error.to_string())?;
    Ok(Some(value.trim().to_owned()))
}

fn required(element: &BytesStart<'_>, name: &str) -> Result<String, String> {
    attribute(element, name)?.ok_or_else(|| format!("attribute {name} is missing"))
}

/// A name that is safe as a file's or a column's.
fn identifier(element: &BytesStart<'_>, what: &str) -> Result<String, String> {
    let name = required(element, "name")?;
    let letters = name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_');
    let first = name.chars().next().is_some_and(|c| c.is_ascii_alphabetic() || c == '_');
    if letters && first && name.len() <= LONGEST_NAME {
        return Ok(name);
    }
    let shown: String = name.chars().take(LONGEST_NAME).collect();
    Err(format!(
        "{what} name {shown:?}: only letters, digits and _, no digit first, at most {LONGEST_NAME} characters"
    ))
}

/// The name of a dialect: the file's, without folder and extension, made safe for names of files.
fn stem(name: &str) -> String {
    let file = name.rsplit(['/', '\\']).next().unwrap_or_default();
    let stem = file.rsplit_once('.').map_or(file, |(stem, _)| stem);
    stem.chars()
        .map(|c| if c.is_ascii_alphanumeric() || c == '_' { c } else { '_' })
        .take(LONGEST_NAME)
        .collect()
}

fn locate(source: &Source, at: usize, problem: String) -> DialectError {
    let mut at = at.min(source.text.len());
    // The place before an element is where the text before it ends.
    while !source.text.is_char_boundary(at) {
        at -= 1;
    }
    let before = source.text.get(..at).unwrap_or_default();
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().unwrap_or_default().chars().count() + 1;
    DialectError { file: source.name.clone(), line, column, problem }
}
