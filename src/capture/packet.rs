//! One captured packet down to its transport: link header, VLAN tags, IP header, extension headers.

use std::net::IpAddr;

use etherparse::{Ipv4HeaderSlice, Ipv6HeaderSlice};

/// A packet as the file holds it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Packet<'a> {
    /// Offset of its first byte in the file.
    pub offset: u64,
    /// The capturing computer's clock, µs Unix; `None` where the file states none.
    pub capture_us: Option<u64>,
    /// Link type as registered for capture files.
    pub link: u32,
    /// What was stored.
    pub bytes: &'a [u8],
    /// Bytes that were sent.
    pub sent: u64,
}

/// What a packet is.
#[derive(Debug)]
pub(super) enum Content<'a> {
    Ip(Ip<'a>),
    /// Something that carries no telemetry.
    Other,
    /// Headers that make no sense.
    Malformed,
    UnknownLink,
}

/// The payload of an IP packet, or of one fragment of it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ip<'a> {
    pub source: IpAddr,
    pub destination: IpAddr,
    /// Protocol number of the payload.
    pub protocol: u8,
    pub payload: &'a [u8],
    /// Bytes at the end that were sent and not stored.
    pub missing: u32,
    pub fragment: Option<Fragment>,
}

/// Place of a fragment.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fragment {
    pub id: u32,
    pub start: usize,
    pub more: bool,
}

/// What follows a chain of extension headers.
struct Chain<'a> {
    protocol: u8,
    payload: &'a [u8],
    fragment: Option<Fragment>,
}

/// Link type numbers as registered for capture files.
const NULL: u32 = 0;
const ETHERNET: u32 = 1;
const RAW: [u32; 5] = [12, 14, 101, 228, 229];
const LOOP: u32 = 108;
const COOKED: u32 = 113;
const COOKED_2: u32 = 276;

/// Ethernet types: IPv4, IPv6, and the tags before one.
const IPV4: u16 = 0x0800;
const IPV6: u16 = 0x86DD;
const TAGS: [u16; 3] = [0x8100, 0x88A8, 0x9100];

impl<'a> Packet<'a> {
    /// Takes the link and network headers off.
    pub fn content(&self) -> Content<'a> {
        let tail = |from: usize| self.bytes.get(from..).unwrap_or_default();
        match self.link {
            // The family's number differs between systems and its byte order between machines, so the IP
            // version decides.
            NULL | LOOP => by_version(tail(4), Content::Other),
            ETHERNET => by_type(self.bytes.get(12..).unwrap_or_default()),
            COOKED => by_type(tail(14)),
            COOKED_2 => match (be_u16(self.bytes, 0), self.bytes.get(20..)) {
                (Some(IPV4 | IPV6), Some(ip)) => by_version(ip, Content::Malformed),
                (Some(tag), Some(rest)) if TAGS.contains(&tag) => by_type(rest.get(2..).unwrap_or_default()),
                (Some(_), Some(_)) => Content::Other,
                _ => Content::Malformed,
            },
            link if RAW.contains(&link) => by_version(self.bytes, Content::Malformed),
            _ => Content::UnknownLink,
        }
    }
}

/// An Ethernet type, perhaps tags, and what it says.
fn by_type(mut input: &[u8]) -> Content<'_> {
    loop {
        let Some(kind) = be_u16(input, 0) else { return Content::Malformed };
        if TAGS.contains(&kind) {
            input = input.get(4..).unwrap_or_default();
            continue;
        }
        return match kind {
            IPV4 | IPV6 => by_version(input.get(2..).unwrap_or_default(), Content::Malformed),
            _ => Content::Other,
        };
    }
}

/// An IP packet of either version.
fn by_version<'a>(input: &'a [u8], otherwise: Content<'a>) -> Content<'a> {
    let ip = match input.first().map(|byte| byte >> 4) {
        Some(4) => ipv4(input),
        Some(6) => ipv6(input),
        _ => return otherwise,
    };
    ip.map_or(Content::Malformed, Content::Ip)
}

fn ipv4(input: &[u8]) -> Option<Ip<'_>> {
    let header = Ipv4HeaderSlice::from_slice(input).ok()?;
    let body = input.get(header.slice().len()..)?;
    // Length 0: left to the network card (segmentation offload), so all that is there belongs to it. Shorter
    // than what is there: padding of a small Ethernet frame.
    let claimed = usize::from(header.total_len()).checked_sub(header.slice().len());
    let claimed = if header.total_len() == 0 { body.len() } else { claimed? };
    let payload = body.get(..claimed).unwrap_or(body);
    let fragment = header.is_fragmenting_payload().then(|| Fragment {
        id: header.identification().into(),
        start: usize::from(header.fragments_offset().byte_offset()),
        more: header.more_fragments(),
    });
    Some(Ip {
        source: header.source_addr().into(),
        destination: header.destination_addr().into(),
        protocol: header.protocol().0,
        payload,
        missing: (claimed - payload.len()) as u32,
        fragment,
    })
}

fn ipv6(input: &[u8]) -> Option<Ip<'_>> {
    let header = Ipv6HeaderSlice::from_slice(input).ok()?;
    let body = input.get(header.slice().len()..)?;
    let claimed = match usize::from(header.payload_length()) {
        0 => body.len(),
        claimed => claimed,
    };
    let stored = body.get(..claimed).unwrap_or(body);
    let chain = chain(header.next_header().0, stored)?;
    Some(Ip {
        source: header.source_addr().into(),
        destination: header.destination_addr().into(),
        protocol: chain.protocol,
        payload: chain.payload,
        missing: (claimed - stored.len()) as u32,
        fragment: chain.fragment,
    })
}

/// Walks extension headers up to a fragment, whose content may be the middle of anything.
fn chain(mut protocol: u8, mut payload: &[u8]) -> Option<Chain<'_>> {
    loop {
        let len = match protocol {
            // Hop by hop, routing, destination options.
            0 | 43 | 60 => (usize::from(*payload.get(1)?) + 1) * 8,
            // Authentication.
            51 => (usize::from(*payload.get(1)?) + 2) * 4,
            44 => {
                let (field, id) = (be_u16(payload, 2)?, *payload.get(4..)?.first_chunk::<4>()?);
                let (start, more) = (usize::from(field & !7), field & 1 == 1);
                protocol = *payload.first()?;
                payload = payload.get(8..)?;
                if start == 0 && !more {
                    continue;
                }
                let fragment = Some(Fragment { id: u32::from_be_bytes(id), start, more });
                return Some(Chain { protocol, payload, fragment });
            }
            _ => return Some(Chain { protocol, payload, fragment: None }),
        };
        protocol = *payload.first()?;
        payload = payload.get(len..)?;
    }
}

/// Protocol and payload of a datagram put together from fragments.
pub(super) fn reassembled(protocol: u8, bytes: &[u8]) -> Option<(u8, &[u8])> {
    let chain = chain(protocol, bytes)?;
    chain.fragment.is_none().then_some((chain.protocol, chain.payload))
}

fn be_u16(bytes: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_be_bytes(*bytes.get(at..)?.first_chunk()?))
}
