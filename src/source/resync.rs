//! What lies behind a damaged header of a tar archive or behind its end, up to the next header that holds.
//!
//! # Source
//! The ustar interchange format of POSIX.1-1988 (IEEE Std 1003.1): blocks of 512 bytes, "ustar" at byte 257, at 148 the
//! sum of the header's bytes in octal, itself taken for eight spaces.

use std::io::{self, Read};
use std::ops::Range;

const BLOCK: usize = 512;
const MAGIC: Range<usize> = 257..262;
const SUM: Range<usize> = 148..156;

/// Reads blocks until one is a header.
pub(super) struct UntilHeader<R> {
    inner: R,
    block: Vec<u8>,
    /// Bytes of the block that were handed on.
    given: usize,
    found: bool,
}

impl<R: Read> UntilHeader<R> {
    pub fn new(inner: R) -> Self {
        Self { inner, block: Vec::new(), given: 0, found: false }
    }

    /// Passes over blocks of zeros; whether bytes follow that are no header.
    pub fn pass_zeros(&mut self) -> io::Result<bool> {
        loop {
            self.next_block()?;
            let whole_zeros = self.block.len() == BLOCK && self.block.iter().all(|byte| *byte == 0);
            if !whole_zeros {
                return Ok(!self.found && self.block.iter().any(|byte| *byte != 0));
            }
        }
    }

    fn next_block(&mut self) -> io::Result<()> {
        (self.given, self.block) = (0, Vec::with_capacity(BLOCK));
        (&mut self.inner).take(BLOCK as u64).read_to_end(&mut self.block)?;
        self.found = is_header(&self.block);
        Ok(())
    }

    /// The header, if one came; passes over what was not read before it.
    pub fn header(mut self) -> io::Result<Option<Vec<u8>>> {
        io::copy(&mut self, &mut io::sink())?;
        Ok(self.found.then_some(self.block))
    }
}

impl<R: Read> Read for UntilHeader<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.given == self.block.len() && !self.found {
            self.next_block()?;
        }
        if self.found {
            return Ok(0);
        }
        let read = self.block.get(self.given..).unwrap_or_default().read(buffer)?;
        self.given += read;
        Ok(read)
    }
}

fn is_header(block: &[u8]) -> bool {
    if block.len() < BLOCK || block.get(MAGIC) != Some(b"ustar") {
        return false;
    }
    let told = block.get(SUM).and_then(|sum| std::str::from_utf8(sum).ok());
    let told = told.and_then(|sum| u32::from_str_radix(sum.trim_matches(['\0', ' ']), 8).ok());
    let sum = |(at, byte): (usize, &u8)| u32::from(if SUM.contains(&at) { b' ' } else { *byte });
    told == Some(block.iter().enumerate().map(sum).sum())
}
