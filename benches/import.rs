//! Speed of the whole import on a simulated flight, against the independent crate `mavlink` reading the
//! same bytes into typed messages in the same run. One core: one file at a time.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a benchmark may stop at the first surprise")]

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use fettle::archive::layout::FleetDir;
use fettle::archive::telemetry::TelemetryWriter;
use fettle::cli::import::{Imported, Into, import_file};
use fettle::cli::reading::{Decoding, NoTables, record};
use fettle::fleet::Fleet;
use fettle::simulator::{Frame, Scenario, write_to};
use fettle::wire::Definitions;
use mavlink::MavlinkReader;
use mavlink::dialects::common::MavMessage;
use std::fs;
use std::hint::black_box;

fn typed_frames(bytes: &[u8]) -> u64 {
    let mut reader = MavlinkReader::new(bytes);
    let mut frames = 0;
    while let Ok(message) = reader.read_any_message::<MavMessage>() {
        black_box(message);
        frames += 1;
    }
    frames
}

/// The built-in messages, no key.
fn decoding() -> Decoding<'static> {
    Decoding { definitions: Definitions::builtin(), key: None }
}

fn bench(c: &mut Criterion) {
    let dir = tempfile::tempdir().unwrap();
    let log = dir.path().join("log.mavlink");
    let mut scenario = Scenario::new(Frame::HexaX, 1).with_flights(1);
    scenario.at_least_bytes = 16 << 20;
    let truth = write_to(&scenario, fs::File::create(&log).unwrap()).unwrap();
    let bytes = fs::read(&log).unwrap();
    let fleet = Fleet::default();
    let mut group = c.benchmark_group("import");
    group.sample_size(10).throughput(Throughput::Bytes(bytes.len() as u64));
    group.bench_function("mavlink crate, typed read", |b| {
        b.iter(|| assert!(typed_frames(&bytes) >= truth.frames))
    });
    group.bench_function("scan, clock and signals", |b| {
        b.iter(|| {
            let recording = record(
                &mut fs::File::open(&log).unwrap(),
                &log,
                decoding(),
                false,
                &mut NoTables,
                None,
                |_| Ok(()),
            )
            .unwrap();
            assert_eq!(recording.integrity.frames, truth.frames);
        });
    });
    group.bench_function("the same and Arrow tables", |b| {
        b.iter(|| {
            let recording = record(
                &mut fs::File::open(&log).unwrap(),
                &log,
                decoding(),
                true,
                &mut NoTables,
                None,
                |_| Ok(()),
            )
            .unwrap();
            assert_eq!(recording.integrity.frames, truth.frames);
        });
    });
    group.bench_function("the same and Parquet", |b| {
        b.iter(|| {
            let out = tempfile::tempdir().unwrap();
            let mut writer = TelemetryWriter::beside(out.path()).unwrap();
            record(&mut fs::File::open(&log).unwrap(), &log, decoding(), true, &mut writer, None, |_| Ok(()))
                .unwrap();
            assert!(!writer.move_to(out.path(), false, "log").unwrap().is_empty());
        });
    });
    group.bench_function("whole import", |b| {
        b.iter(|| {
            let out = tempfile::tempdir().unwrap();
            let to = FleetDir { root: out.path().to_owned() };
            let into = Into::again(&to, &fleet, decoding());
            match &import_file(&log, &into)[0].1 {
                Imported::New(assessment) => assert_eq!(assessment.flights.len(), truth.flights.len()),
                _ => panic!("not imported"),
            }
        });
    });
    group.finish();
}

criterion_group!(benches, bench);
criterion_main!(benches);
