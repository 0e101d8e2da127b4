//! From packets to the payload of their flows.

use std::collections::VecDeque;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::net::SocketAddr;

use etherparse::{TcpSlice, UdpSlice};

use super::Segment;
use super::flow::{Flow, Flows, Transport};
use super::fragments::Fragments;
use super::note::{Ledger, NoteKind};
use super::packet::{Content, Ip, Packet, reassembled};
use super::tcp::{Arrival, Event, Stream};
use crate::wire::layout::{MARKER_V1, MARKER_V2, SHORTEST};

/// Protocol numbers.
const TCP: u8 = 6;
const UDP: u8 = 17;
/// The last datagrams of a flow that a repeated one is compared with. A sender's frame counter returns after 256
/// frames, so that a datagram equal to one of these is the same one.
const REMEMBERED: usize = 32;
/// How late the second sight of a datagram may be, µs.
const REPEATED_WITHIN_US: u64 = 1_000_000;

/// The state of all flows.
#[derive(Debug, Default)]
pub(super) struct Network {
    pub flows: Flows,
    /// By flow number.
    states: Vec<State>,
    fragments: Fragments,
    /// Bytes that all streams hold.
    held: usize,
}

/// What is remembered of a flow.
#[derive(Debug, Default)]
struct State {
    stream: Stream,
    recent: VecDeque<(u64, Option<u64>)>,
    /// Bytes are missing before the next segment.
    gap: bool,
}

/// Where a payload lies and when it was captured.
#[derive(Clone, Copy)]
struct Place {
    offset: u64,
    capture_us: Option<u64>,
    late: bool,
}

type Sink<'s> = &'s mut dyn FnMut(Segment<'_>);

impl Network {
    /// Takes a packet apart and hands its payload on.
    pub fn packet(&mut self, packet: &Packet<'_>, ledger: &mut Ledger, sink: Sink<'_>) {
        ledger.tally.packets += 1;
        let stored = packet.bytes.len() as u64;
        if stored < packet.sent {
            ledger.tally.packets_truncated += 1;
            ledger.note(packet.offset, NoteKind::Truncated { stored, sent: packet.sent });
        }
        let place = Place { offset: packet.offset, capture_us: packet.capture_us, late: false };
        match packet.content() {
            Content::Ip(ip) => self.ip(packet, &ip, ledger, sink),
            Content::Other => ledger.tally.packets_other += 1,
            Content::Malformed => self.malformed(packet, ledger, sink),
            Content::UnknownLink => {
                if ledger.tally.packets_unknown_link == 0 {
                    ledger.note(packet.offset, NoteKind::UnknownLink(packet.link));
                }
                ledger.tally.packets_unknown_link += 1;
                self.raw(packet.bytes, place, ledger, sink);
            }
        }
    }

    /// Hands on what still waits.
    pub fn finish(&mut self, ledger: &mut Ledger, sink: Sink<'_>) {
        for partial in self.fragments.rest() {
            self.incomplete(partial, ledger, sink);
        }
        for number in 0..self.states.len() {
            let mut stream = std::mem::take(&mut self.state(number as u32).stream);
            stream.flush(&mut self.held, &mut |event| tcp_event(event, number as u32, ledger, sink));
        }
    }

    /// Hands on bytes that are no payload of a known flow.
    pub fn outside(&mut self, bytes: &[u8], offset: u64, ledger: &mut Ledger, sink: Sink<'_>) {
        let (flow, _) = self.flows.number(Flow { transport: Transport::Outside, ends: None });
        let segment = Segment {
            flow,
            capture_us: None,
            offset,
            bytes,
            gap_before: false,
            datagram: false,
            late: false,
        };
        emit(segment, ledger, sink);
    }

    fn ip(&mut self, packet: &Packet<'_>, ip: &Ip<'_>, ledger: &mut Ledger, sink: Sink<'_>) {
        let place = Place {
            offset: packet.offset + position(packet.bytes, ip.payload),
            capture_us: packet.capture_us,
            late: false,
        };
        let Some(fragment) = ip.fragment else {
            if !self.transport(ip, ip.protocol, ip.payload, place, ledger, sink) {
                self.malformed(packet, ledger, sink);
            }
            return;
        };
        ledger.tally.fragments += 1;
        if let Some(whole) = self.fragments.add(ip, fragment, place.offset, place.capture_us) {
            let known = reassembled(ip.protocol, &whole).is_some_and(|(protocol, payload)| {
                self.transport(&Ip { missing: 0, ..*ip }, protocol, payload, place, ledger, sink)
            });
            if !known {
                ledger.tally.packets_malformed += 1;
                ledger.note(place.offset, NoteKind::Malformed);
                self.raw(&whole, place, ledger, sink);
            }
        }
        while let Some(partial) = self.fragments.give_up(place.capture_us) {
            self.incomplete(partial, ledger, sink);
        }
    }

    /// Whether the transport header made sense.
    fn transport(
        &mut self,
        ip: &Ip<'_>,
        protocol: u8,
        payload: &[u8],
        place: Place,
        ledger: &mut Ledger,
        sink: Sink<'_>,
    ) -> bool {
        let ends = |source: u16, destination: u16| {
            Some((SocketAddr::new(ip.source, source), SocketAddr::new(ip.destination, destination)))
        };
        match protocol {
            UDP => {
                let Ok(datagram) = UdpSlice::from_slice_lax(payload) else { return false };
                let flow = Flow {
                    transport: Transport::Udp,
                    ends: ends(datagram.source_port(), datagram.destination_port()),
                };
                let inner = datagram.payload();
                let place = Place { offset: place.offset + position(payload, inner), ..place };
                self.datagram(flow, inner, ip.missing > 0, place, ledger, sink);
            }
            TCP => {
                let Ok(segment) = TcpSlice::from_slice(payload) else { return false };
                let flow = Flow {
                    transport: Transport::Tcp,
                    ends: ends(segment.source_port(), segment.destination_port()),
                };
                let inner = segment.payload();
                let arrival = Arrival {
                    sequence: segment.sequence_number(),
                    syn: segment.syn(),
                    bytes: inner,
                    missing: ip.missing,
                    offset: place.offset + position(payload, inner),
                    capture_us: place.capture_us,
                };
                self.segment(flow, arrival, ledger, sink);
            }
            _ => ledger.tally.packets_other += 1,
        }
        true
    }

    fn datagram(
        &mut self,
        flow: Flow,
        bytes: &[u8],
        cut: bool,
        place: Place,
        ledger: &mut Ledger,
        sink: Sink<'_>,
    ) {
        if bytes.is_empty() {
            return;
        }
        let (flow, shared) = self.flows.number(flow);
        ledger.tally.flows_shared += u64::from(shared);
        let state = self.state(flow);
        if state.seen(bytes, place.capture_us) {
            ledger.tally.datagrams_repeated += 1;
            return;
        }
        let gap_before = std::mem::replace(&mut state.gap, cut);
        let (offset, capture_us) = (place.offset, place.capture_us);
        emit(
            Segment { flow, capture_us, offset, bytes, gap_before, datagram: true, late: false },
            ledger,
            sink,
        );
    }

    fn segment(&mut self, flow: Flow, arrival: Arrival<'_>, ledger: &mut Ledger, sink: Sink<'_>) {
        let (number, shared) = self.flows.number(flow);
        if shared {
            // Sequence numbers of different connections have nothing to do with each other.
            ledger.tally.flows_shared += 1;
            let Arrival { bytes, offset, capture_us, .. } = arrival;
            let segment = Segment {
                flow: number,
                capture_us,
                offset,
                bytes,
                gap_before: true,
                datagram: false,
                late: false,
            };
            emit(segment, ledger, sink);
            return;
        }
        let mut stream = std::mem::take(&mut self.state(number).stream);
        stream.arrive(arrival, &mut self.held, &mut |event| tcp_event(event, number, ledger, sink));
        self.state(number).stream = stream;
    }

    fn malformed(&mut self, packet: &Packet<'_>, ledger: &mut Ledger, sink: Sink<'_>) {
        ledger.tally.packets_malformed += 1;
        ledger.note(packet.offset, NoteKind::Malformed);
        let place = Place { offset: packet.offset, capture_us: packet.capture_us, late: false };
        self.raw(packet.bytes, place, ledger, sink);
    }

    fn incomplete(&mut self, partial: super::fragments::Partial, ledger: &mut Ledger, sink: Sink<'_>) {
        ledger.tally.datagrams_incomplete += 1;
        ledger.note(partial.offset, NoteKind::Incomplete);
        for (_, bytes) in &partial.parts {
            let place = Place { offset: partial.offset, capture_us: partial.capture_us, late: true };
            self.raw(bytes, place, ledger, sink);
        }
    }

    fn raw(&mut self, bytes: &[u8], place: Place, ledger: &mut Ledger, sink: Sink<'_>) {
        let (flow, _) = self.flows.number(Flow { transport: Transport::Raw, ends: None });
        let Place { offset, capture_us, .. } = place;
        emit(
            Segment { flow, capture_us, offset, bytes, gap_before: true, datagram: true, late: place.late },
            ledger,
            sink,
        );
    }

    fn state(&mut self, flow: u32) -> &mut State {
        let at = flow as usize;
        if self.states.len() <= at {
            self.states.resize_with(at + 1, State::default);
        }
        #[expect(clippy::indexing_slicing, reason = "just made long enough")]
        &mut self.states[at]
    }
}

impl State {
    /// Whether these bytes came a moment ago. Only what starts like a frame is compared: a bridge that cuts a
    /// stream into small datagrams may well send the same few bytes twice.
    fn seen(&mut self, bytes: &[u8], now_us: Option<u64>) -> bool {
        if bytes.len() < SHORTEST || !matches!(bytes.first(), Some(&(MARKER_V1 | MARKER_V2))) {
            return false;
        }
        let mut hasher = DefaultHasher::new();
        bytes.hash(&mut hasher);
        let hash = hasher.finish();
        let near = |then: Option<u64>| {
            now_us.zip(then).is_none_or(|(now, then)| now.abs_diff(then) <= REPEATED_WITHIN_US)
        };
        if self.recent.iter().any(|&(known, then)| known == hash && near(then)) {
            return true;
        }
        if self.recent.len() == REMEMBERED {
            self.recent.pop_front();
        }
        self.recent.push_back((hash, now_us));
        false
    }
}

fn tcp_event(event: Event<'_>, flow: u32, ledger: &mut Ledger, sink: Sink<'_>) {
    match event {
        Event::Bytes(bytes, offset, capture_us, gap_before) => {
            emit(
                Segment { flow, capture_us, offset, bytes, gap_before, datagram: false, late: false },
                ledger,
                sink,
            );
        }
        Event::Repeated(bytes) => ledger.tally.tcp_bytes_repeated += bytes,
        Event::Gap(offset, bytes) => {
            ledger.tally.tcp_gaps += 1;
            ledger.note(offset, NoteKind::TcpGap(bytes));
        }
    }
}

fn emit(segment: Segment<'_>, ledger: &mut Ledger, sink: Sink<'_>) {
    if segment.bytes.is_empty() {
        return;
    }
    ledger.tally.segments += 1;
    ledger.tally.bytes_payload += segment.bytes.len() as u64;
    sink(segment);
}

/// Where `inner`, a part of `outer`, starts in it.
fn position(outer: &[u8], inner: &[u8]) -> u64 {
    (inner.as_ptr().addr().saturating_sub(outer.as_ptr().addr())).min(outer.len()) as u64
}
