//! The walk-through in the README, run as a new user would: every shell block under "Logbook", in order, in
//! an empty folder beside the sample cards. A command that fails ends it.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]
#![cfg(unix)]

use std::fs;
use std::path::Path;
use std::process::Command;

fn blocks() -> String {
    let readme = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).unwrap();
    let section = readme.split_once("\n## Logbook\n").unwrap().1;
    let section = section.split("\n## ").next().unwrap();
    let shell = section.split("```sh\n").skip(1).map(|b| b.split("```").next().unwrap());
    shell.collect::<Vec<_>>().join("\n")
}

#[test]
fn the_walk_through_of_the_readme_runs() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let dir = tempfile::tempdir().unwrap();
    std::os::unix::fs::symlink(root.join("sample-logs"), dir.path().join("sample-logs")).unwrap();
    let program = Path::new(env!("CARGO_BIN_EXE_fettle")).parent().unwrap();
    let path = format!("{}:{}", program.display(), std::env::var("PATH").unwrap());
    let blocks = blocks();
    assert!(blocks.lines().filter(|l| l.starts_with("fettle ")).count() >= 8, "{blocks}");
    let output = Command::new("sh")
        .args(["-e", "-c", &blocks])
        .current_dir(dir.path())
        .env("PATH", path)
        .env_remove("FETTLE_FLEET")
        .stdin(std::process::Stdio::null())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{said}\n{}", String::from_utf8_lossy(&output.stderr));
    assert!(said.contains("heron front-right") && said.contains("all whole"), "{said}");
    for (file, words) in [
        ("feed.ndjson", "\"type\":\"usage\""),
        ("feed.csv", "propeller:P1"),
        ("due.ics", "SUMMARY:heron: "),
        ("logbook.ndjson", "\"type\":\"feed_event\""),
    ] {
        assert!(fs::read_to_string(dir.path().join(file)).unwrap().contains(words), "{file}");
    }
}
