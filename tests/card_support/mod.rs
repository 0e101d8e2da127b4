//! A fleet folder and a card beside it, through the binary.
#![allow(dead_code, reason = "each test file uses its own part")]
#![allow(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use fettle::wire::{Definitions, Frame, Scanner};
use proptest::prelude::prop;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

pub struct Fleet {
    pub dir: tempfile::TempDir,
}

impl Fleet {
    pub fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        fs::create_dir_all(dir.path().join("fleet")).unwrap();
        fs::create_dir_all(dir.path().join("card/heron")).unwrap();
        let settings = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs/fleet.toml");
        fs::copy(settings, dir.path().join("fleet/fleet.toml")).unwrap();
        Fleet { dir }
    }

    pub fn put(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.dir.path().join("card/heron").join(name);
        fs::write(&path, bytes).unwrap();
        path
    }

    pub fn fettle(&self, arguments: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_fettle"))
            .current_dir(self.dir.path())
            .args(arguments)
            .env("FETTLE_FLEET", self.dir.path().join("fleet"))
            .output()
            .unwrap()
    }

    /// Imports and returns the summary.
    pub fn import(&self, paths: &[PathBuf]) -> Value {
        let mut arguments = vec!["import".to_owned(), "--json".to_owned()];
        // As given on the command line, the same in every fleet.
        arguments
            .extend(paths.iter().map(|p| p.strip_prefix(self.dir.path()).unwrap().display().to_string()));
        let output = self.fettle(&arguments.iter().map(String::as_str).collect::<Vec<_>>());
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout)
            .unwrap()
            .lines()
            .last()
            .map(|l| serde_json::from_str(l).unwrap())
            .unwrap()
    }

    /// Imports files, beginning with any of them, all at once or one by one.
    pub fn import_turned(&self, files: &mut [PathBuf], order: prop::sample::Index, together: bool) {
        files.rotate_left(order.index(files.len()));
        if together {
            self.import(files);
        } else {
            files.iter().for_each(|file| drop(self.import(std::slice::from_ref(file))));
        }
    }

    /// The flights without their ids.
    pub fn flights(&self) -> Vec<Value> {
        let output = self.fettle(&["flights", "--json"]);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let lines = String::from_utf8(output.stdout).unwrap();
        let records = lines.lines().map(|l| serde_json::from_str::<Value>(l).unwrap());
        records
            .filter(|r| r["type"] == "flight")
            .map(|mut r| {
                r.as_object_mut().unwrap().remove("flight_id");
                r
            })
            .collect()
    }

    /// Every file of the archive by its name.
    pub fn archive(&self) -> BTreeMap<PathBuf, Vec<u8>> {
        let root = self.dir.path().join("fleet/archive");
        let mut files = BTreeMap::new();
        let mut folders = vec![root.clone()];
        while let Some(folder) = folders.pop() {
            for entry in fs::read_dir(&folder).unwrap() {
                let path = entry.unwrap().path();
                if path.is_dir() {
                    folders.push(path);
                } else {
                    files.insert(path.strip_prefix(&root).unwrap().to_owned(), fs::read(&path).unwrap());
                }
            }
        }
        files
    }
}

pub fn sample() -> Vec<u8> {
    fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs/heron/2026-09-02.mavlink")).unwrap()
}

/// The pieces between cuts; none is shorter than `least` bytes.
pub fn pieces(bytes: &[u8], mut cuts: Vec<usize>, least: usize) -> Vec<&[u8]> {
    cuts.sort_unstable();
    let (mut pieces, mut from) = (Vec::new(), 0);
    for cut in cuts {
        if cut < bytes.len() && cut - from >= least && bytes.len() - cut >= least {
            pieces.push(&bytes[from..cut]);
            from = cut;
        }
    }
    pieces.push(&bytes[from..]);
    pieces
}

/// The frames of a log with other payloads, back to back; checksums by the independent crate.
pub fn with_payloads(bytes: &[u8], mut change: impl FnMut(&Frame<'_>, &mut [u8])) -> Vec<u8> {
    let mut changed = Vec::new();
    Scanner::new(Definitions::builtin()).scan(bytes, true, &mut |frame| {
        let mut raw = frame.raw.to_vec();
        let head = frame.raw.len() - frame.payload.len() - 2;
        change(frame, &mut raw[head..head + frame.payload.len()]);
        let end = raw.len() - 2;
        let crc = mavlink::calculate_crc(&raw[1..end], frame.message.unwrap().crc_extra);
        raw[end..].copy_from_slice(&crc.to_le_bytes());
        changed.extend_from_slice(&raw);
    });
    changed
}

/// The frames of a log that `keep` wants, back to back.
pub fn only(bytes: &[u8], mut keep: impl FnMut(&Frame<'_>) -> bool) -> Vec<u8> {
    let mut kept = Vec::new();
    Scanner::new(Definitions::builtin()).scan(bytes, true, &mut |frame| {
        if keep(frame) {
            kept.extend_from_slice(frame.raw);
        }
    });
    kept
}

/// The log of a lone autopilot that never learns the time.
pub fn undated(bytes: &[u8]) -> Vec<u8> {
    with_payloads(&only(bytes, |frame| frame.component_id == 1), |frame, payload| {
        // SYSTEM_TIME and GPS_RAW_INT begin with the Unix time in microseconds.
        if [2, 24].contains(&frame.message_id) {
            payload[..8].fill(0);
        }
    })
}
