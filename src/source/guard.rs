//! Readers that keep unpacking in bounds: how much was read from the file, how much came out of it.
//!
//! A small file can unpack to terabytes. Telemetry packs to a half or a tenth, long runs of zeros to a
//! thousandth, so a limit on the ratio stops a bomb early and lets every log pass. What came out before the limit,
//! or before damage, is kept: the reader then ends, and says why afterwards.

use std::cell::{Cell, RefCell};
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::rc::Rc;

/// Bytes taken out at a time, so that a limit is noticed soon.
const CHUNK: usize = 64 * 1024;

/// Limits on what may come out of one file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Bytes that may always come out, whatever the ratio.
    pub free: u64,
    /// Bytes out for a byte in, beyond that.
    pub ratio: u64,
    /// Bytes out in all.
    pub total: u64,
    /// Members of an archive.
    pub members: usize,
}

impl Default for Limits {
    /// 256 MiB, 200 to 1, 1 TiB, 100,000 members: common practice, no published source.
    fn default() -> Self {
        Self { free: 256 << 20, ratio: 200, total: 1 << 40, members: 100_000 }
    }
}

/// What was read from the file and came out of it.
#[derive(Debug, Default)]
pub(super) struct Meter {
    read: Cell<u64>,
    out: Cell<u64>,
    /// The file itself could not be read: no damage of its content.
    failed: Cell<bool>,
}

impl Meter {
    pub fn failed(&self) -> bool {
        self.failed.get()
    }
}

/// The file, metered.
#[derive(Debug)]
pub(super) struct Metered {
    pub file: File,
    pub meter: Rc<Meter>,
}

impl Read for Metered {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let outcome = self.file.read(buffer);
        match &outcome {
            Ok(read) => self.meter.read.set(self.meter.read.get() + *read as u64),
            Err(error) if error.kind() != io::ErrorKind::Interrupted => self.meter.failed.set(true),
            Err(_) => {}
        }
        outcome
    }
}

impl Seek for Metered {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.file.seek(to)
    }
}

/// A reader of unpacked bytes that ends at damage and at the limits, and remembers why.
pub(super) struct Guard<'r> {
    pub inner: &'r mut dyn Read,
    pub meter: Rc<Meter>,
    pub limits: Limits,
    /// Bytes that must still come, where the container says so.
    pub due: Option<u64>,
    /// Whether more can come out here than goes in: what a tar archive only holds was counted where it was
    /// unpacked.
    pub unpacks: bool,
    pub why: Rc<RefCell<Option<String>>>,
}

impl Read for Guard<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.why.borrow().is_some() {
            return Ok(0);
        }
        let room = buffer.len().min(CHUNK);
        let read = match self.inner.read(buffer.get_mut(..room).unwrap_or_default()) {
            Ok(0) if room > 0 => {
                if let Some(due) = self.due.filter(|due| *due > 0) {
                    *self.why.borrow_mut() = Some(format!("cut off: {due} bytes are missing at its end"));
                }
                0
            }
            Ok(read) => read,
            Err(error) if error.kind() == io::ErrorKind::Interrupted || self.meter.failed() => {
                return Err(error);
            }
            Err(error) => {
                *self.why.borrow_mut() = Some(format!("damaged: {error}; what came before is kept"));
                return Ok(0);
            }
        };
        self.due = self.due.map(|due| due.saturating_sub(read as u64));
        if !self.unpacks || read == 0 {
            return Ok(read);
        }
        let out = self.meter.out.get() + read as u64;
        self.meter.out.set(out);
        let allowed =
            self.limits.free.saturating_add(self.meter.read.get().saturating_mul(self.limits.ratio));
        if out > allowed.min(self.limits.total) {
            *self.why.borrow_mut() = Some(format!(
                "unpacks to more than {} MiB and {} times its size; what came before is kept, unpack it by hand if \
                 it is a log",
                self.limits.free >> 20,
                self.limits.ratio
            ));
        }
        Ok(read)
    }
}

/// Most bytes before a member of a tar archive: its header, long names and attributes.
const HEADERS: u64 = 1 << 20;

/// How far a tar archive was read, and how far it may be: what describes a member is held in memory whole, and states
/// its own size.
#[derive(Debug, Clone, Default)]
pub(super) struct Bounds {
    at: Rc<Cell<u64>>,
    until: Rc<Cell<u64>>,
}

impl Bounds {
    /// Headers are read from here on, behind content that ends at `end`.
    pub fn headers(&self, end: u64) {
        self.until.set(end.saturating_add(HEADERS));
    }

    /// Content is read, which nobody holds.
    pub fn content(&self) {
        self.until.set(u64::MAX);
    }

    /// Bytes read.
    pub fn at(&self) -> u64 {
        self.at.get()
    }
}

/// A tar archive, read within bounds.
pub(super) struct Bounded<R> {
    pub inner: R,
    pub bounds: Bounds,
}

impl<R: Read> Read for Bounded<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let Bounds { at, until } = &self.bounds;
        let left = until.get().saturating_sub(at.get());
        if left == 0 && !buffer.is_empty() {
            return Err(io::Error::other("more than 1 MiB of names and attributes before a member"));
        }
        let room = buffer.len().min(usize::try_from(left).unwrap_or(usize::MAX));
        let read = self.inner.read(buffer.get_mut(..room).unwrap_or_default())?;
        at.set(at.get().saturating_add(read as u64));
        Ok(read)
    }
}
