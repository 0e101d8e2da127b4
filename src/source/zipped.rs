//! Zip archives: members by the directory at the end or, where that is gone, by the header before each.
//!
//! Layouts are those of APPNOTE.TXT, the published specification of the format.

use std::cell::RefCell;
use std::io::{self, BufRead, BufReader, Read};
use std::rc::Rc;

use flate2::CrcReader;
use flate2::bufread::DeflateDecoder;
use zip::CompressionMethod;

use super::guard::{Guard, Metered};
use super::{JoinShown, Kind, SourceError, Walk};

/// Bytes of a local header before the name (4.3.7).
const HEADER_LEN: usize = 30;
/// Bit 3 of its flags: lengths and checksum stand behind the member (4.4.4); bit 0: encrypted.
const STREAMED: u8 = 8;
const ENCRYPTED: u8 = 1;
/// Packed by DEFLATE (4.4.5), which tells its own end.
const DEFLATED: [u8; 2] = [8, 0];
/// What may stand behind a member: the next one, the directory, the directory's end.
const NEXT: [&[u8]; 3] = [b"PK\x03\x04", b"PK\x01\x02", b"PK\x05\x06"];
/// Bytes of such a mark.
const MARK_LEN: usize = 4;
/// What stands before its lengths, by most tools (4.3.9.3).
const DESCRIPTOR: &[u8] = b"PK\x07\x08";
/// Lengths of checksum, packed and unpacked length, in archives without and with long files.
const DESCRIPTOR_LENS: [usize; 2] = [12, 20];

impl<E: From<SourceError>> Walk<'_, E> {
    /// The members that the directory lists.
    pub(super) fn zip(&mut self, mut archive: zip::ZipArchive<BufReader<Metered>>) -> Result<(), E> {
        let root = self.root;
        if archive.offset() > 0 {
            let before = archive.offset();
            self.problem(
                root,
                format!("the first {before} bytes are not read: another archive stands there; cut the file behind it"),
            );
        }
        if archive.has_duplicate_names() {
            self.problem(
                root,
                "of members with the same name only the last is read; unpack the archive to folders of their own"
                    .to_owned(),
            );
        }
        if archive.len() > self.limits.members {
            let (all, most) = (archive.len(), self.limits.members);
            self.problem(root, format!("{all} members; only the first {most} are read"));
        }
        for index in 0..archive.len().min(self.limits.members) {
            match archive.by_index_raw(index) {
                Ok(member) if member.is_dir() || self.refused(&member) => continue,
                Ok(_) => {}
                Err(error) => {
                    self.problem(root, format!("member {} is damaged: {error}", index + 1));
                    continue;
                }
            }
            match archive.by_index(index) {
                Ok(member) => self.zip_member(member)?,
                Err(error) => self.problem(root, format!("member {} cannot be unpacked: {error}", index + 1)),
            }
            if self.failure.is_some() {
                return Ok(());
            }
        }
        Ok(())
    }

    /// The members of an archive whose directory is gone, by the header before each; false if there is none.
    pub(super) fn zip_in_row(&mut self, mut reader: BufReader<Metered>, why: &str) -> Result<bool, E> {
        let root = self.root;
        let mut count = 0;
        let ended = loop {
            let full = count >= self.limits.members;
            let next = match reader.fill_buf() {
                Ok([]) => break None,
                Ok(_) => streamed(&mut reader),
                Err(source) => Err(source),
            };
            match next {
                Ok(Some(_)) if full => break self.rest_unread(count),
                Ok(Some(name)) => {
                    count += 1;
                    if let Some(why) = self.streamed_member(&name, &mut reader)? {
                        break Some(format!("where the last one ends is not known: {why}"));
                    }
                }
                Ok(None) => match zip::read::read_zipfile_from_stream(&mut reader) {
                    Ok(Some(_)) if full => break self.rest_unread(count),
                    Ok(Some(member)) => {
                        count += 1;
                        if !member.is_dir() && !self.refused(&member) {
                            self.zip_member(member)?;
                        }
                    }
                    Ok(None) => break None,
                    Err(zip::result::ZipError::Io(source)) if self.meter.failed() => self.fail(source),
                    Err(error) => break Some(error.to_string()),
                },
                Err(source) => self.fail(source),
            }
            if self.failure.is_some() {
                return Ok(true);
            }
        };
        if count == 0 {
            let header = ended.unwrap_or_else(|| "none is there".to_owned());
            self.problem(
                root,
                format!("{why}, nor can its members be read by their own headers ({header}); read as it is"),
            );
            return Ok(false);
        }
        let mut behind = format!("{count} member(s) read by their own headers");
        if let Some(error) = ended {
            behind = format!("{behind}, behind them: {error}");
            // Behind a damaged header there may be members that are only stored.
            match reader.fill_buf() {
                Ok([]) => {}
                Ok(_) => {
                    let rest = root.join(format!("behind member {count}"));
                    self.unpacked(rest, &mut reader, None, false, &[Kind::Zip])?;
                }
                Err(source) => self.fail(source),
            }
        }
        self.problem(root, format!("{why}; {behind}"));
        Ok(true)
    }

    /// Tells that there are more members than may be read; nothing was wrong with them.
    fn rest_unread(&mut self, count: usize) -> Option<String> {
        self.problem(self.root, format!("more than {count} members; the rest is not read"));
        None
    }

    /// Whether a member is packed in a way that is not read, which is told.
    fn refused<R: Read>(&mut self, member: &zip::read::ZipFile<'_, R>) -> bool {
        let name = self.root.join_shown(member.name_raw());
        let method = member.compression();
        if member.encrypted() {
            self.problem(&name, "encrypted; unpack it with its password first".to_owned());
        } else if !matches!(method, CompressionMethod::Stored | CompressionMethod::Deflated) {
            self.problem(&name, format!("packed by a method that is not read ({method}); unpack it first"));
        } else {
            return false;
        }
        true
    }

    fn zip_member<R: Read>(&mut self, mut member: zip::read::ZipFile<'_, R>) -> Result<(), E> {
        let (name, size) = (self.root.join_shown(member.name_raw()), Some(member.size()));
        self.unpacked(name, &mut member, size, true, &[Kind::Zip])
    }

    /// A deflated member whose length only its own end tells; why that was not found, if it was not.
    fn streamed_member(&mut self, name: &[u8], reader: &mut BufReader<Metered>) -> Result<Option<String>, E> {
        // As the crate knows folders.
        let folder = matches!(name.last(), Some(b'/' | b'\\'));
        let name = self.root.join_shown(name);
        let mut member = CrcReader::new(DeflateDecoder::new(&mut *reader));
        if !folder {
            self.unpacked(name.clone(), &mut member, None, true, &[Kind::Zip])?;
        }
        if self.failure.is_some() {
            return Ok(None);
        }
        // What the visitor did not want lies before the member's end, too.
        let why = Rc::new(RefCell::new(None));
        let mut rest = Guard {
            inner: &mut member,
            meter: Rc::clone(&self.meter),
            limits: self.limits,
            due: None,
            unpacks: true,
            why: Rc::clone(&why),
        };
        let sunk = io::copy(&mut rest, &mut io::sink());
        if let Some(why) = why.take() {
            return Ok(Some(why));
        }
        let sum = member.crc().sum();
        match sunk.and_then(|_| descriptor(reader)) {
            Err(source) => self.fail(source),
            Ok(Behind::Sum(stated)) if stated != sum => {
                self.problem(&name, "damaged: its checksum does not fit; what came is kept".to_owned());
            }
            Ok(Behind::Sum(_)) => {}
            Ok(Behind::Cut) => {
                self.problem(&name, "its checksum is cut off; what came is kept".to_owned());
            }
            Ok(Behind::Other) => return Ok(Some("no checksum and lengths behind it".to_owned())),
        }
        Ok(None)
    }
}

/// The name of the member that begins here, if it is a deflated one whose header does not tell its length; its content is
/// read next then. Else nothing is passed over.
fn streamed(reader: &mut BufReader<Metered>) -> io::Result<Option<Vec<u8>>> {
    let mut head = Vec::new();
    (&mut *reader).take(HEADER_LEN as u64).read_to_end(&mut head)?;
    let lengths = match *head.as_slice() {
        [b'P', b'K', 3, 4, _, _, flags, _, low, high, .., a, b, c, d]
            if head.len() == HEADER_LEN
                && flags & (STREAMED | ENCRYPTED) == STREAMED
                && [low, high] == DEFLATED =>
        {
            [[a, b], [c, d]].map(u16::from_le_bytes)
        }
        _ => {
            reader.seek_relative(-(head.len() as i64))?;
            return Ok(None);
        }
    };
    let [name_len, extra_len] = lengths;
    let (mut name, mut extra) = (Vec::new(), Vec::new());
    (&mut *reader).take(name_len.into()).read_to_end(&mut name)?;
    (&mut *reader).take(extra_len.into()).read_to_end(&mut extra)?;
    if (name.len(), extra.len()) != (name_len.into(), extra_len.into()) {
        reader.seek_relative(-((head.len() + name.len() + extra.len()) as i64))?;
        return Ok(None);
    }
    Ok(Some(name))
}

/// What stands behind a member that was deflated to its end.
enum Behind {
    /// Its checksum, which is passed over with its lengths as far as the file goes.
    Sum(u32),
    /// The file's end within the checksum or before it.
    Cut,
    /// No lengths that another member, the directory or the file's end follows.
    Other,
}

fn descriptor(reader: &mut BufReader<Metered>) -> io::Result<Behind> {
    let [short, long] = DESCRIPTOR_LENS;
    let mut rest = Vec::new();
    (&mut *reader).take((DESCRIPTOR.len() + long + MARK_LEN) as u64).read_to_end(&mut rest)?;
    let marked = if rest.starts_with(DESCRIPTOR) { DESCRIPTOR.len() } else { 0 };
    // The next mark may be cut, too.
    let ends = |len: &usize| {
        let next = rest.get(marked + len..);
        next.is_some_and(|next| NEXT.iter().any(|mark| next.starts_with(mark) || mark.starts_with(next)))
    };
    let sum = rest.get(marked..).and_then(|sum| sum.first_chunk::<4>()).map(|sum| u32::from_le_bytes(*sum));
    let sum = sum.map_or(Behind::Cut, Behind::Sum);
    let (behind, used) = match [short, long].into_iter().find(ends) {
        Some(len) => (sum, marked + len),
        None if rest.len() < marked + long => (sum, rest.len()),
        None => (Behind::Other, 0),
    };
    reader.seek_relative(used as i64 - rest.len() as i64)?;
    Ok(behind)
}
