//! What damage costs: clean frames, damaged ones and several kinds of bytes that hold none, all in one run, so
//! that their ratios hold on a loaded machine too.
//!
//! Aims: 1 % of damaged frames costs less than 20 % of the clean speed; noise is skipped at 1 GB/s or more.

#![allow(clippy::unwrap_used, reason = "a benchmark may stop at the first surprise")]

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use fettle::wire::{Definitions, Frame, Scanner};

#[path = "../tests/wire_support/mod.rs"]
mod wire_support;

const FRAMES: usize = 60_000;

/// Bytes of each case without frames.
const LEN: usize = 4 << 20;

/// Frames of both versions, one bit flipped in the payload of every `damage_every`th, and how many are whole.
fn flight(damage_every: usize) -> (Vec<u8>, u64) {
    let mut frames = wire_support::mixed_frames(FRAMES);
    let damaged = frames.iter_mut().skip(damage_every / 2).step_by(damage_every);
    let damaged = damaged.enumerate().map(|(index, frame)| frame[10] ^= 1 << (index % 8)).count();
    (frames.concat(), (FRAMES - damaged) as u64)
}

/// Bytes of a fixed sequence.
fn noise(len: usize) -> Vec<u8> {
    let mut state = 1u64;
    let mut byte = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 56) as u8
    };
    (0..len).map(|_| byte()).collect()
}

/// A head of ten bytes that claims 255 bytes of a message of this id, again and again: each begins inside the
/// claims of 26 others.
fn nested(id: u32) -> Vec<u8> {
    let [low, middle, high, _] = id.to_le_bytes();
    [0xFD, 255, 0, 0, 7, 1, 1, low, middle, high].into_iter().cycle().take(LEN).collect()
}

fn scan(bytes: &[u8]) -> u64 {
    let mut scanner = Scanner::new(Definitions::builtin());
    let mut seen = 0;
    scanner.scan(bytes, true, &mut |frame: &Frame<'_>| {
        black_box(frame);
        seen += 1;
    });
    seen
}

fn damage(criterion: &mut Criterion) {
    let (clean, one_percent) = (flight(usize::MAX), flight(100));
    let cases = [
        ("clean", clean),
        ("1 % of frames damaged", one_percent),
        ("noise", (noise(LEN), 0)),
        ("zeros", (vec![0; LEN], 0)),
        ("0xFD", (vec![0xFD; LEN], 0)),
        ("0xFE", (vec![0xFE; LEN], 0)),
        ("nested heads, known id", (nested(30), 0)),
        ("nested heads, unknown id", (nested(16_000_000), 0)),
    ];
    let mut group = criterion.benchmark_group("damage");
    for (name, (bytes, frames)) in cases {
        assert_eq!(scan(&bytes), frames, "{name}");
        group.throughput(Throughput::Bytes(bytes.len() as u64));
        group.bench_function(name, |bencher| bencher.iter(|| scan(black_box(&bytes))));
    }
    group.finish();
}

criterion_group!(benches, damage);
criterion_main!(benches);
