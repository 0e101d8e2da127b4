//! Speed of reading, against the independent crate `mavlink` on the same bytes in the same run.
//!
//! The bytes are a made flight: the usual messages of an autopilot at their usual shares, version 2, contents
//! from a fixed sequence, with capture stamps in one case. Every timed result is checked first.

#![allow(clippy::unwrap_used, reason = "a benchmark may stop at the first surprise")]

use std::convert::Infallible;
use std::hint::black_box;

use arrow_array::RecordBatch;
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use fettle::table::{BatchSink, RowTimes, Tables};
use fettle::wire::{Definitions, Frame, Message, Scanner, crc};
use mavlink::dialects::common::MavMessage;
use mavlink::{MAVLinkV2MessageRaw, MavHeader, MavlinkReader, MavlinkVersion, Message as _};

/// Message ids and how many of each come in a round.
const SHARES: [(u32, usize); 12] = [
    (30, 25),
    (33, 10),
    (32, 10),
    (105, 25),
    (36, 10),
    (74, 5),
    (241, 2),
    (291, 5),
    (147, 1),
    (24, 3),
    (0, 1),
    (245, 1),
];

const ROUNDS: usize = 3_000;

/// Reads all frames and says how many.
type Reader = fn(&[u8]) -> u64;

struct Counting(u64);

impl BatchSink for Counting {
    type Error = Infallible;

    fn batch(&mut self, _: &Message, batch: RecordBatch) -> Result<(), Infallible> {
        self.0 += black_box(batch).num_rows() as u64;
        Ok(())
    }
}

/// The flight and its number of frames.
fn flight(stamped: bool) -> (Vec<u8>, u64) {
    let (mut bytes, mut frames, mut state) = (Vec::new(), 0u64, 1u32);
    for _ in 0..ROUNDS {
        for (id, share) in SHARES {
            for _ in 0..share {
                let message = Definitions::builtin().by_id(id).first().unwrap();
                let mut payload = vec![0; 255];
                MavMessage::default_message_from_id(id).unwrap().ser(MavlinkVersion::V2, &mut payload);
                for field in message.fields.iter().filter(|field| field.enumeration.is_empty()) {
                    for byte in &mut payload[field.offset..field.offset + field.len()] {
                        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                        *byte = (state >> 24) as u8;
                    }
                }
                let parsed = MavMessage::parse(MavlinkVersion::V2, id, &payload[..message.full_len]).unwrap();
                let mut raw = MAVLinkV2MessageRaw::new();
                let header = MavHeader { system_id: 1, component_id: 1, sequence: frames as u8 };
                raw.serialize_message(header, &parsed);
                if stamped {
                    bytes.extend_from_slice(&(1_700_000_000_000_000 + frames * 900).to_be_bytes());
                }
                bytes.extend_from_slice(raw.raw_bytes());
                frames += 1;
            }
        }
    }
    (bytes, frames)
}

fn our_scan(bytes: &[u8]) -> u64 {
    let mut scanner = Scanner::new(Definitions::builtin());
    let mut seen = 0;
    scanner.scan(bytes, true, &mut |frame: &Frame<'_>| {
        black_box(frame);
        seen += 1;
    });
    seen
}

fn our_tables(bytes: &[u8]) -> u64 {
    let mut tables = Tables::new(Definitions::builtin(), 1_024);
    let mut rows = Counting(0);
    let mut scanner = Scanner::new(Definitions::builtin());
    scanner.scan(bytes, true, &mut |frame: &Frame<'_>| {
        let times = RowTimes { boot: Some(0), boot_ms: Some(1), boot_ms_latest: Some(1) };
        let Ok(_) = tables.append(frame, times, &mut rows);
    });
    let Ok(()) = tables.finish(&mut rows);
    rows.0
}

fn their_raw(bytes: &[u8]) -> u64 {
    let mut reader = MavlinkReader::new(bytes);
    let mut seen = 0;
    while let Ok(raw) = reader.read_any_raw_message::<MavMessage>() {
        black_box(raw.payload());
        seen += 1;
    }
    seen
}

fn their_typed(bytes: &[u8]) -> u64 {
    let mut reader = MavlinkReader::new(bytes);
    let mut seen = 0;
    while let Ok(message) = reader.read_any_message::<MavMessage>() {
        black_box(&message);
        seen += 1;
    }
    seen
}

fn checksum(criterion: &mut Criterion) {
    let (bytes, _) = flight(false);
    let bytes = &bytes[..64 * 1024];
    assert_eq!(crc::update_byte(crc::checksum(bytes), 50), mavlink::calculate_crc(bytes, 50));
    let mut group = criterion.benchmark_group("checksum");
    group.throughput(Throughput::Bytes(bytes.len() as u64));
    group.bench_function("fettle", |bencher| {
        bencher.iter(|| bytes.chunks_exact(41).fold(0, |sum, frame| sum ^ crc::checksum(black_box(frame))));
    });
    group.bench_function("crate mavlink", |bencher| {
        bencher.iter(|| {
            bytes.chunks_exact(41).fold(0, |sum, frame| sum ^ mavlink::calculate_crc(black_box(frame), 0))
        });
    });
    group.finish();
}

fn reading(criterion: &mut Criterion) {
    for (name, stamped) in [("bare", false), ("timestamped", true)] {
        let (bytes, frames) = flight(stamped);
        let mut group = criterion.benchmark_group(name);
        group.throughput(Throughput::Bytes(bytes.len() as u64));
        let readers: [(&str, Reader); 4] = [
            ("fettle scan", our_scan),
            ("fettle tables", our_tables),
            ("crate mavlink raw", their_raw),
            ("crate mavlink typed", their_typed),
        ];
        for (reader, read) in readers {
            assert_eq!(read(&bytes), frames, "{reader}");
            group.bench_function(reader, |bencher| bencher.iter(|| read(black_box(&bytes))));
        }
        group.finish();
    }
}

criterion_group!(benches, checksum, reading);
criterion_main!(benches);
