//! Computation knows no I/O: a test, not a wish.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

use std::fs;
use std::path::{Path, PathBuf};

const PURE: [&str; 14] = [
    "capture",
    "wire",
    "table",
    "clock",
    "signal",
    "recording",
    "airframe",
    "stats",
    "flight",
    "measure",
    "finding",
    "fleet",
    "assess",
    "usage",
];
const OUTSIDE: [&str; 11] = [
    "std::fs",
    "fs::",
    "io::",
    "env::",
    "File::",
    "println!",
    "eprintln!",
    "SystemTime::now",
    "Instant::now",
    "crate::cli",
    "crate::report",
];
/// What each folder must not know, beside I/O: arrows point one way.
const UPWARD: [(&str, &[&str]); 9] = [
    ("capture", &["crate::table", "crate::signal", "crate::flight", "crate::measure", "crate::finding"]),
    ("wire", &["crate::table", "crate::signal", "crate::flight", "crate::measure", "crate::finding"]),
    ("table", &["crate::signal", "crate::flight", "crate::measure", "crate::finding"]),
    ("signal", &["crate::flight", "crate::measure", "crate::finding", "crate::archive"]),
    ("flight", &["crate::measure", "crate::finding", "crate::archive", "crate::fleet"]),
    ("measure", &["crate::finding", "crate::archive", "crate::fleet", "crate::flight"]),
    ("finding", &["crate::archive", "crate::fleet", "crate::assess"]),
    ("fleet", &["crate::usage", "crate::logbook", "crate::archive"]),
    ("usage", &["crate::logbook", "crate::archive", "rusqlite"]),
];

fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(rust_files(&path));
        } else if path.extension().is_some_and(|e| e == "rs") && !path.to_string_lossy().ends_with("tests.rs")
        {
            found.push(path);
        }
    }
    found
}

fn breaches(folder: &str, words: &[&str]) -> Vec<String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src").join(folder);
    let mut found = Vec::new();
    for file in rust_files(&root) {
        let text = fs::read_to_string(&file).unwrap();
        let code = text.split("#[cfg(test)]").next().unwrap();
        for (number, line) in code.lines().enumerate().filter(|(_, l)| !l.trim_start().starts_with("//")) {
            for word in words.iter().filter(|w| {
                line.match_indices(**w)
                    .any(|(at, _)| !line[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_'))
            }) {
                found.push(format!("{}:{}: {word}", file.display(), number + 1));
            }
        }
    }
    found
}

#[test]
fn computation_knows_no_io() {
    let found: Vec<String> = PURE.iter().flat_map(|folder| breaches(folder, &OUTSIDE)).collect();
    assert!(found.is_empty(), "move these to src/cli or src/archive:\n{}", found.join("\n"));
}

#[test]
fn arrows_point_one_way() {
    let found: Vec<String> = UPWARD.iter().flat_map(|(folder, words)| breaches(folder, words)).collect();
    assert!(found.is_empty(), "these know what comes after them:\n{}", found.join("\n"));
}
