//! The flows of a packet capture: each is a stream of its own with its own scanner; the clocks, signals and tables
//! behind them are one.

use crate::capture::{Capture, CaptureError, Segment};
use std::collections::VecDeque;

use super::{Loss, LossKind};
use crate::capture::NoteKind;
use crate::wire::{Definitions, Gap, Integrity, Met, Scanner};

/// A capture being read.
pub(super) struct Flows<'d> {
    definitions: &'d Definitions,
    capture: Capture,
    flows: Vec<Flow<'d>>,
    /// The flow of bytes that are outside of records.
    outside: Option<usize>,
    /// Bytes of the file done with.
    bytes: u64,
}

struct Flow<'d> {
    scanner: Scanner<'d>,
    /// What the scanner still needs.
    held: Vec<u8>,
    /// Bytes of the flow so far.
    seen: u64,
    /// The pieces that the held bytes came in, oldest first.
    pieces: VecDeque<Piece>,
    /// Where the last frame ended in the file.
    frame_end: u64,
}

/// Where a piece of a flow began, and when it was captured.
#[derive(Clone, Copy)]
struct Piece {
    in_flow: u64,
    in_file: u64,
    capture_us: Option<u64>,
    late: bool,
}

impl<'d> Flows<'d> {
    pub(super) fn new(definitions: &'d Definitions) -> Self {
        Flows { definitions, capture: Capture::new(), flows: Vec::new(), outside: None, bytes: 0 }
    }

    /// Reads more of the file, handing on every frame; returns how many bytes it is done with. What is fed behind
    /// the last bytes of a file begins another one of the same capture.
    pub(super) fn feed(
        &mut self,
        input: &[u8],
        last: bool,
        sink: &mut impl FnMut(Met<'_>),
    ) -> Result<usize, CaptureError> {
        let Flows { definitions, capture, flows, outside, bytes } = self;
        let used =
            capture.feed(input, last, &mut |segment| take(flows, outside, definitions, &segment, sink))?;
        *bytes += used as u64;
        Ok(used)
    }

    /// Hands on the frames in what waits for more, of which there is none.
    pub(super) fn finish(&mut self, sink: &mut impl FnMut(Met<'_>)) {
        let Flows { definitions, capture, flows, outside, .. } = self;
        capture.finish(&mut |segment| take(flows, outside, definitions, &segment, sink));
        flows.iter_mut().for_each(|flow| flow.scan(true, sink));
    }

    /// True if nothing was read yet.
    pub(super) fn is_empty(&self) -> bool {
        self.bytes == 0
    }

    /// Places where the capture itself is damaged or incomplete.
    pub(super) fn losses(&self) -> impl Iterator<Item = Loss> {
        self.capture.notes().iter().filter_map(|note| {
            let bytes = match note.kind {
                NoteKind::Outside(bytes) => bytes,
                NoteKind::Truncated { stored, sent } => sent.saturating_sub(stored),
                NoteKind::TcpGap(bytes) => u64::from(bytes),
                NoteKind::Malformed | NoteKind::Incomplete => 0,
                // Told in the notes; nothing is lost.
                _ => return None,
            };
            Some(Loss { bytes, ..Loss::at(LossKind::Container, note.offset, 0) })
        })
    }

    /// The tally of all flows.
    pub(super) fn integrity(&self) -> Integrity {
        let mut all = Integrity::default();
        self.flows.iter().for_each(|flow| all.add(&flow.scanner.integrity()));
        all.bytes = self.bytes;
        all
    }

    /// What was dropped or damaged, in sentences: the first of each kind of place, and how many there are.
    pub(super) fn notes(&self) -> Vec<String> {
        const SHOWN: usize = 5;
        let mut notes: Vec<String> =
            self.capture.notes().iter().take(SHOWN).map(|note| format!("capture, {note}")).collect();
        let all = self.capture.tally().notes;
        if all > SHOWN as u64 {
            notes.push(format!("capture: {all} such places in all"));
        }
        notes
    }
}

fn take<'d>(
    flows: &mut Vec<Flow<'d>>,
    outside: &mut Option<usize>,
    definitions: &'d Definitions,
    segment: &Segment<'_>,
    sink: &mut impl FnMut(Met<'_>),
) {
    let index = segment.flow as usize;
    while flows.len() <= index {
        // Only what is outside of records is a stream without a time.
        if segment.capture_us.is_none() && !segment.datagram && !segment.late {
            outside.get_or_insert(flows.len());
        }
        flows.push(Flow::new(definitions));
    }
    // A record ends what was outside: nothing more of it comes, but that of another damaged place.
    if segment.capture_us.is_some()
        && let Some(flow) = outside.filter(|outside| *outside != index).and_then(|at| flows.get_mut(at))
        && !flow.held.is_empty()
    {
        flow.scan(true, sink);
    }
    if let Some(flow) = flows.get_mut(index) {
        flow.feed(segment, sink);
    }
}

impl<'d> Flow<'d> {
    fn new(definitions: &'d Definitions) -> Self {
        let scanner = Scanner::new(definitions);
        Flow { scanner, held: Vec::new(), seen: 0, pieces: VecDeque::new(), frame_end: 0 }
    }

    fn feed(&mut self, segment: &Segment<'_>, sink: &mut impl FnMut(Met<'_>)) {
        let Segment { offset: in_file, capture_us, late, .. } = *segment;
        if self.seen == 0 {
            self.frame_end = in_file;
        }
        self.pieces.push_back(Piece { in_flow: self.seen, in_file, capture_us, late });
        self.seen += segment.bytes.len() as u64;
        self.held.extend_from_slice(segment.bytes);
        self.scan(false, sink);
    }

    fn scan(&mut self, last: bool, sink: &mut impl FnMut(Met<'_>)) {
        let (pieces, frame_end) = (&self.pieces, &mut self.frame_end);
        let used = self.scanner.scan_all(&self.held, last, &mut |met| match met {
            Met::Frame(frame) => {
                let mut frame = *frame;
                let end = frame.offset + frame.raw.len() as u64;
                if let Some(piece) = piece_of(pieces, frame.offset) {
                    frame.offset = piece.in_file + (frame.offset - piece.in_flow);
                    frame.capture_us = piece.capture_us.or(frame.capture_us);
                    frame.late = piece.late;
                }
                *frame_end = in_file(pieces, end);
                sink(Met::Frame(&frame));
            }
            // Its beginning may lie in a piece that is no longer held.
            Met::Gap(gap) => sink(Met::Gap(Gap { offset: *frame_end, ..gap })),
        });
        self.held.drain(..used);
        let from = self.seen - self.held.len() as u64;
        while self.pieces.get(1).is_some_and(|second| second.in_flow <= from) {
            self.pieces.pop_front();
        }
    }
}

fn piece_of(pieces: &VecDeque<Piece>, in_flow: u64) -> Option<&Piece> {
    pieces.iter().rev().find(|piece| piece.in_flow <= in_flow)
}

fn in_file(pieces: &VecDeque<Piece>, in_flow: u64) -> u64 {
    piece_of(pieces, in_flow).map_or(in_flow, |piece| piece.in_file + (in_flow - piece.in_flow))
}
