//! Signed frames from the file to the answer: through the recorder and through the real process, in a stream and in
//! a packet capture. The frames are signed by the independent crate `mavlink`.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

mod wire_support;

use fettle::recording::{Recorder, Recording};
use fettle::table::BatchSink;
use fettle::wire::signature::Key;
use fettle::wire::{Definitions, Message};
use mavlink::dialects::common::{
    ATTITUDE_DATA, HEARTBEAT_DATA, MavAutopilot, MavMessage, MavModeFlag, MavState, MavType,
};
use mavlink::{MAVLinkV2MessageRaw, SigningConfig, SigningData};
use serde_json::{Value, json};
use std::convert::Infallible;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

const SECRET: [u8; 32] = *b"an invented key of just 32 bytes";
const OTHER: [u8; 32] = *b"some other key of just 32 bytes.";

fn heartbeat() -> MavMessage {
    MavMessage::HEARTBEAT(HEARTBEAT_DATA {
        custom_mode: 0,
        mavtype: MavType::MAV_TYPE_QUADROTOR,
        autopilot: MavAutopilot::MAV_AUTOPILOT_GENERIC,
        base_mode: MavModeFlag::empty(),
        system_status: MavState::MAV_STATE_STANDBY,
        mavlink_version: 3,
    })
}

/// A sender's stream: a heartbeat, then attitudes at 10 Hz.
struct Stream {
    sender: (u8, u8),
    sequence: u8,
    time_boot_ms: u32,
}

impl Stream {
    fn new(system_id: u8, component_id: u8) -> Self {
        Stream { sender: (system_id, component_id), sequence: 0, time_boot_ms: 1_000 }
    }

    /// The next frames, each signed with `key` on `link` if there is one.
    fn frames(&mut self, count: usize, key: Option<([u8; 32], u8)>) -> Vec<Vec<u8>> {
        let data =
            key.map(|(key, link)| SigningData::from_config(SigningConfig::new(key, link, true, false)));
        (0..count)
            .map(|_| {
                let message = if self.sequence == 0 {
                    heartbeat()
                } else {
                    MavMessage::ATTITUDE(ATTITUDE_DATA {
                        time_boot_ms: self.time_boot_ms,
                        ..Default::default()
                    })
                };
                let header = wire_support::header(self.sender.0.into(), self.sender.1, self.sequence);
                self.sequence = self.sequence.wrapping_add(1);
                self.time_boot_ms += 100;
                let Some(data) = &data else { return wire_support::v2(header, &message) };
                let mut raw = MAVLinkV2MessageRaw::new();
                raw.serialize_message_for_signing(header, &message);
                data.sign_message(&mut raw);
                assert!(data.verify_signature(&raw));
                raw.raw_bytes().to_vec()
            })
            .collect()
    }
}

/// 40 good frames, one of them again, 7 of another key, 5 without a signature.
fn log() -> Vec<Vec<u8>> {
    let mut vehicle = Stream::new(1, 1);
    let mut frames = vehicle.frames(40, Some((SECRET, 3)));
    frames.push(frames[39].clone());
    frames.extend(vehicle.frames(7, Some((OTHER, 4))));
    frames.extend(vehicle.frames(5, None));
    frames
}

struct Nothing;

impl BatchSink for Nothing {
    type Error = Infallible;
    fn batch(&mut self, _: &Message, _: arrow_array::RecordBatch) -> Result<(), Infallible> {
        Ok(())
    }
}

fn record(bytes: &[u8], key: Option<[u8; 32]>) -> Recording {
    let mut recorder = Recorder::new(Definitions::builtin(), false);
    if let Some(key) = key {
        recorder = recorder.with_key(Key::parse(&key).unwrap());
    }
    let used = recorder.feed(bytes, true, &mut Nothing).unwrap();
    assert_eq!(used, bytes.len());
    recorder.finish(&mut Nothing).unwrap()
}

/// (system, component, link), then verified, replayed, wrong, unverified.
type Link = ((u32, u8, u8), [u64; 4]);

fn links(recording: &Recording) -> Vec<Link> {
    let row = |(link, tally): &(fettle::wire::signature::Link, fettle::wire::signature::LinkTally)| {
        (
            (link.system_id, link.component_id, link.link_id),
            [tally.verified, tally.replayed, tally.wrong, tally.unverified],
        )
    };
    recording.signatures.iter().map(row).collect()
}

#[test]
fn the_recorder_judges_every_signed_frame_and_drops_none() {
    let bytes = log().concat();
    let with = record(&bytes, Some(SECRET));
    assert_eq!(links(&with), [((1, 1, 3), [40, 1, 0, 0]), ((1, 1, 4), [0, 0, 7, 0])]);
    let notes = with.notes.join("\n");
    for wanted in [
        "7 frame(s) of system 1 were not signed with the key given",
        "1 frame(s) of system 1 were signed with the key given, but not later",
        "40 frame(s) were signed with the key given",
        "5 frame(s) of system 1 component 1 carry no signature, 48 do",
    ] {
        assert!(notes.contains(wanted), "{wanted} is missing in\n{notes}");
    }

    let without = record(&bytes, None);
    assert_eq!(links(&without), [((1, 1, 3), [0, 0, 0, 41]), ((1, 1, 4), [0, 0, 0, 7])]);
    assert!(without.notes.contains(&"48 signed frame(s), not verified: no key given".to_owned()));

    let wrong = record(&bytes, Some([7; 32]));
    assert_eq!(links(&wrong), [((1, 1, 3), [0, 0, 41, 0]), ((1, 1, 4), [0, 0, 7, 0])]);
    assert!(wrong.notes.contains(&"48 frame(s) of system 1 were not signed with the key given".to_owned()));
    // 53 frames, whatever their signatures say.
    for recording in [&with, &without, &wrong] {
        assert_eq!(recording.integrity.frames, 53);
        assert_eq!(recording.messages, with.messages);
        assert_eq!(recording.vehicles[0].boots[0].signals.attitude.len(), 52);
    }
}

#[test]
fn an_undefined_message_is_verified_too() {
    // Heads and signature by hand, the hash by the crate `sha2` over key and frame (protocol guide, Message Signing).
    let mut frame = wire_support::by_hand(1, &[1], 54_321, &[9], 0, &[]);
    frame.push(2);
    frame.extend_from_slice(&77u64.to_le_bytes()[..6]);
    let hash = <sha2::Sha256 as sha2::Digest>::digest([&SECRET[..], &frame].concat());
    frame.extend_from_slice(&hash[..6]);
    let bytes = [frame, Stream::new(1, 1).frames(3, None).concat()].concat();
    let recording = record(&bytes, Some(SECRET));
    assert_eq!(recording.integrity.frames_unknown, 1);
    assert_eq!(links(&recording), [((1, 1, 2), [1, 0, 0, 0])]);
}

#[test]
fn a_log_without_signatures_says_so_only_to_a_key() {
    let bytes = Stream::new(1, 1).frames(20, None).concat();
    let plain = record(&bytes, None);
    assert!(plain.signatures.is_empty() && plain.notes.iter().all(|note| !note.contains("sign")));
    let keyed = record(&bytes, Some(SECRET));
    assert!(keyed.signatures.is_empty());
    assert!(keyed.notes.contains(&"a signing key was given, but no frame is signed".to_owned()));
}

#[test]
fn senders_are_told_apart() {
    let one = Stream::new(1, 1).frames(30, Some((SECRET, 0)));
    let two = Stream::new(2, 1).frames(20, Some((OTHER, 0)));
    let mixed = one.chunks(3).zip(two.chunks(2)).flat_map(|(one, two)| [one.concat(), two.concat()]);
    let bytes: Vec<u8> = mixed.flatten().collect();
    let recording = record(&bytes, Some(SECRET));
    assert_eq!(links(&recording), [((1, 1, 0), [30, 0, 0, 0]), ((2, 1, 0), [0, 0, 20, 0])]);
    assert!(
        recording.notes.contains(&"20 frame(s) of system 2 were not signed with the key given".to_owned())
    );
    assert!(!recording.notes.iter().any(|note| note.contains("of system 1")), "{:?}", recording.notes);
}

/// A classic capture of one UDP packet a frame; the headers are the crate `etherparse`'s, the file's head is
/// pcap-savefile(5)'s, its link type 101 is bare IP.
fn capture(frames: &[Vec<u8>]) -> Vec<u8> {
    let mut file = Vec::new();
    for word in [0xA1B2_C3D4u32, 4 << 16 | 2, 0, 0, 65_535, 101] {
        file.extend_from_slice(&word.to_le_bytes());
    }
    for (number, frame) in frames.iter().enumerate() {
        let (from, to) = ([192, 0, 2, 1], [192, 0, 2, 2]);
        let len = frame.len() as u16 + 8;
        let mut ip = etherparse::Ipv4Header::new(len, 64, etherparse::IpNumber::UDP, from, to).unwrap();
        ip.header_checksum = ip.calc_header_checksum();
        let udp = etherparse::UdpHeader::with_ipv4_checksum(14_550, 14_551, &ip, frame).unwrap();
        let packet = [&ip.to_bytes()[..], &udp.to_bytes()[..], frame].concat();
        let len = packet.len() as u32;
        // Two seconds apart: equal datagrams within one second are one, seen on two interfaces.
        for word in [1_789_000_000 + number as u32 * 2, 0, len, len] {
            file.extend_from_slice(&word.to_le_bytes());
        }
        file.extend_from_slice(&packet);
    }
    file
}

#[test]
fn in_a_packet_capture_as_well() {
    let recording = record(&capture(&log()), Some(SECRET));
    assert_eq!(recording.container, fettle::wire::Container::Pcap);
    assert_eq!(links(&recording), [((1, 1, 3), [40, 1, 0, 0]), ((1, 1, 4), [0, 0, 7, 0])]);
}

fn fettle(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_fettle")).args(arguments).env_remove("FETTLE_FLEET").output().unwrap()
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn hex(key: &[u8]) -> String {
    key.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn checked(schema: &str, document: Value) -> Value {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("schemas").join(schema);
    let schema: Value = serde_json::from_str(&fs::read_to_string(file).unwrap()).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    let wrong: Vec<String> = validator.iter_errors(&document).map(|e| e.to_string()).collect();
    assert!(wrong.is_empty(), "{wrong:?}");
    document
}

/// Nothing that the process said holds the key.
fn discreet(output: &Output) {
    let said = [&output.stdout[..], &output.stderr[..]].concat();
    let said = String::from_utf8_lossy(&said).to_lowercase();
    assert!(!said.contains("an invented key") && !said.contains(&hex(&SECRET)[..16]), "{said}");
}

fn link(link_id: u8, counts: [u64; 4]) -> Value {
    let [verified, replayed, wrong, unverified] = counts;
    json!({
        "system_id": 1, "component_id": 1, "link_id": link_id,
        "verified": verified, "replayed": replayed, "wrong": wrong, "unverified": unverified,
    })
}

#[test]
fn read_import_and_tables_take_the_key() {
    let dir = tempfile::tempdir().unwrap();
    let (path, key, digits) = (dir.path().join("log"), dir.path().join("key"), dir.path().join("digits"));
    fs::write(&path, log().concat()).unwrap();
    fs::write(&key, SECRET).unwrap();
    fs::write(&digits, format!("{}\n", hex(&SECRET).to_uppercase())).unwrap();
    let judged = json!([link(3, [40, 1, 0, 0]), link(4, [0, 0, 7, 0])]);

    for file in [&key, &digits] {
        let output = fettle(&["read", "--json", text(&path), "--signing-key", text(file)]);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        discreet(&output);
        let document = checked("read.schema.json", serde_json::from_slice(&output.stdout).unwrap());
        assert_eq!(document["log"]["signatures"], judged);
    }
    let output = fettle(&["read", "--json", text(&path)]);
    let document = checked("read.schema.json", serde_json::from_slice(&output.stdout).unwrap());
    assert_eq!(document["log"]["signatures"], json!([link(3, [0, 0, 0, 41]), link(4, [0, 0, 0, 7])]));
    let shown = fettle(&["read", text(&path), "--signing-key", text(&key)]);
    discreet(&shown);
    let words = String::from_utf8_lossy(&shown.stdout).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("7 frame(s) of system 1 were not signed with the key given"), "{words}");

    let fleet = dir.path().join("fleet");
    assert!(fettle(&["init", text(&fleet)]).status.success());
    let output =
        fettle(&["import", "--json", "--fleet", text(&fleet), "--signing-key", text(&key), text(&path)]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    discreet(&output);
    let stdout = String::from_utf8_lossy(&output.stdout).into_owned();
    let records: Vec<Value> =
        stdout.lines().map(|l| checked("records.schema.json", serde_json::from_str(l).unwrap())).collect();
    let log_row = records.iter().find(|r| r["type"] == "log").unwrap();
    assert_eq!(log_row["signatures"], judged);
    assert_eq!(archived(&fleet.join("archive/logs")), judged);
    // A time told later is told without the key; what was verified stays.
    let output = fettle(&["clock", text(&path), "--fleet", text(&fleet), "--starts", "2026-09-14T08:30:00Z"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(!String::from_utf8_lossy(&output.stdout).contains("not verified"));
    assert_eq!(archived(&fleet.join("archive/logs")), judged);

    let out = dir.path().join("tables");
    let output = fettle(&["tables", text(&path), "-o", text(&out), "--signing-key", text(&key)]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    discreet(&output);
    assert!(out.join("ATTITUDE.parquet").is_file());
}

/// The column `signatures` of the one log row.
fn archived(folder: &Path) -> Value {
    use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
    let (mut folders, mut files) = (vec![folder.to_owned()], Vec::new());
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() { folders.push(path) } else { files.push(path) }
        }
    }
    let [file] = &files[..] else { panic!("{files:?}") };
    let mut reader =
        ParquetRecordBatchReaderBuilder::try_new(fs::File::open(file).unwrap()).unwrap().build().unwrap();
    let batch = reader.next().unwrap().unwrap();
    let column = batch["signatures"].as_any().downcast_ref::<arrow_array::StringArray>().unwrap();
    serde_json::from_str(column.value(0)).unwrap()
}

#[test]
fn what_is_no_key_is_one_line_that_shows_nothing_of_it() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("log");
    fs::write(&path, log().concat()).unwrap();
    let key = dir.path().join("key");
    let bad: [(Vec<u8>, &str); 5] = [
        (Vec::new(), "this has 0 bytes"),
        (SECRET[..31].to_vec(), "this has 31 bytes"),
        ([&SECRET[..], b"\n"].concat(), "this has 33 bytes"),
        (hex(&SECRET).as_bytes()[..62].to_vec(), "this has 62 bytes"),
        (hex(&SECRET).repeat(40).into_bytes(), "longer than 1024 bytes"),
    ];
    for (content, why) in bad {
        fs::write(&key, content).unwrap();
        for command in
            [vec!["read", text(&path)], vec!["tables", text(&path), "-o", text(&dir.path().join("out"))]]
        {
            let output = fettle(&[&command[..], &["--signing-key", text(&key)]].concat());
            discreet(&output);
            assert_eq!(output.status.code(), Some(1), "{command:?}");
            let stderr = String::from_utf8_lossy(&output.stderr).into_owned();
            assert_eq!(stderr.lines().count(), 1, "{stderr}");
            assert!(stderr.contains("a signing key is 32 bytes") && stderr.contains(why), "{stderr}");
            assert!(output.stdout.is_empty());
        }
    }
    let output = fettle(&["read", text(&path), "--signing-key", text(&dir.path().join("none"))]);
    assert_eq!(output.status.code(), Some(1));
    let stderr = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(stderr.contains("cannot read the signing key") && stderr.lines().count() == 1, "{stderr}");
}
