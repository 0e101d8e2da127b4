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
