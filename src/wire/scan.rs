//! The scanner: any bytes in, checked frames out. It does no I/O and keeps no bytes.
//!
//! Only a good checksum makes a frame. After a false start the search goes on one byte later, so that a marker
//! inside noise never hides a frame. Every candidate looks ahead a bounded distance, so the time is linear in
//! the input whatever it holds.

use super::crc;
use super::definitions::Definitions;
use super::frame::Frame;
use super::integrity::{Fill, Filling, Gap, Integrity};
use super::layout::{self, Layout};
use super::message::Message;
use super::sequence::Sequences;
use super::stamp::{self, Container, STAMP_LEN, Vote};

/// Unknown frames in a row that are followed to find one that can be checked.
const LONGEST_CHAIN: usize = 16;
/// Of a chain that long, so many go on in their sender's counter, or it is none.
const GOING_ON: u32 = 8;
/// Senders of a chain whose counters are followed, and frames that may be missing between two of one.
const CHAIN_SENDERS: usize = 4;
const CHAIN_MISSING: u8 = 3;

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
    /// The gap that the next frame will end: what its bytes up to `base` are, and damaged frames in it.
    fill: Filling,
    gap_bad_crc: u64,
}

/// What a scan meets, in the order of the recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Met<'a> {
    /// A frame.
    Frame(&'a Frame<'a>),
    /// Bytes that are part of none.
    Gap(Gap),
}

/// What the bytes at a position turned out to be.
enum Found<'d, 'i> {
    /// A frame whose checksum confirms a definition.
    Good(&'d Message, Layout<'i>),
    /// Well formed, of an id that is not defined.
    Unknown(Layout<'i>),
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
            fill: Filling::default(),
            gap_bad_crc: 0,
        }
    }

    /// Scans `input`, calling `sink` for every frame, and returns how many bytes it is done with.
    ///
    /// The caller keeps the rest, at most about five kilobytes, and calls again with it and more behind it;
    /// `last` says that no more will come, and then everything is consumed. Frames do not depend on how the
    /// recording is cut into calls.
    pub fn scan(&mut self, input: &[u8], last: bool, sink: &mut impl FnMut(&Frame<'_>)) -> usize {
        self.scan_all(input, last, &mut |met| {
            if let Met::Frame(frame) = met {
                sink(frame);
            }
        })
    }

    /// [`Scanner::scan`] with the gaps between the frames.
    pub fn scan_all(&mut self, input: &[u8], last: bool, sink: &mut impl FnMut(Met<'_>)) -> usize {
        let mut at = self.examined.min(input.len());
        let mut behind_frame = self.base + at as u64 == self.gap_from;
        loop {
            if behind_frame {
                at = self.run(input, at, sink);
                // The next frame, or its stamp, before any marker inside the stamp is tried.
                let rest = input.get(at..).unwrap_or_default();
                let marked = rest.first().is_some_and(is_marker);
                if !marked && rest.len() < STAMP_LEN + 3 && !last {
                    break;
                }
                let capture_us = if marked { None } else { stamp::read(rest) };
                let start = at + if capture_us.is_some() { STAMP_LEN } else { 0 };
                let head = input.get(start..).unwrap_or_default();
                if (marked || capture_us.is_some()) && head.first().is_some_and(is_marker) {
                    match examine(self.definitions, head) {
                        Found::Good(message, layout) => {
                            at = start + layout.raw.len();
                            self.accept(start, capture_us, layout, Some(message), sink);
                            continue;
                        }
                        Found::MoreBytes if !last => break,
                        _ => {}
                    }
                }
                behind_frame = false;
            }
            let Some(skip) = layout::find_marker(input.get(at..).unwrap_or_default()) else {
                at = input.len();
                break;
            };
            at += skip;
            let (message, layout) = match self.examine(input, at) {
                // In noise a checksum of 16 bits fits by chance now and then; behind a frame it has no chance to.
                Found::Good(message, layout) => match self.doubt(input, at, &layout, last) {
                    Belief::Yes => (Some(message), layout),
                    Belief::MoreBytes => break,
                    Belief::No => {
                        at += 1;
                        continue;
                    }
                },
                Found::Unknown(layout) => match self.believe(input, at, layout.raw.len(), last) {
                    Belief::Yes => (None, layout),
                    Belief::MoreBytes => break,
                    Belief::No => {
                        at += 1;
                        continue;
                    }
                },
                Found::MoreBytes if !last => break,
                Found::Damaged => {
                    self.gap_bad_crc += 1;
                    at += 1;
                    continue;
                }
                Found::MoreBytes | Found::Nothing => {
                    at += 1;
                    continue;
                }
            };
            let start = at;
            let end = at + layout.raw.len();
            let capture_us = match self.stamp_before(input, start) {
                Some(_) if end == input.len() && !last => break,
                // Debris before a frame of a stream without stamps may look like one: then the next frame has none either.
                found => found
                    .filter(|_| self.integrity.bytes_stamps > 0 || !input.get(end).is_some_and(is_marker)),
            };
            at = end;
            self.end_gap_before(input, start, capture_us, sink);
            self.accept(start, capture_us, layout, message, sink);
            behind_frame = true;
        }
        self.retain(input, at, last, sink)
    }

    /// What nearly all of a recording is: usual frames end to end, each perhaps behind its stamp, the first of them at
    /// `from`. Returns where something else comes. It decides the speed of the scan: what the loop carries stays few, and
    /// all that can be told at the end of a run is.
    fn run(&mut self, input: &[u8], from: usize, sink: &mut impl FnMut(Met<'_>)) -> usize {
        let mut rest = input.get(from..).unwrap_or_default();
        let (mut frames, mut stamps) = (0, 0);
        loop {
            let (capture_us, head) = match rest.first() {
                Some(first) if !is_marker(first) => match stamp::split(rest) {
                    Some((capture_us, head)) => (Some(capture_us), head),
                    None => break,
                },
                _ => (None, rest),
            };
            let Some((message, layout, behind)) = usual(self.definitions, head) else { break };
            frames += 1;
            stamps += u64::from(capture_us.is_some());
            self.vote.count(capture_us.is_some());
            let lost = self.sequences.lost(layout.system_id, layout.component_id, layout.sequence);
            if lost > 0 {
                self.integrity.sequence_lost += u64::from(lost);
            }
            let offset = self.base + (input.len() - head.len()) as u64;
            sink(Met::Frame(&frame(offset, capture_us, layout, Some(message), lost)));
            rest = behind;
        }
        let at = input.len() - rest.len();
        if frames > 0 {
            let stamps_len = stamps * STAMP_LEN as u64;
            self.integrity.frames += frames;
            self.integrity.bytes_stamps += stamps_len;
            self.integrity.bytes_frames += (at - from) as u64 - stamps_len;
            self.gap_from = self.base + at as u64;
        }
        at
    }

    /// The stamp in the gap before a frame, if the gap is long enough to hold one.
    fn stamp_before(&self, input: &[u8], at: usize) -> Option<u64> {
        if self.base + at as u64 - self.gap_from < STAMP_LEN as u64 {
            return None;
        }
        stamp::read(input.get(at.checked_sub(STAMP_LEN)?..)?)
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
    fn retain(&mut self, input: &[u8], at: usize, last: bool, sink: &mut impl FnMut(Met<'_>)) -> usize {
        let gap = self.gap_from.saturating_sub(self.base) as usize;
        let done = if last { input.len() } else { at.saturating_sub(STAMP_LEN).max(gap.min(at)) };
        if last {
            self.end_gap(input, self.base + done as u64, true, sink);
        } else if gap < done {
            self.fill.add(input.get(gap..done).unwrap_or_default());
        }
        self.examined = at.saturating_sub(done);
        self.base += done as u64;
        self.integrity.bytes = self.base;
        if last {
            self.gap_from = self.base;
        }
        done
    }

    /// Tells of the bytes from the last frame to offset `until`, if there are any.
    #[cold]
    #[inline(never)]
    fn end_gap(&mut self, input: &[u8], until: u64, at_end: bool, sink: &mut impl FnMut(Met<'_>)) {
        let (frames_bad_crc, mut filling) =
            (std::mem::take(&mut self.gap_bad_crc), std::mem::take(&mut self.fill));
        let len = until - self.gap_from;
        if len == 0 {
            return;
        }
        let held = self.gap_from.saturating_sub(self.base) as usize;
        let bytes = input.get(held..(until - self.base) as usize).unwrap_or_default();
        filling.add(bytes);
        let mut fill = filling.outcome();
        let whole = bytes.len() as u64 == len;
        if at_end && whole && fill == Fill::Mixed && begins_frame(bytes) {
            fill = Fill::Cut;
        }
        self.integrity.bytes_skipped += len;
        self.integrity.gap_count += 1;
        self.integrity.frames_bad_crc += frames_bad_crc;
        sink(Met::Gap(Gap { offset: self.gap_from, len, fill, frames_bad_crc, at_end }));
    }

    #[inline(never)]
    fn examine<'i>(&self, input: &'i [u8], at: usize) -> Found<'d, 'i> {
        examine(self.definitions, input.get(at..).unwrap_or_default())
    }

    /// An unknown id cannot be checked. It is believed when a frame that can be checked starts exactly at its
    /// end, at most a few more unknown ones later, or the recording ends there, or so many unknown ones lie end to end
    /// and count on; and when no good frame starts inside it.
    fn believe(&self, input: &[u8], at: usize, len: usize, last: bool) -> Belief {
        match self.followed(input, at + len, last) {
            Belief::Yes => match self.divided(input, at, at + len, last, |_, _| Belief::Yes) {
                Belief::Yes => Belief::No,
                Belief::No => Belief::Yes,
                Belief::MoreBytes => Belief::MoreBytes,
            },
            other => other,
        }
    }

    /// A good frame that does not lie behind another one is doubted only when no frame follows it and a better one
    /// starts inside it, which a false start would hide: one that a frame follows, or whose sender was heard before
    /// while this one's was not. Of two equals the first counts: either checksum may fit by chance.
    fn doubt(&self, input: &[u8], at: usize, layout: &Layout<'_>, last: bool) -> Belief {
        let heard = |layout: &Layout<'_>| self.sequences.heard(layout.system_id, layout.component_id);
        let better = |start: usize, inside: &Layout<'_>| match heard(inside) && !heard(layout) {
            true => Belief::Yes,
            false => self.followed(input, start + inside.raw.len(), last),
        };
        match self.divided(input, at, at + layout.raw.len(), last, better) {
            Belief::Yes => self.followed(input, at + layout.raw.len(), last),
            Belief::No => Belief::Yes,
            Belief::MoreBytes => Belief::MoreBytes,
        }
    }

    /// Whether a good frame that counts starts between `at` and `end`.
    fn divided(
        &self,
        input: &[u8],
        at: usize,
        end: usize,
        last: bool,
        counts: impl Fn(usize, &Layout<'_>) -> Belief,
    ) -> Belief {
        let mut inside = at + 1;
        while let Some(skip) = input.get(inside..end).and_then(layout::find_marker) {
            inside += skip;
            let belief = match self.examine(input, inside) {
                Found::Good(_, layout) => counts(inside, &layout),
                Found::MoreBytes if !last => Belief::MoreBytes,
                _ => Belief::No,
            };
            if belief != Belief::No {
                return belief;
            }
            inside += 1;
        }
        Belief::No
    }

    /// Whether a frame that can be checked starts at `end`, at most a few unknown ones later, or the recording ends there,
    /// or there are more of them and their counters go on.
    fn followed(&self, input: &[u8], mut end: usize, last: bool) -> Belief {
        let mut chain = Chain::default();
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
                Found::Unknown(layout) => {
                    chain.add(&layout);
                    end += layout.raw.len();
                }
                Found::MoreBytes if !last => return Belief::MoreBytes,
                // A frame that the recording's end cut, behind frames that count on.
                Found::MoreBytes if chain.going_on > 0 => return Belief::Yes,
                _ => return Belief::No,
            }
        }
        if chain.going_on >= GOING_ON { Belief::Yes } else { Belief::No }
    }

    /// Tells of the gap before the frame at `at`, if there is one.
    fn end_gap_before(
        &mut self,
        input: &[u8],
        at: usize,
        capture_us: Option<u64>,
        sink: &mut impl FnMut(Met<'_>),
    ) {
        let until = self.base + at as u64 - if capture_us.is_some() { STAMP_LEN as u64 } else { 0 };
        if until > self.gap_from {
            self.end_gap(input, until, false, sink);
        }
    }

    /// Notes the frame at `at`, which lies behind another one or an ended gap, and hands it on.
    fn accept(
        &mut self,
        at: usize,
        capture_us: Option<u64>,
        layout: Layout<'_>,
        message: Option<&Message>,
        sink: &mut impl FnMut(Met<'_>),
    ) {
        let offset = self.base + at as u64;
        let stamp_len = if capture_us.is_some() { STAMP_LEN as u64 } else { 0 };
        self.integrity.bytes_stamps += stamp_len;
        self.integrity.bytes_frames += layout.raw.len() as u64;
        match message {
            Some(_) => self.integrity.frames += 1,
            None => self.integrity.frames_unknown += 1,
        }
        self.vote.count(capture_us.is_some());
        let lost = self.sequences.lost(layout.system_id, layout.component_id, layout.sequence);
        self.integrity.sequence_lost += u64::from(lost);
        self.gap_from = offset + layout.raw.len() as u64;
        sink(Met::Frame(&frame(offset, capture_us, layout, message, lost)));
    }
}

/// Unknown frames end to end: noise has no such chain, and what is repeated does not count.
#[derive(Default)]
struct Chain {
    /// System, component and latest counter.
    senders: [Option<(u32, u8, u8)>; CHAIN_SENDERS],
    /// Frames that go on in the counter of their sender.
    going_on: u32,
}

impl Chain {
    fn add(&mut self, layout: &Layout<'_>) {
        let Layout { system_id, component_id, sequence, .. } = *layout;
        for place in &mut self.senders {
            match place {
                Some((system, component, latest)) if (*system, *component) == (system_id, component_id) => {
                    let missing = sequence.wrapping_sub(*latest).wrapping_sub(1);
                    self.going_on += u32::from(missing <= CHAIN_MISSING);
                    *latest = sequence;
                    return;
                }
                Some(_) => {}
                None => {
                    *place = Some((system_id, component_id, sequence));
                    return;
                }
            }
        }
    }
}

/// Whether these are the first bytes of a frame that claims more of them: one that the recording's end cut.
fn begins_frame(bytes: &[u8]) -> bool {
    let rest = if stamp::read(bytes).is_some() { bytes.get(STAMP_LEN..).unwrap_or_default() } else { bytes };
    rest.first().is_none_or(is_marker) && matches!(layout::frame(rest), Err(nom::Err::Incomplete(_)))
}

#[inline]
fn is_marker(byte: &u8) -> bool {
    *byte == layout::MARKER_V1 || *byte == layout::MARKER_V2
}

/// [`examine`] for what nearly all frames are: no flags, an id of one message, a good checksum. Also gives the bytes
/// behind it.
#[inline(always)]
fn usual<'d, 'i>(
    definitions: &'d Definitions,
    input: &'i [u8],
) -> Option<(&'d Message, Layout<'i>, &'i [u8])> {
    let (layout, behind) = layout::plain(input)?;
    let (message, crc_extra) = definitions.sole(layout.message_id)?;
    let sum = crc::update_byte(crc::checksum(layout.covered), crc_extra);
    (sum == layout.checksum && possible(&layout, message)).then_some((message, layout, behind))
}

/// The frame of a layout.
#[inline(always)]
fn frame<'a>(
    offset: u64,
    capture_us: Option<u64>,
    layout: Layout<'a>,
    message: Option<&'a Message>,
    lost: u8,
) -> Frame<'a> {
    Frame {
        offset,
        capture_us,
        version: layout.version,
        sequence: layout.sequence,
        system_id: layout.system_id,
        component_id: layout.component_id,
        message_id: layout.message_id,
        payload: layout.payload,
        raw: layout.raw,
        lost,
        signed: layout.signed,
        late: false,
        message,
    }
}

/// Takes a candidate apart and judges it by its checksum.
fn examine<'d, 'i>(definitions: &'d Definitions, input: &'i [u8]) -> Found<'d, 'i> {
    let layout = match layout::frame(input) {
        Ok((_, layout)) => layout,
        Err(nom::Err::Incomplete(_)) => return Found::MoreBytes,
        Err(_) => return Found::Nothing,
    };
    let candidates = definitions.by_id(layout.message_id);
    if candidates.is_empty() {
        return Found::Unknown(layout);
    }
    // Heads in noise claim any length: most are told from frames without their checksum.
    if layout.version == 1 && !candidates.iter().any(|message| possible(&layout, message)) {
        return Found::Nothing;
    }
    let state = crc::checksum(layout.covered);
    let good = |message: &Message| {
        crc::update_byte(state, message.crc_extra) == layout.checksum && possible(&layout, message)
    };
    match candidates {
        [message] if good(message) => Found::Good(message, layout),
        _ => match candidates.iter().find(|message| good(message)) {
            Some(message) => Found::Good(message, layout),
            None if candidates.iter().any(|message| fits(&layout, message)) => Found::Damaged,
            None => Found::Nothing,
        },
    }
}

/// Whether any sender could mean this length. Version 1 has no truncation: it sends the base fields whole, some
/// senders the extensions too, while noise claims any length and swallows good frames when its checksum fits by
/// chance. A longer version 2 payload comes from a newer definition.
#[inline]
fn possible(layout: &Layout<'_>, message: &Message) -> bool {
    layout.version != 1 || (message.base_len..=message.full_len).contains(&layout.payload.len())
}

/// Whether a correct sender could send this payload length; only used to tell damage from noise.
fn fits(layout: &Layout<'_>, message: &Message) -> bool {
    let payload = layout.payload.len();
    match layout.version {
        1 => payload == message.base_len,
        _ => (1..=message.full_len).contains(&payload),
    }
}
