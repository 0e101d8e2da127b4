//! Packet captures (pcap, pcapng) to the payload of their flows: pure, streaming, in bounded memory.
//!
//! - `classic`, `blocks`: the records of the two file formats, `step` what both answer.
//! - `packet`: link, IP and extension headers off.
//! - `fragments`, `tcp`: datagrams in fragments and streams out of order, put together.
//! - `flow`, `network`: which bytes belong together.
//! - `note`: what was dropped, damaged or not understood.
//!
//! Nothing here looks for frames: a [`Segment`] goes to the scanner of its flow. What cannot be taken apart, such
//! as an unknown link type, a header that makes no sense or bytes between damaged records, is handed on as raw
//! bytes in a flow of its own, so that the frames inside are found all the same.
//!
//! Source of the formats: the registered capture file formats (draft-ietf-opsawg-pcap, -pcapng, -pcaplinktype).

#![deny(clippy::indexing_slicing)]

mod blocks;
mod classic;
mod flow;
mod fragments;
mod network;
mod note;
mod packet;
mod step;
mod tcp;

pub use flow::{Flow, Transport};
pub use note::{Note, NoteKind, Tally};

use blocks::Blocks;
use classic::Classic;
use network::Network;
use note::Ledger;
use step::{Looks, Step};

/// The formats.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Kind {
    /// The classic format.
    Pcap,
    /// The format of blocks.
    PcapNg,
}

/// Payload of one flow, in order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Segment<'a> {
    /// Number of the flow, from 0 in order of appearance; [`Capture::flows`] describes it.
    pub flow: u32,
    /// The capturing computer's clock, µs Unix; `None` where the file states none.
    pub capture_us: Option<u64>,
    /// Offset of the payload in the file; of a datagram that came in fragments, of the one that completed it.
    pub offset: u64,
    /// The payload.
    pub bytes: &'a [u8],
    /// Bytes of the flow are missing before these.
    pub gap_before: bool,
    /// A datagram: frames normally start where it does. Otherwise a piece of a stream.
    pub datagram: bool,
    /// Handed on long after it was captured: a part of a datagram that never got whole.
    pub late: bool,
}

/// The bytes are no capture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("neither a pcap nor a pcapng file by its first bytes")]
pub struct CaptureError;

/// Reads a capture piece by piece.
#[derive(Debug, Default)]
pub struct Capture {
    format: Option<Format>,
    /// Offset in the file of the first byte that the caller still holds.
    base: u64,
    /// Start of the bytes that belong to no record, while a record is searched for.
    outside_from: Option<u64>,
    network: Network,
    ledger: Ledger,
}

#[derive(Debug)]
enum Format {
    Classic(Classic),
    Blocks(Blocks),
}

impl Capture {
    /// A reader at the start of a file.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// The format, by the first twelve bytes.
    #[must_use]
    pub fn recognise(first: &[u8]) -> Option<Kind> {
        match *first {
            [0xD4, 0xC3, 0xB2, 0xA1, ..]
            | [0xA1, 0xB2, 0xC3, 0xD4, ..]
            | [0x4D, 0x3C, 0xB2, 0xA1, ..]
            | [0xA1, 0xB2, 0x3C, 0x4D, ..]
            | [0x34, 0xCD, 0xB2, 0xA1, ..] => Some(Kind::Pcap),
            [0x0A, 0x0D, 0x0D, 0x0A, _, _, _, _, 0x4D, 0x3C, 0x2B, 0x1A, ..]
            | [0x0A, 0x0D, 0x0D, 0x0A, _, _, _, _, 0x1A, 0x2B, 0x3C, 0x4D, ..] => Some(Kind::PcapNg),
            _ => None,
        }
    }

    /// Reads `input`, calling `sink` for every piece of payload, and returns how many bytes it is done with.
    ///
    /// The caller keeps the rest, at most about a megabyte, and calls again with it and more behind it; `last`
    /// says that no more of this file will come, and then everything is consumed. What is fed behind it begins
    /// another file of the same capture: its offsets begin anew, flows go on.
    ///
    /// # Errors
    /// Where the first bytes are those of no capture. Damage behind them is no error.
    pub fn feed(
        &mut self,
        input: &[u8],
        last: bool,
        sink: &mut impl FnMut(Segment<'_>),
    ) -> Result<usize, CaptureError> {
        let mut at = 0;
        if self.format.is_none() {
            match Self::recognise(input) {
                Some(Kind::PcapNg) => self.format = Some(Format::Blocks(Blocks::default())),
                Some(Kind::Pcap) => match Classic::open(input) {
                    Some((classic, len)) => {
                        self.format = Some(Format::Classic(classic));
                        at = len;
                    }
                    None if last => return Err(CaptureError),
                    None => return Ok(0),
                },
                None if input.len() < 12 && !last => return Ok(0),
                None => return Err(CaptureError),
            }
        }
        while let Some(rest) = input.get(at..).filter(|rest| !rest.is_empty()) {
            let offset = self.base + at as u64;
            if self.outside_from.is_some() {
                let (skipped, found) = self.search(rest, last);
                self.outside(rest.get(..skipped).unwrap_or_default(), offset, sink);
                at += skipped;
                if !found {
                    break;
                }
                self.end_outside(offset + skipped as u64);
                continue;
            }
            match self.step(rest, offset, last) {
                Step::Packet(packet, len) => {
                    self.network.packet(&packet, &mut self.ledger, sink);
                    at += len;
                }
                Step::Skip(len) => at += len,
                Step::MoreBytes if !last => break,
                Step::MoreBytes | Step::Damaged => {
                    self.outside_from = Some(offset);
                    // The first byte starts no record, whatever a laxer look would say.
                    self.outside(rest.get(..1).unwrap_or_default(), offset, sink);
                    at += 1;
                }
            }
        }
        self.base += at as u64;
        if last {
            self.end_outside(self.base);
            (self.format, self.base) = (None, 0);
        }
        Ok(at)
    }

    /// Hands on what waits for packets that will not come.
    pub fn finish(&mut self, sink: &mut impl FnMut(Segment<'_>)) {
        self.network.finish(&mut self.ledger, sink);
    }

    /// The flows so far, by number.
    #[must_use]
    pub fn flows(&self) -> &[Flow] {
        &self.network.flows.list
    }

    /// What was read, dropped and damaged so far.
    #[must_use]
    pub fn tally(&self) -> &Tally {
        &self.ledger.tally
    }

    /// Where; the first hundred places.
    #[must_use]
    pub fn notes(&self) -> &[Note] {
        &self.ledger.notes
    }

    fn step<'a>(&mut self, input: &'a [u8], offset: u64, last: bool) -> Step<'a> {
        match &mut self.format {
            Some(Format::Classic(classic)) => classic.step(input, offset, last),
            Some(Format::Blocks(blocks)) => blocks.step(input, offset, &mut self.ledger),
            None => Step::MoreBytes,
        }
    }

    /// How many bytes start no record, and whether one starts behind them.
    fn search(&self, input: &[u8], last: bool) -> (usize, bool) {
        for at in 0..input.len() {
            let rest = input.get(at..).unwrap_or_default();
            let looks = match &self.format {
                Some(Format::Classic(classic)) => classic.looks(rest, last),
                Some(Format::Blocks(blocks)) => blocks.looks(rest, last),
                None => Looks::No,
            };
            match looks {
                Looks::Yes => return (at, true),
                Looks::MoreBytes => return (at, false),
                Looks::No => {}
            }
        }
        (input.len(), false)
    }

    fn outside(&mut self, bytes: &[u8], offset: u64, sink: &mut impl FnMut(Segment<'_>)) {
        self.ledger.tally.bytes_outside += bytes.len() as u64;
        self.network.outside(bytes, offset, &mut self.ledger, sink);
    }

    fn end_outside(&mut self, end: u64) {
        if let Some(from) = self.outside_from.take() {
            self.ledger.tally.damaged_regions += 1;
            self.ledger.note(from, note::NoteKind::Outside(end - from));
        }
    }
}
