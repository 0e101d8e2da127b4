//! Records of the classic capture format (pcap), both byte orders, micro- and nanoseconds.
//!
//! The format has no checksum and no marker before a record, so a damaged length would swallow what follows.
//! A record is therefore believed when another one starts behind it, or none starts inside it.

use pcap_parser::{
    LegacyPcapBlock, PcapHeader, parse_pcap_frame, parse_pcap_frame_be, parse_pcap_frame_modified,
    parse_pcap_header,
};

use super::packet::Packet;
use super::step::{Looks, Step};

/// The longest packet that is believed; the common capture tools store at most this much of one.
const LONGEST: u32 = 262_144;
/// How far apart two neighbouring records are believed to be after damage, seconds: a year.
const NEIGHBOURS_S: u64 = 366 * 86_400;
/// 2000-01-01 to 2100-01-01, seconds Unix.
const PLAUSIBLE_S: std::ops::Range<u32> = 946_684_800..4_102_444_800;

/// The format as the file header states it.
#[derive(Debug)]
pub(super) struct Classic {
    header: PcapHeader,
    /// Bytes of a record's header.
    head: usize,
    last_s: Option<u32>,
}

/// The numbers of a record header.
struct Head {
    seconds: u32,
    fraction: u32,
    stored: u32,
    sent: u32,
}

impl Classic {
    /// Reads the file header; `None` if this is not one. The length is 24 bytes.
    pub fn open(input: &[u8]) -> Option<(Self, usize)> {
        let (_, header) = parse_pcap_header(input).ok()?;
        let (head, size) = (if header.is_modified_format() { 24 } else { 16 }, header.size());
        Some((Self { header, head, last_s: None }, size))
    }

    /// The record at the start of `input`.
    pub fn step<'a>(&mut self, input: &'a [u8], offset: u64, last: bool) -> Step<'a> {
        let Some(head) = self.head(input) else { return Step::MoreBytes };
        if !self.sane(&head) {
            return Step::Damaged;
        }
        let len = self.head + head.stored as usize;
        let behind = match input.get(len..) {
            Some([]) if last => Looks::Yes,
            Some(behind) => self
                .head(behind)
                .map_or(Looks::MoreBytes, |next| (self.sane(&next) && self.likely(&next)).into()),
            None => Looks::MoreBytes,
        };
        match behind {
            Looks::MoreBytes if !last => return Step::MoreBytes,
            Looks::Yes => {}
            _ if input.len() < len => return Step::Damaged,
            // Either this length is wrong, and then records start inside, or what follows is damaged. All that
            // such a record and the head of the next could cover must be there to tell.
            _ => {
                let reach = len + LONGEST as usize + 2 * self.head;
                if input.len() < reach && !last {
                    return Step::MoreBytes;
                }
                if self.starts_inside(input, len, last) {
                    return Step::Damaged;
                }
            }
        }
        let parsed = match (self.header.is_modified_format(), self.header.is_bigendian()) {
            (true, _) => parse_pcap_frame_modified(input),
            (false, true) => parse_pcap_frame_be(input),
            (false, false) => parse_pcap_frame(input),
        };
        let Ok((_, record)) = parsed else { return Step::Damaged };
        self.last_s = Some(record.ts_sec);
        let packet = Packet {
            offset: offset + self.head as u64,
            capture_us: Some(self.micros(&record)),
            link: (self.header.network.0 & 0x0FFF_FFFF) as u32,
            bytes: record.data,
            sent: record.origlen.into(),
        };
        Step::Packet(packet, len)
    }

    /// Whether a record starts here, judged more strictly than [`step`](Self::step): after damage.
    pub fn looks(&self, input: &[u8], last: bool) -> Looks {
        let Some(head) = self.head(input) else {
            return if last { Looks::No } else { Looks::MoreBytes };
        };
        if !self.sane(&head) || !self.likely(&head) {
            return Looks::No;
        }
        match input.get(self.head + head.stored as usize..) {
            Some([]) if last => Looks::Yes,
            Some(behind) => match self.head(behind) {
                Some(next) => (self.sane(&next) && self.likely(&next)).into(),
                None if last => Looks::No,
                None => Looks::MoreBytes,
            },
            None if last => Looks::No,
            None => Looks::MoreBytes,
        }
    }

    fn starts_inside(&self, input: &[u8], len: usize, last: bool) -> bool {
        (self.head..len).any(|at| self.looks(input.get(at..).unwrap_or_default(), last) == Looks::Yes)
    }

    /// The header of the record; the crate's own parser wants the whole packet, which may not be there yet.
    fn head(&self, input: &[u8]) -> Option<Head> {
        let (words, _) = input.get(..self.head)?.as_chunks::<4>();
        let read = if self.header.is_bigendian() { u32::from_be_bytes } else { u32::from_le_bytes };
        let word = |at: usize| words.get(at).copied().map(read);
        Some(Head { seconds: word(0)?, fraction: word(1)?, stored: word(2)?, sent: word(3)? })
    }

    fn units(&self) -> u32 {
        if self.header.is_nanosecond_precision() { 1_000_000_000 } else { 1_000_000 }
    }

    /// What every record keeps to. Empty records are left out: zeros would be millions of them.
    fn sane(&self, head: &Head) -> bool {
        head.fraction < self.units() && (1..=LONGEST).contains(&head.stored) && head.sent > 0
    }

    fn likely(&self, head: &Head) -> bool {
        let near = self.last_s.is_some_and(|last| u64::from(head.seconds.abs_diff(last)) < NEIGHBOURS_S);
        head.stored <= head.sent && head.sent <= LONGEST && (near || PLAUSIBLE_S.contains(&head.seconds))
    }

    fn micros(&self, record: &LegacyPcapBlock<'_>) -> u64 {
        let fraction = if self.units() > 1_000_000 { record.ts_usec / 1000 } else { record.ts_usec };
        u64::from(record.ts_sec) * 1_000_000 + u64::from(fraction)
    }
}
