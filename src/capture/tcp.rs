//! One direction of a TCP connection, put back in order in bounded memory.
//!
//! Bytes sent again are dropped. A hole is waited for while the capture may still fill it: a retransmission comes
//! within seconds or never, since the capture may have missed what the receiver got.

/// Bytes of one stream that wait behind a hole.
const HELD_BYTES: usize = 256 * 1024;
/// Segments of one stream that wait behind a hole.
const HELD_SEGMENTS: usize = 256;
/// Bytes of all streams together that wait.
const HELD_ALL: usize = 16 << 20;
/// How long a hole is waited for, µs (common practice: initial retransmission timers are 1 to 3 s, RFC 6298).
const PATIENCE_US: u64 = 3_000_000;
/// A step of the sequence number beyond this is another connection.
const FAR: u32 = 16 << 20;

/// A segment as captured.
#[derive(Debug, Clone, Copy)]
pub(super) struct Arrival<'a> {
    pub sequence: u32,
    /// Opens a connection.
    pub syn: bool,
    pub bytes: &'a [u8],
    /// Bytes behind `bytes` that were sent and not stored.
    pub missing: u32,
    /// Place of `bytes` in the file.
    pub offset: u64,
    pub capture_us: Option<u64>,
}

/// What comes out, in order.
pub(super) enum Event<'a> {
    /// Bytes, their place in the file and time, and whether some are missing before them.
    Bytes(&'a [u8], u64, Option<u64>, bool),
    /// Bytes dropped because they came before.
    Repeated(u64),
    /// A hole at a place in the file, of so many bytes; 0 if unknown.
    Gap(u64, u32),
}

#[derive(Debug)]
struct Held {
    sequence: u32,
    bytes: Vec<u8>,
    missing: u32,
    offset: u64,
    capture_us: Option<u64>,
}

/// One direction of one connection.
#[derive(Debug, Default)]
pub(super) struct Stream {
    next: Option<u32>,
    /// The lowest sequence number handed on.
    origin: Option<u32>,
    /// In order of the sequence number.
    held: Vec<Held>,
    held_bytes: usize,
    waiting_since_us: Option<u64>,
    gap: bool,
}

impl Stream {
    /// Takes a segment; `held_all` counts what all streams hold.
    pub fn arrive(&mut self, arrival: Arrival<'_>, held_all: &mut usize, sink: &mut dyn FnMut(Event<'_>)) {
        let sequence = arrival.sequence.wrapping_add(u32::from(arrival.syn));
        let mut next = *self.next.get_or_insert(sequence);
        self.origin.get_or_insert(sequence);
        let reopened = arrival.syn && sequence != next;
        if reopened || (sequence.wrapping_sub(next) as i32).unsigned_abs() > FAR {
            self.flush(held_all, sink);
            sink(Event::Gap(arrival.offset, 0));
            (self.next, self.origin, self.gap, next) = (Some(sequence), Some(sequence), true, sequence);
        }
        if arrival.bytes.is_empty() && arrival.missing == 0 {
            return;
        }
        let arrival = Arrival { sequence, ..arrival };
        let end = sequence.wrapping_add(arrival.bytes.len() as u32).wrapping_add(arrival.missing);
        if self.origin.is_some_and(|origin| end.wrapping_sub(origin) as i32 <= 0) {
            // From before the capture's first segment, late: new all the same.
            self.origin = Some(sequence);
            sink(Event::Bytes(arrival.bytes, arrival.offset, arrival.capture_us, true));
            return;
        }
        if sequence.wrapping_sub(next) as i32 <= 0 {
            self.deliver(arrival, next, sink);
            self.drain(held_all, sink);
            return;
        }
        self.hold(arrival, next, held_all);
        let waited =
            arrival.capture_us.zip(self.waiting_since_us).map(|(now, then)| now.saturating_sub(then));
        if self.held_bytes > HELD_BYTES
            || self.held.len() > HELD_SEGMENTS
            || *held_all > HELD_ALL
            || waited.is_some_and(|waited| waited > PATIENCE_US)
        {
            self.give_up(held_all, sink);
        }
    }

    /// Hands on all that waits.
    pub fn flush(&mut self, held_all: &mut usize, sink: &mut dyn FnMut(Event<'_>)) {
        while !self.held.is_empty() {
            self.give_up(held_all, sink);
        }
    }

    fn hold(&mut self, arrival: Arrival<'_>, next: u32, held_all: &mut usize) {
        let place = arrival.sequence.wrapping_sub(next);
        let at = self.held.partition_point(|held| held.sequence.wrapping_sub(next) < place);
        let known = self
            .held
            .get(at)
            .is_some_and(|held| held.sequence == arrival.sequence && held.bytes.len() >= arrival.bytes.len());
        if known {
            return;
        }
        if self.held.is_empty() {
            self.waiting_since_us = arrival.capture_us;
        }
        self.held_bytes += arrival.bytes.len();
        *held_all += arrival.bytes.len();
        self.held.insert(
            at,
            Held {
                sequence: arrival.sequence,
                bytes: arrival.bytes.to_vec(),
                missing: arrival.missing,
                offset: arrival.offset,
                capture_us: arrival.capture_us,
            },
        );
    }

    /// Leaves the hole before the first held segment.
    fn give_up(&mut self, held_all: &mut usize, sink: &mut dyn FnMut(Event<'_>)) {
        let (Some(next), Some(first)) = (self.next, self.held.first()) else { return };
        sink(Event::Gap(first.offset, first.sequence.wrapping_sub(next)));
        self.gap = true;
        self.next = Some(first.sequence);
        self.drain(held_all, sink);
    }

    /// Hands on the held segments that now follow.
    fn drain(&mut self, held_all: &mut usize, sink: &mut dyn FnMut(Event<'_>)) {
        let mut done = 0;
        let held = std::mem::take(&mut self.held);
        for segment in &held {
            let Some(next) = self.next else { break };
            if segment.sequence.wrapping_sub(next) as i32 > 0 {
                break;
            }
            self.held_bytes -= segment.bytes.len();
            *held_all -= segment.bytes.len();
            done += 1;
            let arrival = Arrival {
                sequence: segment.sequence,
                syn: false,
                bytes: &segment.bytes,
                missing: segment.missing,
                offset: segment.offset,
                capture_us: segment.capture_us,
            };
            self.deliver(arrival, next, sink);
        }
        self.held = held;
        self.held.drain(..done);
        self.waiting_since_us = self.held.first().and_then(|held| held.capture_us);
    }

    /// Hands on a segment that starts at or before `next`.
    fn deliver(&mut self, arrival: Arrival<'_>, next: u32, sink: &mut dyn FnMut(Event<'_>)) {
        let known = next.wrapping_sub(arrival.sequence) as usize;
        let repeated = known.min(arrival.bytes.len());
        if repeated > 0 {
            sink(Event::Repeated(repeated as u64));
        }
        let end = arrival.sequence.wrapping_add(arrival.bytes.len() as u32).wrapping_add(arrival.missing);
        if end.wrapping_sub(next) as i32 <= 0 {
            return;
        }
        let bytes = arrival.bytes.get(known..).unwrap_or_default();
        if !bytes.is_empty() {
            let gap = std::mem::take(&mut self.gap);
            sink(Event::Bytes(bytes, arrival.offset + repeated as u64, arrival.capture_us, gap));
        }
        self.next = Some(end);
        if arrival.missing > 0 {
            sink(Event::Gap(arrival.offset + arrival.bytes.len() as u64, arrival.missing));
            self.gap = true;
        }
    }
}
