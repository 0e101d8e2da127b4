//! The scanner: any bytes in, checked frames out. It does no I/O and keeps no bytes.
//!
//! Only a good checksum makes a frame. After a false start the search goes on one byte later, so that a marker
//! inside noise never hides a frame. Every candidate looks ahead a bounded distance, so the time is linear in
//! the input whatever it holds.

use super::crc;
use super::definitions::Definitions;
use super::frame::Frame;
use super::integrity::Integrity;
use super::layout::{self, Claim, Extent, Layout};
use super::message::Message;
use super::sequence::Sequences;
use super::stamp::{self, Container, STAMP_LEN, Vote};

/// Unknown frames in a row that are followed to find one that can be checked.
const LONGEST_CHAIN: usize = 4;

/// Finds frames in a stream of bytes.
#[derive(Debug)]
pub struct Scanner<'d> {
    definitions: &'d Definitions,
    /// Offset in the recording of the first byte that the caller still holds.
    base: u64,
    /// Of those bytes, how many are known to start no frame.
    examined: usize,
    /// End of the last frame.
    gap_from: u64,
    sequences: Sequences,
    integrity: Integrity,
    vote: Vote,
}

/// What the bytes at a position turned out to be.
enum Found<'a> {
    /// A frame of this length whose checksum confirms a definition.
    Good(&'a Message, usize),
    /// Well formed and of this length, of an id that is not defined.
    Unknown(usize),
    /// A defined message of fitting length with a wrong checksum.
    Damaged,
    Nothing,
    MoreBytes,
}

/// Whether an unknown frame is believed.
#[derive(PartialEq)]
enum Belief {
    Yes,
    No,
    MoreBytes,
}

impl<'d> Scanner<'d> {
    /// A scanner at the start of a recording.
    #[must_use]
    pub fn new(definitions: &'d Definitions) -> Self {
        Self {
            definitions,
            base: 0,
            examined: 0,
            gap_from: 0,
            sequences: Sequences::new(),
            integrity: Integrity::default(),
            vote: Vote::default(),
        }
    }

    /// Scans `input`, calling `sink` for every frame, and returns how many bytes it is done with.
    ///
    /// The caller keeps the rest, at most about two kilobytes, and calls again with it and more behind it;
    /// `last` says that no more will come, and then everything is consumed. Frames do not depend on how the
    /// recording is cut into calls.
    pub fn scan(&mut self, input: &[u8], last: bool, sink: &mut impl FnMut(Frame<'_>)) -> usize {
        let mut at = self.examined.min(input.len());
        loop {
            let rest = input.get(at..).unwrap_or_default();
            let mut found = None;
            if self.base + at as u64 == self.gap_from && !rest.first().is_some_and(is_marker) {
                // Directly behind a frame: a stamp and a frame, before any marker inside the stamp is tried.
                if rest.len() < STAMP_LEN + 3 && !last {
                    break;
                }
                if stamp::read(rest).is_some() && rest.get(STAMP_LEN).is_some_and(is_marker) {
                    match self.examine(input, at + STAMP_LEN) {
                        Found::Good(message, len) => {
                            at += STAMP_LEN;
                            found = Some(Found::Good(message, len));
                        }
                        Found::MoreBytes if !last => break,
                        _ => {}
                    }
                }
            }
            let found = match found {
                Some(found) => found,
                None => {
                    let Some(skip) = layout::find_marker(rest) else {
                        at = input.len();
                        break;
                    };
                    at += skip;
                    self.examine(input, at)
                }
            };
            let (message, len) = match found {
                Found::Good(message, len) => (Some(message), len),
                Found::Unknown(len) => match self.believe(input, at, len, last) {
                    Belief::Yes => (None, len),
                    Belief::MoreBytes => break,
                    Belief::No => {
                        at += 1;
                        continue;
                    }
                },
                Found::MoreBytes if !last => break,
                Found::Damaged => {
                    self.integrity.frames_bad_crc += 1;
                    at += 1;
                    continue;
                }
                Found::MoreBytes | Found::Nothing => {
                    at += 1;
                    continue;
                }
            };
            // The extent was judged before, so that the parser cannot fail here.
            if let Ok((_, layout)) = layout::frame(input.get(at..at + len).unwrap_or_default()) {
                self.accept(input, at, len, layout, message, sink);
            }
            at += len;
        }
        self.retain(input.len(), at, last)
    }

    /// What was lost, skipped and unknown so far; complete after the last bytes.
    #[must_use]
    pub fn integrity(&self) -> Integrity {
        self.integrity.clone()
    }

    /// How the frames lie in the recording, by the first hundred of them.
    #[must_use]
    pub fn container(&self) -> Container {
        self.vote.outcome()
    }

    /// Gives up the bytes that are no longer needed: all but a possible stamp before position `at`.
    fn retain(&mut self, available: usize, at: usize, last: bool) -> usize {
        let gap = self.gap_from.saturating_sub(self.base) as usize;
        let done = if last { available } else { at.saturating_sub(STAMP_LEN).max(gap.min(at)) };
        self.examined = at.saturating_sub(done);
        self.base += done as u64;
        self.integrity.bytes = self.base;
        if last {
            self.integrity.skip(self.gap_from, self.base - self.gap_from);
            self.gap_from = self.base;
        }
        done
    }

    #[inline]
    fn examine(&self, input: &[u8], at: usize) -> Found<'d> {
        examine(self.definitions, input.get(at..).unwrap_or_default())
    }

    /// An unknown id cannot be checked. It is believed when a frame that can be checked starts exactly at its
    /// end, at most a few more unknown ones later, or the recording ends there; and when no good frame starts
    /// inside it.
    fn believe(&self, input: &[u8], at: usize, len: usize, last: bool) -> Belief {
        let followed = self.followed(input, at + len, last);
        if followed != Belief::Yes {
            return followed;
        }
        let end = at + len;
        let mut inside = at + 1;
        while let Some(skip) = input.get(inside..end).and_then(layout::find_marker) {
            inside += skip;
            match self.examine(input, inside) {
                Found::Good(..) => return Belief::No,
                Found::MoreBytes if !last => return Belief::MoreBytes,
                _ => inside += 1,
            }
        }
        Belief::Yes
    }

    fn followed(&self, input: &[u8], mut end: usize, last: bool) -> Belief {
        for _ in 0..LONGEST_CHAIN {
            let rest = input.get(end..).unwrap_or_default();
            if rest.is_empty() && last {
                return Belief::Yes;
            }
            if rest.len() < STAMP_LEN + 3 && !last {
                return Belief::MoreBytes;
            }
            if stamp::read(rest).is_some() {
                end += STAMP_LEN;
            }
            match self.examine(input, end) {
                Found::Good(..) => return Belief::Yes,
                Found::Unknown(len) => end += len,
                Found::MoreBytes if !last => return Belief::MoreBytes,
                _ => return Belief::No,
            }
        }
        Belief::No
    }

    /// Notes a frame and hands it on.
    #[inline(always)]
    fn accept(
        &mut self,
        input: &[u8],
        at: usize,
        len: usize,
        layout: Layout<'_>,
        message: Option<&Message>,
        sink: &mut impl FnMut(Frame<'_>),
    ) {
        let offset = self.base + at as u64;
        let gap = offset - self.gap_from;
        let capture_us = if gap < STAMP_LEN as u64 {
            None
        } else {
            at.checked_sub(STAMP_LEN).and_then(|from| input.get(from..)).and_then(stamp::read)
        };
        let stamp_len = if capture_us.is_some() { STAMP_LEN as u64 } else { 0 };
        self.integrity.skip(self.gap_from, gap - stamp_len);
        self.integrity.bytes_stamps += stamp_len;
        self.integrity.bytes_frames += len as u64;
        match message {
            Some(_) => self.integrity.frames += 1,
            None => self.integrity.frames_unknown += 1,
        }
        self.vote.count(capture_us.is_some());
        self.integrity.sequence_lost +=
            self.sequences.lost(layout.system_id, layout.component_id, layout.sequence);
        self.gap_from = offset + len as u64;
        sink(Frame {
            offset,
            capture_us,
            version: layout.version,
            sequence: layout.sequence,
            system_id: layout.system_id,
            component_id: layout.component_id,
            message_id: layout.message_id,
            payload: layout.payload,
            signed: layout.signed,
            message,
        });
    }
}

#[inline]
fn is_marker(byte: &u8) -> bool {
    *byte == layout::MARKER_V1 || *byte == layout::MARKER_V2
}

/// Judges a candidate without taking it apart: only what the checksum needs is read.
#[inline(always)]
fn examine<'a>(definitions: &'a Definitions, input: &[u8]) -> Found<'a> {
    let extent = match layout::claim(input) {
        Claim::Frame(extent) => extent,
        Claim::Nothing => return Found::Nothing,
        Claim::MoreBytes => return Found::MoreBytes,
    };
    let Some(bytes) = input.get(..extent.len) else {
        return Found::MoreBytes;
    };
    let candidates = definitions.by_id(extent.message_id(bytes));
    if candidates.is_empty() {
        return Found::Unknown(extent.len);
    }
    let state = crc::checksum(extent.covered(bytes));
    let sent = extent.checksum(bytes);
    let good =
        |message: &&Message| crc::update_byte(state, message.crc_extra) == sent && possible(&extent, message);
    match candidates.iter().find(good) {
        Some(message) => Found::Good(message, extent.len),
        None if candidates.iter().any(|message| fits(&extent, message)) => Found::Damaged,
        None => Found::Nothing,
    }
}

/// Whether any sender could mean this length. Version 1 sends the base fields whole; some senders add the
/// extensions, none sends more, while noise can claim 255 bytes and swallow good frames when its checksum
/// fits by chance. A longer version 2 payload comes from a newer definition.
#[inline]
fn possible(extent: &Extent, message: &Message) -> bool {
    extent.header != 6 || extent.body_end - extent.header <= message.full_len
}

/// Whether a correct sender could send this payload length; only used to tell damage from noise.
fn fits(extent: &Extent, message: &Message) -> bool {
    let payload = extent.body_end - extent.header;
    match extent.header {
        6 => payload == message.base_len,
        _ => (1..=message.full_len).contains(&payload),
    }
}
