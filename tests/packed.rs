//! Captures, compressed logs, archives and dialects, as a user meets them. The captures are scapy's
//! (tests/captures/make.py); the archives are made here by the crates `flate2`, `zstd`, `tar` and `zip`.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

use serde_json::Value;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn fettle(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_fettle")).args(arguments).env_remove("FETTLE_FLEET").output().unwrap()
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn read_json(log: &Path, more: &[&str]) -> Value {
    let output = fettle(&[&["read", "--json", text(log)], more].concat());
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    let schema = fs::read_to_string(root().join("schemas/read.schema.json")).unwrap();
    let validator = jsonschema::validator_for(&serde_json::from_str(&schema).unwrap()).unwrap();
    let wrong: Vec<String> = validator.iter_errors(&document).map(|e| e.to_string()).collect();
    assert!(wrong.is_empty(), "{wrong:?}");
    document
}

fn sample(name: &str) -> (PathBuf, Vec<u8>) {
    let path = root().join("sample-logs").join(name);
    let bytes = fs::read(&path).unwrap();
    (path, bytes)
}

#[test]
fn the_same_log_counts_once_however_it_is_packed() {
    let dir = tempfile::tempdir().unwrap();
    let (fleet, card) = (dir.path().join("fleet"), dir.path().join("card"));
    fs::create_dir_all(&fleet).unwrap();
    fs::create_dir_all(&card).unwrap();
    fs::copy(root().join("sample-logs/fleet.toml"), fleet.join("fleet.toml")).unwrap();
    let (plain, one) = sample("heron/2026-09-02.mavlink");
    let (_, two) = sample("egret/2026-09-02.mavlink");

    fs::write(card.join("a"), &one).unwrap();
    let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    gzip.write_all(&one).unwrap();
    fs::write(card.join("b"), gzip.finish().unwrap()).unwrap();
    fs::write(card.join("c"), zstd::encode_all(&one[..], 1).unwrap()).unwrap();
    let mut zip = zip::ZipWriter::new(fs::File::create(card.join("d")).unwrap());
    zip.start_file("card/log1", zip::write::SimpleFileOptions::default()).unwrap();
    zip.write_all(&one).unwrap();
    zip.start_file("../log2", zip::write::SimpleFileOptions::default()).unwrap();
    zip.write_all(&two).unwrap();
    zip.finish().unwrap();
    let mut tar = tar::Builder::new(fs::File::create(card.join("e")).unwrap());
    tar.append_path_with_name(&plain, "log").unwrap();
    tar.finish().unwrap();

    let import = |expected_new: u64, expected_known: u64| {
        let output = fettle(&["import", "--json", "--fleet", text(&fleet), text(&card)]);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let last: Value = String::from_utf8_lossy(&output.stdout)
            .lines()
            .last()
            .map(|l| serde_json::from_str(l).unwrap())
            .unwrap();
        assert_eq!((&last["logs_new"], &last["logs_known"]), (&expected_new.into(), &expected_known.into()));
    };
    import(2, 4);
    import(0, 6);
    assert!(!dir.path().join("log2").exists() && !fleet.join("log2").exists());

    // What the log says does not depend on its wrapping.
    let ids: Vec<Value> = ["a", "b", "c", "e"]
        .iter()
        .map(|name| read_json(&card.join(name), &[])["log"]["id"].clone())
        .collect();
    assert_eq!(ids[0], blake3::hash(&one).to_hex().as_str());
    assert!(ids.iter().all(|id| *id == ids[0]));
    let several = fettle(&["read", text(&card.join("d"))]);
    assert_eq!(several.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&several.stderr).contains("holds several files"));
}

#[test]
fn a_log_in_a_damaged_file_is_shown_as_far_as_it_was_read() {
    let dir = tempfile::tempdir().unwrap();
    let (_, log) = sample("heron/2026-09-02.mavlink");
    let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    gzip.write_all(&log).unwrap();
    let gzip = gzip.finish().unwrap();
    let cut = dir.path().join("cut");
    fs::write(&cut, &gzip[..gzip.len() * 9 / 10]).unwrap();
    let read = fettle(&["read", "--json", text(&cut)]);
    let errors = String::from_utf8_lossy(&read.stderr).into_owned();
    assert_eq!(read.status.code(), Some(3), "{errors}");
    assert!(errors.contains("cut: damaged: "), "{errors}");
    let document: Value = serde_json::from_slice(&read.stdout).unwrap();
    assert!(document["log"]["bytes"].as_u64().unwrap() > log.len() as u64 / 2);
    assert_eq!(document["flights"].as_array().unwrap().len(), 1);
    let out = dir.path().join("out");
    let tables = fettle(&["tables", text(&cut), "-o", text(&out)]);
    assert_eq!(tables.status.code(), Some(3));
    assert!(out.join("ATTITUDE.parquet").is_file());

    // Nothing that could be shown: the damage is the reason.
    fs::write(&cut, &gzip[..20]).unwrap();
    let nothing = fettle(&["read", text(&cut)]);
    assert_eq!(nothing.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&nothing.stderr).contains("cut: damaged: "));
}

#[test]
fn a_capture_is_a_log() {
    // Sixty frames by the recipe.
    for (file, container) in [("udp-le-us.pcap", "pcap"), ("tcp.pcap", "pcap"), ("udp.pcapng", "pcapng")] {
        let path = root().join("tests/captures").join(file);
        let document = read_json(&path, &[]);
        assert_eq!(document["log"]["container"], container, "{file}");
        assert_eq!(document["log"]["frames"], 60, "{file}");
        assert_eq!(document["log"]["bytes"], fs::metadata(&path).unwrap().len(), "{file}");
    }
}

#[test]
fn what_is_not_defined_is_kept_as_bytes_until_a_dialect_names_it() {
    use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
    let dir = tempfile::tempdir().unwrap();
    let xml = "<mavlink><messages><message id=\"54321\" name=\"REED_HEIGHT\">\
               <field type=\"uint32_t\" name=\"time_boot_ms\" units=\"ms\"/>\
               <field type=\"float\" name=\"height\" units=\"m\"/></message></messages></mavlink>";
    let dialect = dir.path().join("reeds.xml");
    fs::write(&dialect, xml).unwrap();
    // CRC_EXTRA by the published rule with the independent crate's checksum; larger fields first, here equal.
    let extra = {
        let crc = text_crc("REED_HEIGHT uint32_t time_boot_ms float height ");
        crc.to_le_bytes()[0] ^ crc.to_le_bytes()[1]
    };
    let (_, mut log) = sample("heron/2026-09-02.mavlink");
    // Behind the last of the stamped frames, five of its own kind.
    for number in 0..5u32 {
        let mut frame = vec![0xFD, 8, 0, 0, number as u8, 1, 1];
        frame.extend_from_slice(&54_321u32.to_le_bytes()[..3]);
        frame.extend_from_slice(&(1000 + number).to_le_bytes());
        frame.extend_from_slice(&1.5f32.to_le_bytes());
        let crc = mavlink::calculate_crc(&frame[1..], extra);
        frame.extend_from_slice(&crc.to_le_bytes());
        log.extend_from_slice(&1_790_000_000_000_000u64.to_be_bytes());
        log.extend_from_slice(&frame);
    }
    let path = dir.path().join("log");
    fs::write(&path, &log).unwrap();

    let without = read_json(&path, &[]);
    assert_eq!(without["log"]["frames_unknown"], 5);
    assert!(without["log"]["notes"].to_string().contains("5 frame(s) of message id 54321"));
    let with = read_json(&path, &["--dialect", text(&dialect)]);
    assert_eq!(with["log"]["frames_unknown"], 0);
    let named = with["log"]["messages"].as_array().unwrap().iter().find(|m| m["name"] == "REED_HEIGHT");
    assert_eq!(named.unwrap()["count"], 5);

    let rows = |out: &str, more: &[&str], file: &str| {
        let out = dir.path().join(out);
        let done = fettle(&[&["tables", text(&path), "-o", text(&out)], more].concat());
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
        let file = fs::File::open(out.join(file)).unwrap();
        let mut batches = ParquetRecordBatchReaderBuilder::try_new(file).unwrap().build().unwrap();
        batches.next().unwrap().unwrap()
    };
    let raw = rows("raw", &[], "UNKNOWN.parquet");
    assert_eq!(raw.num_rows(), 5);
    let ids = raw["message_id"].as_any().downcast_ref::<arrow_array::UInt32Array>().unwrap();
    assert!(ids.values().iter().all(|id| *id == 54_321));
    let list = raw["payload"].as_any().downcast_ref::<arrow_array::FixedSizeListArray>().unwrap();
    let first = list.value(0);
    let bytes = first.as_any().downcast_ref::<arrow_array::UInt8Array>().unwrap();
    assert_eq!(bytes.values()[..8], [0xE8, 3, 0, 0, 0, 0, 0xC0, 0x3F]);
    let named = rows("named", &["--dialect", text(&dialect)], "REED_HEIGHT.parquet");
    let heights = named["height"].as_any().downcast_ref::<arrow_array::Float32Array>().unwrap();
    assert!(heights.values().iter().all(|height| *height == 1.5));
}

#[test]
fn a_message_called_as_the_table_of_the_undefined_gets_a_name_of_its_own() {
    use fettle::wire::Definitions;
    use fettle::wire::dialect::{Dialect, Source};
    let text = "<mavlink><messages><message id=\"54322\" name=\"UNKNOWN\"><field type=\"uint8_t\" name=\"a\"/>\
                </message></messages></mavlink>";
    let source = Source { name: "reeds.xml".to_owned(), text: text.to_owned() };
    let dialect = Dialect::read(source, &mut |_, _| Err("nothing to include".to_owned())).unwrap();
    let (definitions, _) = Definitions::builtin().with_dialect(&dialect);
    assert_eq!(definitions.by_id(54_322)[0].name, "UNKNOWN_reeds");
}

/// The checksum of a text: the crate's takes its last byte separately.
fn text_crc(text: &str) -> u16 {
    let (last, rest) = text.as_bytes().split_last().unwrap();
    mavlink::calculate_crc(rest, *last)
}

#[test]
fn a_capture_that_ends_in_its_head_is_no_empty_file() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("cut.pcap");
    fs::write(&path, [0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0, 0, 0, 0, 0, 0]).unwrap();
    let output = fettle(&["read", text(&path)]);
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&output.stderr).contains("no valid MAVLink frame in 13 bytes"));
}

#[test]
fn a_log_of_undefined_messages_alone_is_shown_but_not_filed() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("own");
    let frame = |n: usize| [&[0xFD, 3, 0, 0, n as u8, 2, 1, 0x00, 0x24, 0xF4, 1, 2, 3][..], b"??"].concat();
    fs::write(&path, (0..300).flat_map(frame).collect::<Vec<u8>>()).unwrap();
    let out = dir.path().join("out");
    let done = fettle(&["tables", text(&path), "-o", text(&out)]);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let file = fs::File::open(out.join("UNKNOWN.parquet")).unwrap();
    let batches = parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder::try_new(file)
        .unwrap()
        .build()
        .unwrap();
    assert_eq!(batches.map(|batch| batch.unwrap().num_rows()).sum::<usize>(), 300);
    let done = fettle(&["read", text(&path)]);
    assert!(String::from_utf8_lossy(&done.stdout).contains("300 frame(s) of message id 16000000"));
    fs::write(dir.path().join("fleet.toml"), "").unwrap();
    let done = fettle(&["import", "--fleet", text(dir.path()), text(&path)]);
    let errors = String::from_utf8_lossy(&done.stderr).into_owned();
    assert!(errors.contains("300 frames whose ids are not") && errors.contains("--dialect"), "{errors}");
    assert_eq!(done.status.code(), Some(1));
}
