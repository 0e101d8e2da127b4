//! Packet captures made by an independent tool (scapy; the recipe is `captures/make.py`): every frame that went in
//! comes out, in its flow, with its time; and damage costs only what it covers.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

mod wire_support;

use std::path::{Path, PathBuf};

use arrow_array::RecordBatch;
use fettle::capture::{Capture, Kind, NoteKind, Segment, Tally, Transport};
use fettle::recording::Recorder;
use fettle::table::BatchSink;
use fettle::wire::{Container, Definitions, Frame, Message, Scanner};
use wire_support::mixed_frames;

/// Frames that the fixtures carry.
const FRAMES: usize = 60;
/// Time of the first packet in the recipe, µs Unix, and from packet to packet.
const START_US: u64 = 1_789_000_000_123_456;
const STEP_US: u64 = 10_007;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/captures")
}

fn fixture(name: &str) -> Vec<u8> {
    std::fs::read(folder().join(name)).unwrap()
}

/// A frame found: its bytes, flow and the times of the segments it lay in.
#[derive(Debug, Clone, PartialEq)]
struct Found {
    key: (u8, u32, Vec<u8>),
    flow: u32,
    capture_us: Option<u64>,
}

struct Read {
    /// Segments that say bytes are missing before them.
    gaps: usize,
    frames: Vec<Found>,
    tally: Tally,
    flows: Vec<fettle::capture::Flow>,
    notes: Vec<NoteKind>,
}

fn read(bytes: &[u8]) -> Read {
    read_in_pieces(bytes, bytes.len().max(1))
}

/// Feeds pieces as a reader of a file would, and one scanner a flow.
fn read_in_pieces(bytes: &[u8], piece: usize) -> Read {
    let mut capture = Capture::new();
    let mut scanners: Vec<(Scanner<'static>, Vec<u8>)> = Vec::new();
    let (mut frames, mut gaps) = (Vec::new(), 0);
    let (mut kept, mut fed) = (Vec::new(), 0);
    let mut sink = |segment: Segment<'_>| {
        let flow = segment.flow as usize;
        gaps += usize::from(segment.gap_before);
        if scanners.len() <= flow {
            scanners.resize_with(flow + 1, || (Scanner::new(Definitions::builtin()), Vec::new()));
        }
        let (scanner, carry) = &mut scanners[flow];
        carry.extend_from_slice(segment.bytes);
        let done = scanner.scan(carry, false, &mut |frame| {
            frames.push(found(frame, segment.flow, segment.capture_us));
        });
        carry.drain(..done);
    };
    loop {
        let next = bytes.len().min(fed + piece);
        kept.extend_from_slice(&bytes[fed..next]);
        fed = next;
        let last = fed == bytes.len();
        let done = capture.feed(&kept, last, &mut sink).unwrap();
        kept.drain(..done);
        assert!(kept.len() < 3 << 20, "the caller has to keep {} bytes", kept.len());
        if last {
            assert!(kept.is_empty());
            break;
        }
    }
    capture.finish(&mut sink);
    for (flow, (scanner, carry)) in scanners.iter_mut().enumerate() {
        scanner.scan(carry, true, &mut |frame| frames.push(found(frame, flow as u32, None)));
    }
    Read {
        gaps,
        frames,
        tally: capture.tally().clone(),
        flows: capture.flows().to_vec(),
        notes: capture.notes().iter().map(|note| note.kind).collect(),
    }
}

fn found(frame: &Frame<'_>, flow: u32, capture_us: Option<u64>) -> Found {
    Found { key: key(frame), flow, capture_us }
}

fn key(frame: &Frame<'_>) -> (u8, u32, Vec<u8>) {
    (frame.sequence, frame.message_id, frame.payload.to_vec())
}

/// What went in.
fn expected() -> Vec<(u8, u32, Vec<u8>)> {
    let mut keys = Vec::new();
    let bytes = mixed_frames(FRAMES).concat();
    Scanner::new(Definitions::builtin()).scan(&bytes, true, &mut |frame| keys.push(key(frame)));
    assert_eq!(keys.len(), FRAMES);
    keys
}

fn keys(read: &Read) -> Vec<(u8, u32, Vec<u8>)> {
    let mut keys: Vec<_> = read.frames.iter().map(|found| found.key.clone()).collect();
    keys.sort_by_key(|key| key.0);
    keys
}

#[test]
fn the_fixtures_carry_frames_of_the_independent_crate() {
    let frames = mixed_frames(FRAMES).concat();
    if std::env::var_os("FETTLE_WRITE_FRAMES").is_some() {
        std::fs::write(folder().join("frames.bin"), &frames).unwrap();
    }
    assert_eq!(fixture("frames.bin"), frames, "write it again and run the recipe");
}

#[test]
fn every_fixture_gives_every_frame_once() {
    let mut count = 0;
    for entry in std::fs::read_dir(folder()).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        if !name.ends_with(".pcap") && !name.ends_with(".pcapng") || name.starts_with("loss-") {
            continue;
        }
        count += 1;
        let bytes = fixture(&name);
        let kind = if name.ends_with("ng") { Kind::PcapNg } else { Kind::Pcap };
        assert_eq!(Capture::recognise(&bytes), Some(kind), "{name}");
        let whole = read(&bytes);
        assert!(keys(&whole) == expected(), "{name}: {:?} {:?}", whole.tally, whole.notes);
        assert_eq!(whole.tally.bytes_outside, 0, "{name}");
        for piece in [1, 7, 64, 1000] {
            let cut = read_in_pieces(&bytes, piece);
            assert_eq!(cut.frames, whole.frames, "{name} in pieces of {piece}");
            assert_eq!(cut.tally, whole.tally, "{name} in pieces of {piece}");
        }
    }
    assert!(count >= 18, "only {count} fixtures");
}

#[test]
fn times_are_those_of_the_recipe() {
    for name in
        ["udp-le-us.pcap", "udp-be-ns.pcap", "udp.pcapng", "ng-be-ns.pcapng", "ng-binary-offset.pcapng"]
    {
        let read = read(&fixture(name));
        let times: Vec<u64> = read.frames.iter().filter_map(|found| found.capture_us).collect();
        assert!(times.len() + 1 >= FRAMES, "{name}");
        for (at, time) in times.iter().enumerate() {
            // The recipe puts frame n alone into packet n. The scanner may hand a frame on with the next packet,
            // and binary resolutions round by less than a microsecond.
            let packet = time.saturating_sub(START_US).div_ceil(STEP_US);
            assert!(time.abs_diff(START_US + packet * STEP_US) <= 1, "{name}: {time}");
            assert!(packet as usize == at || packet as usize == at + 1, "{name}: {at} {packet}");
        }
    }
}

#[test]
fn packets_without_a_clock_have_no_time() {
    let read = read(&fixture("ng-simple.pcapng"));
    assert!(read.frames.iter().all(|found| found.capture_us.is_none()));
}

#[test]
fn says_what_else_was_there() {
    let read = read(&fixture("udp-mixed.pcap"));
    // In the recipe: one address resolution, one echo request; a datagram twice.
    assert_eq!(read.tally.packets_other, 2);
    assert_eq!(read.tally.datagrams_repeated, 1);
    assert_eq!(read.flows.len(), 2, "{:?}", read.flows);
    assert_eq!(read.flows[0].to_string(), "UDP 10.0.0.1:14555 to 10.0.0.2:14550");

    let read = self::read(&fixture("fragments-v4.pcap"));
    assert!(read.tally.fragments > 4);
    assert_eq!(read.tally.datagrams_incomplete, 0);

    let read = self::read(&fixture("tcp.pcap"));
    assert_eq!(read.tally.tcp_gaps, 0);
    assert!(read.tally.tcp_bytes_repeated > 0);
    assert_eq!(read.flows[0].transport, Transport::Tcp);

    let read = self::read(&fixture("unknown-link.pcap"));
    assert_eq!(read.tally.packets_unknown_link, read.tally.packets);
    assert_eq!(read.notes, [NoteKind::UnknownLink(147)]);
}

#[test]
fn what_the_capture_lost_is_marked_and_the_rest_kept() {
    // The recipe leaves out the TCP segment with bytes 200 to 300 of the stream.
    let read = self::read(&fixture("loss-tcp.pcap"));
    assert_eq!(read.tally.tcp_gaps, 1);
    assert!(read.notes.contains(&NoteKind::TcpGap(100)));
    let (mut at, mut lost) = (0, 0);
    for frame in mixed_frames(FRAMES) {
        lost += usize::from(at < 300 && at + frame.len() > 200);
        at += frame.len();
    }
    assert_eq!(read.frames.len(), FRAMES - lost);
    assert_eq!(read.gaps, 1);

    // Packets stored up to byte 100 only: whole frames before that byte survive.
    let read = self::read(&fixture("loss-snap.pcap"));
    let fit = mixed_frames(FRAMES).iter().filter(|frame| 14 + 20 + 8 + frame.len() <= 100).count();
    assert_eq!(read.frames.len(), fit);
    assert_eq!(read.tally.packets_truncated as usize, FRAMES - fit);

    // One fragment of the first datagram is missing: frames in the others and in its parts survive.
    let read = self::read(&fixture("loss-fragment.pcap"));
    assert_eq!(read.tally.datagrams_incomplete, 1);
    assert!(read.frames.len() >= FRAMES - 12, "{}", read.frames.len());
}

#[test]
fn is_no_capture() {
    for bytes in [&b"not a capture at all"[..], &[], &[0xD4, 0xC3, 0xB2, 0xA1, 2, 0]] {
        assert!(Capture::new().feed(bytes, true, &mut |_| {}).is_err(), "{bytes:?}");
    }
    assert_eq!(Capture::recognise(&mixed_frames(5).concat()), None);
}

/// The offsets of the packets of a plain fixture with records of `head` bytes from byte `start` on.
const DAMAGED: [&str; 4] = ["udp-le-us.pcap", "udp-be-ns.pcap", "udp.pcapng", "ng-be-ns.pcapng"];

#[test]
fn a_flipped_byte_costs_at_most_the_frame_it_lies_in() {
    for name in DAMAGED {
        let bytes = fixture(name);
        // The file header, section and interface say what everything means; behind them one packet is at stake.
        let first = bytes.windows(4).position(|four| four == [10, 0, 0, 1]).unwrap() - 64;
        for at in (first.max(24)..bytes.len()).step_by(5) {
            for flip in [0x01, 0x80, 0xFF] {
                let mut damaged = bytes.clone();
                damaged[at] ^= flip;
                let read = read(&damaged);
                assert!(
                    read.frames.len() + 1 >= FRAMES,
                    "{name} byte {at} ^ {flip:#x}: {} of {FRAMES}, {:?} {:?}",
                    read.frames.len(),
                    read.notes,
                    read.frames.iter().map(|found| (found.key.0, found.flow)).collect::<Vec<_>>()
                );
            }
        }
    }
}

#[test]
fn garbage_between_records_costs_no_frame() {
    for name in DAMAGED {
        let bytes = fixture(name);
        for (garbage, case) in [
            (vec![0; 5000], "zeros"),
            (vec![0xFF; 5001], "ones"),
            (b"card image with other files ".repeat(50), "text"),
        ] {
            // Cut anywhere, not only between records: at most the packet that is cut suffers.
            for at in (200..bytes.len()).step_by(97) {
                let damaged = [&bytes[..at], &garbage, &bytes[at..]].concat();
                let read = read(&damaged);
                assert!(
                    read.frames.len() + 1 >= FRAMES,
                    "{name}, {case} at {at}: {} {:?}",
                    read.frames.len(),
                    read.notes
                );
                assert!(read.tally.damaged_regions <= 3, "{name}, {case} at {at}: {:?}", read.notes);
                let pieces = read_in_pieces(&damaged, 333);
                assert_eq!(pieces.frames, read.frames, "{name}, {case} at {at}");
            }
        }
    }
}

#[test]
fn a_cut_end_costs_no_earlier_frame() {
    for name in DAMAGED {
        let bytes = fixture(name);
        let cut = bytes.len() - 10;
        let read = read(&bytes[..cut]);
        assert!(read.frames.len() + 1 >= FRAMES, "{name}");
        assert_eq!(read.tally.damaged_regions, 1, "{name}: {:?}", read.notes);
    }
}

struct NoTables;

impl BatchSink for NoTables {
    type Error = std::convert::Infallible;
    fn batch(&mut self, _: &Message, _: RecordBatch) -> Result<(), Self::Error> {
        Ok(())
    }
}

/// Frames read from files of one recording, in order.
fn frames_of(files: &[&[u8]]) -> (u64, Container, u64) {
    let mut recorder = Recorder::new(Definitions::builtin(), false);
    for file in files {
        let used = recorder.feed(file, true, &mut NoTables).unwrap();
        assert_eq!(used, file.len());
        recorder.next_part();
    }
    let recording = recorder.finish(&mut NoTables).unwrap();
    (recording.integrity.frames, recording.container, recording.integrity.bytes)
}

#[test]
fn a_frame_across_two_captures_is_whole() {
    for name in ["tcp.pcap", "fragments-v4.pcap", "udp-le-us.pcap"] {
        let bytes = fixture(name);
        let (head, mut at) = (&bytes[..24], 24);
        while at < bytes.len() {
            let second = [head, &bytes[at..]].concat();
            let (frames, container, read) = frames_of(&[&bytes[..at], &second]);
            assert_eq!((frames, container), (FRAMES as u64, Container::Pcap), "{name} rotated at {at}");
            assert_eq!(read, (bytes.len() + head.len()) as u64);
            at += 16 + u32::from_le_bytes(bytes[at + 8..at + 12].try_into().unwrap()) as usize;
        }
    }
    // A file behind a capture that is none is read as a stream, and one that is too short for either too.
    let (capture, stream) = (fixture("tcp.pcap"), fixture("frames.bin"));
    for marker in [&[][..], &[0xD4, 0xC3, 0xB2, 0xA1, 2, 0]] {
        let (frames, container, _) = frames_of(&[&capture, marker, &stream]);
        assert_eq!((frames, container), (2 * FRAMES as u64, Container::Pcap));
        assert_eq!(frames_of(&[marker]).1, Container::Bare);
    }
}
