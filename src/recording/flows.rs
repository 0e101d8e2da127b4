//! The flows of a packet capture: each is a stream of its own with its own scanner; the clocks, signals and tables
//! behind them are one.

use crate::capture::{Capture, CaptureError, Segment};
use std::collections::VecDeque;

use crate::wire::{Definitions, Frame, Integrity, Scanner};

/// A capture being read.
pub(super) struct Flows<'d> {
    definitions: &'d Definitions,
    capture: Capture,
    flows: Vec<Flow<'d>>,
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
}

/// Where a piece of a flow began, and when it was captured.
#[derive(Clone, Copy)]
struct Piece {
    in_flow: u64,
    in_file: u64,
    capture_us: Option<u64>,
}

impl<'d> Flows<'d> {
    pub(super) fn new(definitions: &'d Definitions) -> Self {
        Flows { definitions, capture: Capture::new(), flows: Vec::new(), bytes: 0 }
    }

    /// Reads more of the file, handing on every frame; returns how many bytes it is done with.
    pub(super) fn feed(
        &mut self,
        input: &[u8],
        last: bool,
        sink: &mut impl FnMut(&Frame<'_>),
    ) -> Result<usize, CaptureError> {
        let Flows { definitions, capture, flows, bytes } = self;
        let used = capture.feed(input, last, &mut |segment| {
            while flows.len() <= segment.flow as usize {
                flows.push(Flow::new(definitions));
            }
            if let Some(flow) = flows.get_mut(segment.flow as usize) {
                flow.feed(&segment, sink);
            }
        })?;
        *bytes += used as u64;
        if last {
            flows.iter_mut().for_each(|flow| flow.scan(true, sink));
        }
        Ok(used)
    }

    /// The tally of all flows; gaps are counted, not placed, since their places are in the flows.
    pub(super) fn integrity(&self) -> Integrity {
        let mut all = Integrity::default();
        for flow in &self.flows {
            let own = flow.scanner.integrity();
            all.frames += own.frames;
            all.bytes_frames += own.bytes_frames;
            all.frames_unknown += own.frames_unknown;
            all.frames_bad_crc += own.frames_bad_crc;
            all.bytes_stamps += own.bytes_stamps;
            all.bytes_skipped += own.bytes_skipped;
            all.sequence_lost += own.sequence_lost;
            all.gap_count += own.gap_count;
        }
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

impl<'d> Flow<'d> {
    fn new(definitions: &'d Definitions) -> Self {
        let scanner = Scanner::new(definitions);
        Flow { scanner, held: Vec::new(), seen: 0, pieces: VecDeque::new() }
    }

    fn feed(&mut self, segment: &Segment<'_>, sink: &mut impl FnMut(&Frame<'_>)) {
        let Segment { offset: in_file, capture_us, .. } = *segment;
        self.pieces.push_back(Piece { in_flow: self.seen, in_file, capture_us });
        self.seen += segment.bytes.len() as u64;
        self.held.extend_from_slice(segment.bytes);
        self.scan(false, sink);
    }

    fn scan(&mut self, last: bool, sink: &mut impl FnMut(&Frame<'_>)) {
        let pieces = &self.pieces;
        let used = self.scanner.scan(&self.held, last, &mut |mut frame: Frame<'_>| {
            if let Some(piece) = pieces.iter().rev().find(|piece| piece.in_flow <= frame.offset) {
                frame.offset = piece.in_file + (frame.offset - piece.in_flow);
                frame.capture_us = piece.capture_us.or(frame.capture_us);
            }
            sink(&frame);
        });
        self.held.drain(..used);
        let from = self.seen - self.held.len() as u64;
        while self.pieces.get(1).is_some_and(|second| second.in_flow <= from) {
            self.pieces.pop_front();
        }
    }
}
