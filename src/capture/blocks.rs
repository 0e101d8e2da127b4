//! Blocks of the newer capture format (pcapng): sections, interfaces with their clocks, packets.
//!
//! Every block states its length before and behind its body. A block is taken apart only when both agree, so a
//! damaged length is seen at once. The crate's parsers then read the body; times and their options are computed
//! here, because the crate reads the offset in one byte order only and refuses resolutions by powers of two.

use pcap_parser::{Block, InterfaceDescriptionBlock, OptionCode, parse_block_be, parse_block_le};

use super::note::{Ledger, NoteKind};
use super::packet::Packet;
use super::step::{Looks, Step};

/// First bytes of a section, the same in both byte orders.
pub(super) const SECTION: u32 = 0x0A0D_0D0A;
/// The longest block that is believed; packets are four times shorter.
const LONGEST: usize = 1 << 20;
/// Interfaces a section may describe; more are not believed.
const INTERFACES: usize = 4096;
/// The obsolete packet block, which the crate leaves as it is.
const OBSOLETE_PACKET: u32 = 2;

/// A section's interfaces and byte order.
#[derive(Debug, Default)]
pub(super) struct Blocks {
    big_endian: bool,
    interfaces: Vec<Interface>,
}

#[derive(Debug, Clone, Copy)]
struct Interface {
    link: u32,
    snap: u32,
    /// Units of its clock in a second; `None` if the file states an impossible resolution.
    units_per_s: Option<u128>,
    offset_s: i64,
}

/// What the ends of a block say.
enum Frame<'a> {
    Whole(u32, &'a [u8]),
    MoreBytes,
    No,
}

impl Blocks {
    /// The block at the start of `input`.
    pub fn step<'a>(&mut self, input: &'a [u8], offset: u64, ledger: &mut Ledger) -> Step<'a> {
        let (kind, block) = match self.frame(input) {
            Frame::Whole(kind, block) => (kind, block),
            Frame::MoreBytes => return Step::MoreBytes,
            Frame::No => return Step::Damaged,
        };
        if kind == SECTION {
            self.big_endian = section_is_big_endian(block).unwrap_or_default();
            self.interfaces.clear();
        }
        let parsed = if self.big_endian { parse_block_be(block) } else { parse_block_le(block) };
        let Ok((_, parsed)) = parsed else { return Step::Damaged };
        let skip = Step::Skip(block.len());
        match parsed {
            Block::InterfaceDescription(described) => {
                if self.interfaces.len() == INTERFACES {
                    return Step::Damaged;
                }
                let interface = self.interface(&described);
                if interface.units_per_s.is_none() {
                    ledger.note(offset, NoteKind::UnknownResolution(described.if_tsresol));
                }
                self.interfaces.push(interface);
                skip
            }
            Block::EnhancedPacket(packet) => {
                let time = u64::from(packet.ts_high) << 32 | u64::from(packet.ts_low);
                // The data starts behind 28 bytes and may be padded.
                let stored = packet.data.len().min(packet.caplen as usize);
                let Some(bytes) = block.get(28..28 + stored) else { return skip };
                self.packet(packet.if_id, Some(time), offset + 28, bytes, packet.origlen, block.len(), ledger)
            }
            Block::SimplePacket(packet) => {
                let snap = self.interfaces.first().map_or(0, |interface| interface.snap);
                let stored = if snap == 0 { packet.origlen } else { packet.origlen.min(snap) } as usize;
                let Some(body) = block.get(12..block.len() - 4) else { return skip };
                let bytes = body.get(..stored).unwrap_or(body);
                self.packet(0, None, offset + 12, bytes, packet.origlen, block.len(), ledger)
            }
            Block::Unknown(_) if kind == OBSOLETE_PACKET => {
                let word = |at| self.u32_at(block, at).unwrap_or_default();
                let time = u64::from(word(12)) << 32 | u64::from(word(16));
                let interface = u32::from(self.u16_at(block, 8).unwrap_or_default());
                let Some(bytes) = block.get(28..).and_then(|body| body.get(..word(20) as usize)) else {
                    return Step::Damaged;
                };
                self.packet(interface, Some(time), offset + 28, bytes, word(24), block.len(), ledger)
            }
            _ => skip,
        }
    }

    /// Whether a block of a known kind starts here: after damage.
    pub fn looks(&self, input: &[u8], last: bool) -> Looks {
        let Some(kind) = self.u32_at(input, 0) else {
            return if last { Looks::No } else { Looks::MoreBytes };
        };
        if kind != SECTION && !matches!(kind, 1..=10 | 0x0BAD | 0x4000_0BAD) {
            return Looks::No;
        }
        match self.frame(input) {
            Frame::Whole(..) => Looks::Yes,
            Frame::MoreBytes if !last => Looks::MoreBytes,
            _ => Looks::No,
        }
    }

    fn frame<'a>(&self, input: &'a [u8]) -> Frame<'a> {
        let Some(kind) = self.u32_at(input, 0) else { return Frame::MoreBytes };
        // A new section brings its own byte order, twelve bytes in.
        let big_endian = if kind == SECTION {
            match section_is_big_endian(input) {
                Some(big_endian) => big_endian,
                None if input.len() < 12 => return Frame::MoreBytes,
                None => return Frame::No,
            }
        } else {
            self.big_endian
        };
        let Some(len) = u32_of(input, 4, big_endian) else { return Frame::MoreBytes };
        let len = len as usize;
        if !(12..=LONGEST).contains(&len) || !len.is_multiple_of(4) {
            return Frame::No;
        }
        match input.get(..len) {
            Some(block) if u32_of(block, len - 4, big_endian) == Some(len as u32) => {
                Frame::Whole(kind, block)
            }
            Some(_) => Frame::No,
            None => Frame::MoreBytes,
        }
    }

    #[expect(clippy::too_many_arguments, reason = "the three kinds of packet block meet here")]
    fn packet<'a>(
        &self,
        interface: u32,
        time: Option<u64>,
        offset: u64,
        bytes: &'a [u8],
        sent: u32,
        len: usize,
        ledger: &mut Ledger,
    ) -> Step<'a> {
        let Some(described) = self.interfaces.get(interface as usize) else {
            ledger.note(offset, NoteKind::UnknownInterface(interface));
            // Its link type is unknown too, so the packet is scanned as it is.
            let packet = Packet { offset, capture_us: None, link: u32::MAX, bytes, sent: sent.into() };
            return Step::Packet(packet, len);
        };
        let capture_us = time.and_then(|time| described.micros(time));
        Step::Packet(Packet { offset, capture_us, link: described.link, bytes, sent: sent.into() }, len)
    }

    fn interface(&self, block: &InterfaceDescriptionBlock<'_>) -> Interface {
        let exponent = u32::from(block.if_tsresol & 0x7F);
        let units_per_s = if block.if_tsresol & 0x80 == 0 {
            10u128.checked_pow(exponent)
        } else {
            2u128.checked_pow(exponent)
        };
        let offset_s = block
            .options
            .iter()
            .find(|option| option.code == OptionCode::IfTsoffset)
            .and_then(|option| option.value().first_chunk::<8>().copied())
            .map_or(0, if self.big_endian { i64::from_be_bytes } else { i64::from_le_bytes });
        Interface { link: block.linktype.0 as u32, snap: block.snaplen, units_per_s, offset_s }
    }

    fn u32_at(&self, bytes: &[u8], at: usize) -> Option<u32> {
        u32_of(bytes, at, self.big_endian)
    }

    fn u16_at(&self, bytes: &[u8], at: usize) -> Option<u16> {
        let pair = *bytes.get(at..)?.first_chunk::<2>()?;
        Some(if self.big_endian { u16::from_be_bytes(pair) } else { u16::from_le_bytes(pair) })
    }
}

impl Interface {
    /// µs Unix; `None` where the resolution is impossible or the sum lies before 1970.
    fn micros(&self, time: u64) -> Option<u64> {
        let since = u128::from(time).checked_mul(1_000_000)? / self.units_per_s?;
        let total = i128::try_from(since).ok()? + i128::from(self.offset_s) * 1_000_000;
        u64::try_from(total).ok()
    }
}

fn u32_of(bytes: &[u8], at: usize, big_endian: bool) -> Option<u32> {
    let four = *bytes.get(at..)?.first_chunk::<4>()?;
    Some(if big_endian { u32::from_be_bytes(four) } else { u32::from_le_bytes(four) })
}

/// The byte order of a section, by its byte-order word.
fn section_is_big_endian(section: &[u8]) -> Option<bool> {
    match section.get(8..12)? {
        [0x1A, 0x2B, 0x3C, 0x4D] => Some(true),
        [0x4D, 0x3C, 0x2B, 0x1A] => Some(false),
        _ => None,
    }
}
