//! What a file is, by its content alone: names on cards mean nothing.

use std::fmt;

use crate::capture::Capture;
use crate::wire::{Container, Definitions, Scanner};

/// Bytes that are enough to tell; a caller should give as many if the file has them.
pub const ENOUGH: usize = 64 * 1024;

/// What the first bytes are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Kind {
    /// MAVLink frames back to back.
    Bare,
    /// MAVLink frames with a capture stamp before each.
    Timestamped,
    /// Packet capture, classic format.
    Pcap,
    /// Packet capture, format of blocks.
    PcapNg,
    /// Compressed with gzip.
    Gzip,
    /// Compressed with zstd.
    Zstd,
    /// A zip archive.
    Zip,
    /// A tar archive.
    Tar,
    /// No bytes at all.
    Empty,
    /// No frame among the first bytes, nor anything else known. There may be frames further on.
    Unknown,
}

/// How sure that is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Confidence {
    /// One or two frames, which chance could give; or nothing was found.
    Weak,
    /// Three frames or more, or a checksum of 17 bits without a marker.
    Likely,
    /// A marker that the format defines, or ten frames that cover most of the bytes: chance gives less than one
    /// in 10^20.
    Certain,
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Kind::Bare => "bare stream",
            Kind::Timestamped => "timestamped stream",
            Kind::Pcap => "packet capture (pcap)",
            Kind::PcapNg => "packet capture (pcapng)",
            Kind::Gzip => "gzip",
            Kind::Zstd => "zstd",
            Kind::Zip => "zip archive",
            Kind::Tar => "tar archive",
            Kind::Empty => "empty",
            Kind::Unknown => "not recognised",
        })
    }
}

impl fmt::Display for Confidence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Confidence::Weak => "weak",
            Confidence::Likely => "likely",
            Confidence::Certain => "certain",
        })
    }
}

/// What a file is that starts with these bytes.
#[must_use]
pub fn detect(first: &[u8]) -> (Kind, Confidence) {
    let marked = match first {
        [] => Some(Kind::Empty),
        // RFC 1952: deflate, and no reserved flag.
        [0x1F, 0x8B, 8, flags, ..] if flags & 0xE0 == 0 => Some(Kind::Gzip),
        // RFC 8878: a frame, or a skippable one.
        [0x28, 0xB5, 0x2F, 0xFD, ..] | [0x50..=0x5F, 0x2A, 0x4D, 0x18, ..] => Some(Kind::Zstd),
        [b'P', b'K', 3, 4, ..] | [b'P', b'K', 5, 6, ..] => Some(Kind::Zip),
        _ => match Capture::recognise(first) {
            Some(crate::capture::Kind::Pcap) => Some(Kind::Pcap),
            Some(crate::capture::Kind::PcapNg) => Some(Kind::PcapNg),
            None => None,
        },
    };
    if let Some(kind) = marked {
        return (kind, Confidence::Certain);
    }
    tar(first).unwrap_or_else(|| stream(first))
}

/// POSIX pax, *ustar interchange format*: the header's bytes, those of the checksum read as spaces, add up to it.
/// The mark alone is 40 bits: behind a header that was damaged around it come others.
fn tar(first: &[u8]) -> Option<(Kind, Confidence)> {
    let header = first.get(..512)?;
    let field = header.get(148..156)?;
    let text = std::str::from_utf8(field).ok();
    let stated = text.and_then(|text| u32::from_str_radix(text.trim_matches([' ', '\0']), 8).ok());
    let all: u32 = header.iter().map(|byte| u32::from(*byte)).sum();
    let sum = all + 8 * 32 - field.iter().map(|byte| u32::from(*byte)).sum::<u32>();
    match (stated == Some(sum), header.get(257..262) == Some(b"ustar".as_slice())) {
        (true, true) => Some((Kind::Tar, Confidence::Certain)),
        // A header from before the mark, or a damaged one.
        (true, false) | (false, true) => Some((Kind::Tar, Confidence::Likely)),
        (false, false) => None,
    }
}

fn stream(first: &[u8]) -> (Kind, Confidence) {
    let mut scanner = Scanner::new(Definitions::builtin());
    let mut good = 0u64;
    scanner.scan(first, true, &mut |frame| good += u64::from(frame.message.is_some()));
    let covered = scanner.integrity().bytes_frames + scanner.integrity().bytes_stamps;
    let confidence = match good {
        10.. if covered * 2 > first.len() as u64 => Confidence::Certain,
        3.. => Confidence::Likely,
        _ => Confidence::Weak,
    };
    let kind = match (good, scanner.container()) {
        (0, _) => Kind::Unknown,
        (_, Container::Bare | Container::Pcap | Container::PcapNg) => Kind::Bare,
        (_, Container::Timestamped) => Kind::Timestamped,
    };
    (kind, confidence)
}
