//! Files as logs: plain, compressed, or packed in an archive, read without unpacking to disk.
//!
//! - [`mod@detect`]: what a file is, by content. Pure.
//! - [`junk`]: what a file without telemetry is.
//! - `guard`: limits on what may come out.
//! - `resync`: where a damaged tar archive goes on.
//! - `zipped`: members of zip archives, with and without their directory.
//!
//! A file is opened, and everything in it that is no container is handed to a visitor as a reader with a name for
//! people: `card.zip/log1.bin`. A compressed file may hold a tar archive, and members may be compressed again, as
//! the tools that make them do; an archive inside an archive is not opened. Names of members are only shown, never
//! used as paths of files.

pub mod detect;
mod guard;
pub mod junk;
mod resync;
mod zipped;

pub use detect::{Confidence, Kind, detect};
pub use guard::Limits;

use std::cell::RefCell;
use std::fs::File;
use std::io::{self, BufReader, Cursor, Read, Seek};
use std::path::{Path, PathBuf};
use std::rc::Rc;

use guard::{Bounded, Bounds, Guard, Meter, Metered};
use resync::UntilHeader;

/// Compressed layers that are taken off: one around an archive, one around its member.
const LAYERS: usize = 2;

/// A log, or what may be one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// The file's path, and behind it the member's name. To be shown, not opened.
    pub name: PathBuf,
    /// What its bytes are.
    pub kind: Kind,
    /// How sure that is.
    pub confidence: Confidence,
    /// Containers around it, outermost first.
    pub packed: Vec<Kind>,
}

/// Something that was not read, or not to its end.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// The file or member, as [`Entry::name`].
    pub name: PathBuf,
    /// What was wrong, for people.
    pub what: String,
}

/// A file that could not be read at all.
#[derive(Debug, thiserror::Error)]
#[error("cannot {action} {}", path.display())]
pub struct SourceError {
    /// `open` or `read`.
    pub action: &'static str,
    /// Which.
    pub path: PathBuf,
    /// Why.
    pub source: io::Error,
}

/// Whether a file is compressed or an archive, by its first bytes.
///
/// # Errors
/// Where it cannot be opened or read.
pub fn is_packed(path: &Path) -> Result<bool, SourceError> {
    let failed = |action| move |source| SourceError { action, path: path.to_owned(), source };
    let file = File::open(path).map_err(failed("open"))?;
    let mut first = Vec::new();
    file.take(detect::ENOUGH as u64).read_to_end(&mut first).map_err(failed("read"))?;
    Ok(matches!(detect(&first).0, Kind::Gzip | Kind::Zstd | Kind::Zip | Kind::Tar))
}

/// Opens `path` and hands everything in it to `visit`; returns what was not read.
///
/// The reader that `visit` gets ends early, without an error, where the content is damaged or a limit is passed;
/// the problem is in the answer. It fails only where the file itself cannot be read.
///
/// # Errors
/// Where the file cannot be opened or read, and whatever `visit` returns.
pub fn for_each_entry<E: From<SourceError>>(
    path: &Path,
    limits: Limits,
    visit: &mut dyn FnMut(&Entry, &mut dyn Read) -> Result<(), E>,
) -> Result<Vec<Problem>, E> {
    let failed = |action| move |source| SourceError { action, path: path.to_owned(), source };
    let file = File::open(path).map_err(failed("open"))?;
    let meter = Rc::new(Meter::default());
    let mut walk =
        Walk { visit, limits, meter: Rc::clone(&meter), problems: Vec::new(), failure: None, root: path };
    let mut file = Metered { file, meter: Rc::clone(&meter) };
    let mut first = Vec::new();
    (&mut file).take(detect::ENOUGH as u64).read_to_end(&mut first).map_err(failed("read"))?;
    let (kind, confidence) = detect(&first);
    if kind == Kind::Zip {
        file.rewind().map_err(failed("read"))?;
        match zip::ZipArchive::new(BufReader::new(file)) {
            Ok(archive) => walk.zip(archive)?,
            Err(error) => {
                let mut file = File::open(path).map_err(failed("open"))?;
                let why = format!("not a whole zip archive ({error})");
                let whole = Metered { file: file.try_clone().map_err(failed("open"))?, meter };
                if !walk.zip_in_row(BufReader::new(whole), &why)? {
                    file.rewind().map_err(failed("read"))?;
                    let entry = Entry { name: path.to_owned(), kind, confidence, packed: Vec::new() };
                    (walk.visit)(&entry, &mut file)?;
                }
            }
        }
    } else {
        walk.stream(path.to_owned(), first, &mut file, &[])?;
    }
    walk.failure.map_or(Ok(walk.problems), |failure| Err(failure.into()))
}

/// The way through one file.
struct Walk<'v, E> {
    visit: &'v mut dyn FnMut(&Entry, &mut dyn Read) -> Result<(), E>,
    limits: Limits,
    meter: Rc<Meter>,
    problems: Vec<Problem>,
    failure: Option<SourceError>,
    root: &'v Path,
}

impl<E: From<SourceError>> Walk<'_, E> {
    /// A stream whose first bytes are known.
    fn stream(
        &mut self,
        name: PathBuf,
        first: Vec<u8>,
        rest: &mut dyn Read,
        packed: &[Kind],
    ) -> Result<(), E> {
        let (kind, confidence) = detect(&first);
        let mut reader = Cursor::new(first).chain(rest);
        let inner: Vec<Kind> = packed.iter().copied().chain([kind]).collect();
        let layers = packed.iter().filter(|kind| matches!(kind, Kind::Gzip | Kind::Zstd)).count();
        let archived = packed.iter().any(|kind| matches!(kind, Kind::Tar | Kind::Zip));
        match kind {
            Kind::Gzip if layers < LAYERS => {
                let mut decoder = flate2::read::MultiGzDecoder::new(BufReader::new(reader));
                self.unpacked(name, &mut decoder, None, true, &inner)
            }
            Kind::Zstd if layers < LAYERS => match zstd::Decoder::new(reader) {
                Ok(mut decoder) => self.unpacked(name, &mut decoder, None, true, &inner),
                Err(error) => {
                    self.problem(&name, format!("cannot be decompressed: {error}"));
                    Ok(())
                }
            },
            Kind::Tar if !archived => self.tar(&name, &mut reader, &inner),
            Kind::Tar | Kind::Zip => {
                self.problem(&name, format!("a {kind} inside another file is not opened; unpack it first"));
                Ok(())
            }
            Kind::Gzip | Kind::Zstd => {
                self.problem(&name, "compressed more than twice; unpack it first".to_owned());
                Ok(())
            }
            _ => {
                let entry = Entry { name, kind, confidence, packed: packed.to_vec() };
                (self.visit)(&entry, &mut reader)
            }
        }
    }

    /// A stream out of a decoder or an archive: guarded, and looked at again.
    /// `size` is what the archive says will come; `unpacks` is false where no more can come out than goes in.
    fn unpacked(
        &mut self,
        name: PathBuf,
        reader: &mut dyn Read,
        size: Option<u64>,
        unpacks: bool,
        packed: &[Kind],
    ) -> Result<(), E> {
        let why = Rc::new(RefCell::new(None));
        let mut guard = Guard {
            inner: reader,
            meter: Rc::clone(&self.meter),
            limits: self.limits,
            due: size,
            unpacks,
            why: Rc::clone(&why),
        };
        let mut first = Vec::new();
        match (&mut guard).take(detect::ENOUGH as u64).read_to_end(&mut first) {
            // Nothing came out, and the reason is known.
            Ok(0) if why.borrow().is_some() => {}
            Ok(_) => self.stream(name.clone(), first, &mut guard, packed)?,
            Err(source) => self.fail(source),
        }
        if let Some(what) = why.take() {
            self.problem(&name, what);
        }
        Ok(())
    }

    /// Members one by one. Behind a damaged header comes what it described, then the next header that holds; behind the
    /// archive's end what stands there, as where archives were put end to end.
    fn tar(&mut self, name: &Path, reader: &mut dyn Read, packed: &[Kind]) -> Result<(), E> {
        let (mut count, mut header) = (0, Vec::new());
        loop {
            let mut from_header = header.as_slice().chain(&mut *reader);
            let stopped = self.tar_members(name, &mut from_header, packed, &mut count)?;
            if stopped == Stopped::ForGood {
                return Ok(());
            }
            if count > self.limits.members {
                self.problem(
                    name,
                    format!("more than {} members; the rest is not read", self.limits.members),
                );
                return Ok(());
            }
            match self.until_header(name, reader, packed, stopped, count)? {
                Some(next) => header = next,
                None => return Ok(()),
            }
        }
    }

    /// What no header describes, and the next header.
    fn until_header(
        &mut self,
        name: &Path,
        reader: &mut dyn Read,
        packed: &[Kind],
        stopped: Stopped,
        count: usize,
    ) -> Result<Option<Vec<u8>>, E> {
        let mut rest = UntilHeader::new(reader);
        let anything = match stopped {
            Stopped::End => rest.pass_zeros(),
            _ => Ok(true),
        };
        let header = match anything {
            Ok(true) => {
                let place = if stopped == Stopped::End { "the end" } else { "damaged header" };
                let member = name.join(format!("behind {place} {count}"));
                self.unpacked(member, &mut rest, None, false, packed)?;
                rest.header()
            }
            Ok(false) => rest.header(),
            Err(source) => Err(source),
        };
        match header {
            Ok(next) => Ok(next.filter(|_| self.failure.is_none())),
            Err(source) => {
                match self.meter.failed() {
                    true => self.fail(source),
                    false => self.problem(name, format!("damaged: {source}")),
                }
                Ok(None)
            }
        }
    }

    /// The members up to the end or a damaged header.
    fn tar_members(
        &mut self,
        name: &Path,
        reader: &mut dyn Read,
        packed: &[Kind],
        count: &mut usize,
    ) -> Result<Stopped, E> {
        let (bounds, mut end) = (Bounds::default(), 0);
        let mut archive = tar::Archive::new(Bounded { inner: reader, bounds: bounds.clone() });
        let mut entries = match archive.entries() {
            Ok(entries) => entries,
            Err(error) => {
                self.problem(name, format!("damaged: {error}"));
                return Ok(Stopped::ForGood);
            }
        };
        loop {
            bounds.headers(end);
            let member = entries.next();
            bounds.content();
            let Some(member) = member else { break };
            let mut member = match member {
                Ok(member) => member,
                Err(source) if self.meter.failed() => {
                    self.fail(source);
                    return Ok(Stopped::ForGood);
                }
                Err(error) => {
                    self.problem(
                        name,
                        format!(
                            "damaged behind its {count} first members: {error}; read on at the next header"
                        ),
                    );
                    *count += 1;
                    return Ok(Stopped::Damaged);
                }
            };
            if *count >= self.limits.members {
                self.problem(name, format!("more than {count} members; the rest is not read"));
                return Ok(Stopped::ForGood);
            }
            *count += 1;
            let kind = member.header().entry_type();
            // The holes of a sparse file have a size, but are nowhere in the archive.
            let holes = kind.is_gnu_sparse();
            let stored = if holes { member.header().entry_size().unwrap_or(0) } else { member.size() };
            end = bounds.at().saturating_add(stored);
            // Contiguous and sparse files are files; what else there is has no content of its own.
            if !(kind.is_file() || kind.is_contiguous() || holes) {
                continue;
            }
            let member_name = name.join_shown(&member.path_bytes());
            let size = Some(member.size());
            self.unpacked(member_name, &mut member, size, holes, packed)?;
            if self.failure.is_some() {
                return Ok(Stopped::ForGood);
            }
        }
        Ok(Stopped::End)
    }

    fn problem(&mut self, name: &Path, what: String) {
        self.problems.push(Problem { name: name.to_owned(), what });
    }

    fn fail(&mut self, source: io::Error) {
        self.failure = Some(SourceError { action: "read", path: self.root.to_owned(), source });
    }
}

/// Where the members of a tar archive stopped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stopped {
    /// At its end.
    End,
    /// At a damaged header.
    Damaged,
    /// For good: nothing more can or may be read.
    ForGood,
}

/// Names for people.
trait JoinShown {
    fn join_shown(&self, member: &[u8]) -> PathBuf;
}

impl JoinShown for Path {
    /// Not [`Path::join`], which would let a member's absolute name replace the archive's.
    fn join_shown(&self, member: &[u8]) -> PathBuf {
        let member: String = String::from_utf8_lossy(member)
            .chars()
            .map(|c| if c.is_control() { '\u{FFFD}' } else { c })
            .collect();
        let mut name = self.as_os_str().to_owned();
        name.push("/");
        name.push(member.trim_start_matches('/'));
        name.into()
    }
}
