//! The real process: streams, exit codes, bad input, and JSON against the published schemas (validated by
//! the general-purpose crate `jsonschema`).
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn samples() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs")
}

fn fettle(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_fettle")).args(arguments).env_remove("FETTLE_FLEET").output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

fn fleet() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    fs::copy(samples().join("fleet.toml"), dir.path().join("fleet.toml")).unwrap();
    dir
}

fn path(dir: &Path) -> &str {
    dir.to_str().unwrap()
}

fn validator(name: &str) -> jsonschema::Validator {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("schemas").join(format!("{name}.schema.json"));
    let schema: Value = serde_json::from_str(&fs::read_to_string(file).unwrap()).unwrap();
    jsonschema::validator_for(&schema).unwrap()
}

fn lines(output: &Output) -> Vec<Value> {
    let validator = validator("records");
    text(&output.stdout)
        .lines()
        .map(|line| {
            let record: Value = serde_json::from_str(line).unwrap();
            let wrong: Vec<String> = validator.iter_errors(&record).map(|e| e.to_string()).collect();
            assert!(wrong.is_empty(), "{line}\n{wrong:?}");
            record
        })
        .collect()
}

/// Every file under a folder with its bytes.
fn contents(root: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut found = Vec::new();
    let mut folders = vec![root.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path)
            } else {
                found.push((path.clone(), fs::read(&path).unwrap()))
            }
        }
    }
    found.sort();
    found
}

#[test]
fn the_sample_cards_import_with_their_stated_flights_and_faults() {
    let dir = fleet();
    let output = fettle(&["import", "--json", "--fleet", path(dir.path()), path(&samples())]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let records = lines(&output);
    let flights: Vec<&Value> = records.iter().filter(|r| r["type"] == "flight").collect();
    assert_eq!(flights.len(), 21);
    let findings: Vec<&Value> = records.iter().filter(|r| r["type"] == "finding").collect();
    let of = |aircraft: &str, kind: &str| {
        findings.iter().filter(|f| f["aircraft"] == aircraft && f["kind"] == kind).count()
    };
    assert_eq!(
        findings.iter().filter(|f| f["aircraft"] == "heron" && f["severity"] != "advisory").count(),
        0
    );
    assert_eq!(of("egret", "yaw_bias_change"), 2, "the boom clamp slipped before the last two flights");
    assert_eq!(of("plover", "vibration_rise"), 2, "the propeller wore before the last two flights");
    let drag: Vec<&&Value> = findings.iter().filter(|f| f["kind"] == "motor_drag").collect();
    assert!(drag.iter().all(|f| f["aircraft"] == "plover" && f["subject"] == "rear-right"), "{drag:?}");
    assert_eq!(drag.len(), 2, "its motor is named from ESC data");

    let before = contents(dir.path());
    let again = fettle(&["import", "--fleet", path(dir.path()), path(&samples())]);
    assert_eq!(again.status.code(), Some(0));
    assert!(text(&again.stdout).contains("20 log(s) imported before"), "{}", text(&again.stdout));
    assert!(before == contents(dir.path()), "importing twice changes nothing");
    assert!(before.iter().all(|(p, _)| !p.to_string_lossy().ends_with(".part")), "nothing temporary is left");
    for orphan in [".staging.1-0.part/ATTITUDE.parquet", "raw/.copy.1-0.part"] {
        let orphan = dir.path().join("archive").join(orphan);
        fs::create_dir_all(orphan.parent().unwrap()).unwrap();
        fs::write(orphan, "left by a process that was killed").unwrap();
    }
    fettle(&["import", "--fleet", path(dir.path()), path(&samples())]);
    assert!(before == contents(dir.path()), "what a killed import left is swept by the next");

    for command in ["flights", "findings"] {
        let listed = fettle(&[command, "--json", "--fleet", path(dir.path()), "--aircraft", "egret"]);
        assert!(lines(&listed).iter().all(|r| r["type"] == "summary" || r["aircraft"] == "egret"));
    }
    let since = fettle(&["flights", "--json", "--fleet", path(dir.path()), "--since", "2026-09-16"]);
    assert_eq!(lines(&since).iter().filter(|r| r["type"] == "flight").count(), 2);
    let failing = fettle(&["findings", "--fleet", path(dir.path()), "--fail-on", "caution"]);
    assert_eq!(failing.status.code(), Some(4));
}

#[test]
fn what_read_says_of_a_log_fits_a_terminal() {
    let dir = fleet();
    let log = samples().join("heron/2026-09-02.mavlink");
    let output = fettle(&["read", "--fleet", path(dir.path()), path(&log)]);
    let said = text(&output.stdout);
    // The first line is the path.
    assert!(said.lines().skip(1).all(|l| l.chars().count() <= 80), "{said}");
    let notes = said.lines().filter(|l| l.starts_with("    ")).count();
    assert!(notes > 0 && said.contains("2026-09-02T08:46:40Z"), "{said}");
}

#[test]
fn the_summary_tells_what_goes_on_once_most_urgent_first() {
    let dir = fleet();
    let output = fettle(&["import", "--fleet", path(dir.path()), path(&samples())]);
    let summary = text(&output.stdout);
    assert!(summary.lines().all(|l| l.chars().count() <= 80), "{summary}");
    let headings: Vec<&str> =
        summary.lines().filter(|l| ["WARN", "CAUT", "ADVI"].iter().any(|w| l.starts_with(w))).collect();
    let rank = |l: &str| ["WARNING", "CAUTION", "ADVISORY"].iter().position(|w| l.starts_with(w));
    assert!(headings.is_sorted_by_key(|l| rank(l)), "{headings:?}");
    // Faults that stay from the sixth flight to the seventh are one entry each.
    for (heading, since) in [
        ("egret: steady yaw effort moved (", "in 2 flights since 2026-09-15"),
        ("plover: vibration, y axis (", "in 2 flights since 2026-09-15"),
        ("plover: motor drag, rear-right (", "in 2 flights since 2026-09-15"),
    ] {
        assert_eq!(headings.iter().filter(|h| h.contains(heading)).count(), 1, "{heading}: {headings:#?}");
        let entry = summary.split("\n\n").find(|e| e.contains(heading)).unwrap();
        assert!(entry.contains(since), "{entry}");
    }
    let listed = text(&fettle(&["findings", "--fleet", path(dir.path())]).stdout);
    assert!(headings.iter().all(|h| listed.contains(h)), "{listed}");
    let records = lines(&fettle(&["findings", "--json", "--fleet", path(dir.path())]));
    let drag = records.iter().filter(|r| r["kind"] == "motor_drag").count();
    assert_eq!(drag, 2, "machine output keeps one object a finding");
}

#[test]
fn a_limit_changed_in_the_settings_counts_after_reassess() {
    let dir = fleet();
    fettle(&["import", "--fleet", path(dir.path()), path(&samples().join("plover"))]);
    let drags = || {
        let records = lines(&fettle(&["findings", "--json", "--fleet", path(dir.path())]));
        records.iter().filter(|r| r["kind"] == "motor_drag").count()
    };
    assert_eq!(drags(), 2);
    let unchanged = contents(dir.path());
    let again = fettle(&["reassess", "--fleet", path(dir.path())]);
    assert_eq!(again.status.code(), Some(0), "{}", text(&again.stderr));
    let said = text(&again.stdout).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("6 finding(s), 0 new or changed in severity, 0 gone"), "{said}");
    assert!(unchanged == contents(dir.path()), "nothing changed, nothing written");

    let settings = dir.path().join("fleet.toml");
    let before = fs::read_to_string(&settings).unwrap();
    assert!(!before.contains("[limits]"));
    let wide = "\n[limits]\nmotor_torque_ratio = { advisory = 1.9, caution = 1.95, warning = 2.0 }\n";
    fs::write(&settings, format!("{before}{wide}")).unwrap();
    assert_eq!(drags(), 2, "findings stay until they are computed again");
    let records = lines(&fettle(&["reassess", "--json", "--fleet", path(dir.path())]));
    assert_eq!(records.last().unwrap()["findings_gone"], 2);
    assert_eq!(drags(), 0);
    fs::write(&settings, before).unwrap();
    let failing = fettle(&["reassess", "--fleet", path(dir.path()), "--fail-on", "advisory"]);
    assert_eq!(failing.status.code(), Some(4));
    assert!(unchanged == contents(dir.path()), "the old limits give the old findings");
    let none = fettle(&["reassess", "--fleet", path(dir.path()), "--aircraft", "gannet"]);
    assert_eq!(none.status.code(), Some(1));
}

#[test]
fn airtimes_of_the_samples_agree_with_the_simulator() {
    let truth: Value =
        serde_json::from_str(&fs::read_to_string(samples().join("truth.json")).unwrap()).unwrap();
    let mut true_airtimes: Vec<f64> = Vec::new();
    for log in truth.as_array().unwrap() {
        for flight in log["truth"]["flights"].as_array().unwrap() {
            let at = |key: &str| flight[key].as_f64().unwrap();
            true_airtimes.push(at("touchdown_boot_ms") - at("takeoff_boot_ms"));
        }
    }
    let dir = fleet();
    let output = fettle(&["import", "--json", "--fleet", path(dir.path()), path(&samples())]);
    let mut found: Vec<f64> = lines(&output)
        .iter()
        .filter(|r| r["type"] == "flight")
        .map(|r| r["airtime_ms"].as_f64().unwrap())
        .collect();
    true_airtimes.sort_by(f64::total_cmp);
    found.sort_by(f64::total_cmp);
    assert_eq!(found.len(), true_airtimes.len());
    for (found, truth) in found.iter().zip(&true_airtimes) {
        assert!((found - truth).abs() <= 300.0, "{found} ms against {truth} ms");
    }
}

#[test]
fn read_gives_one_document_on_the_schema_and_stores_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let log = dir.path().join("a.bin");
    fs::copy(samples().join("heron/2026-09-11.mavlink"), &log).unwrap();
    let output = fettle(&["read", "--json", path(&log)]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let document: Value = serde_json::from_slice(&output.stdout).unwrap();
    let wrong: Vec<String> = validator("read").iter_errors(&document).map(|e| e.to_string()).collect();
    assert!(wrong.is_empty(), "{wrong:?}");
    assert_eq!(document["flights"].as_array().unwrap().len(), 2);
    assert_eq!(document["log"]["container"], "timestamped");
    assert_eq!(document["log"]["bytes_skipped"], 0);
    assert!(text(&output.stderr).contains("fleet.toml"), "says how to name an unknown aircraft");
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
}

#[test]
fn bad_input_gets_a_clear_line_each_and_the_rest_is_imported() {
    let dir = fleet();
    let card = tempfile::tempdir().unwrap();
    let good = fs::read(samples().join("egret/2026-09-02.mavlink")).unwrap();
    let cut = fs::read(samples().join("egret/2026-09-03.mavlink")).unwrap();
    let mut noise = vec![0u8; 1 << 20];
    let mut state = 0x9e37_79b9_7f4a_7c15u64;
    for byte in &mut noise {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        *byte = (state >> 56) as u8;
    }
    let jpeg: &[u8] = b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00\xff\xd9";
    for (name, bytes) in [
        ("empty.bin", &[][..]),
        ("photo.jpg", jpeg),
        ("notes.txt", b"flew heron at dawn, wind south-west\n"),
        ("cut.bin", &cut[..cut.len() / 2 + 5]),
        ("noise.bin", &noise),
        ("good.bin", &good),
    ] {
        fs::write(card.path().join(name), bytes).unwrap();
    }
    let output = fettle(&["import", "--fleet", path(dir.path()), path(card.path())]);
    let errors = text(&output.stderr);
    assert_eq!(output.status.code(), Some(3), "{errors}");
    for (name, words) in [("empty.bin", "empty"), ("noise.bin", "check that this is a raw telemetry log")] {
        let line =
            errors.lines().find(|l| l.contains(name)).unwrap_or_else(|| panic!("{name} not named: {errors}"));
        assert!(line.contains(words), "{line}");
    }
    for quiet in ["cut.bin", "good.bin", "photo.jpg", "notes.txt"] {
        assert!(!errors.contains(quiet), "{errors}");
    }
    assert!(errors.contains("2 path(s) beside the logs are something else"), "{errors}");
    assert!(text(&output.stdout).contains("2 new log(s), 2 flight(s)"), "{}", text(&output.stdout));

    let listed = fettle(&["import", "--passed-over", "--fleet", path(dir.path()), path(card.path())]);
    for (name, what) in [("photo.jpg", "image/jpeg"), ("notes.txt", "text")] {
        let errors = text(&listed.stderr);
        assert!(errors.lines().any(|l| l.contains(name) && l.ends_with(what)), "{errors}");
    }

    // What is named is answered for.
    let nothing = fettle(&["import", "--fleet", path(dir.path()), path(&card.path().join("photo.jpg"))]);
    assert_eq!(nothing.status.code(), Some(1));
    assert!(text(&nothing.stderr).contains("no valid MAVLink frame"), "{}", text(&nothing.stderr));
    assert!(nothing.stdout.is_empty() || !text(&nothing.stdout).contains("flight(s);"));
    let missing = fettle(&["read", "no-such-file"]);
    assert_eq!(missing.status.code(), Some(1));
    assert!(missing.stdout.is_empty());
    assert_eq!(fettle(&["raed"]).status.code(), Some(2));
}

#[test]
fn a_second_copy_of_what_is_no_log_is_no_log_either() {
    let dir = fleet();
    let card = tempfile::tempdir().unwrap();
    let noise: Vec<u8> = (0..40_000u32).map(|n| n.wrapping_mul(2_654_435_761).to_be_bytes()[0]).collect();
    for name in ["a.bin", "b.bin", "c.bin"] {
        fs::write(card.path().join(name), &noise).unwrap();
    }
    let alone = fettle(&["import", "--fleet", path(dir.path()), path(card.path())]);
    assert_eq!(alone.status.code(), Some(1), "{}", text(&alone.stdout));
    assert!(text(&alone.stderr).contains("3 path(s) could not be used; nothing was imported"));
    fs::copy(samples().join("egret/2026-09-02.mavlink"), card.path().join("good")).unwrap();
    let beside = fettle(&["import", "--json", "--fleet", path(dir.path()), path(card.path())]);
    assert_eq!(beside.status.code(), Some(3));
    let summary = lines(&beside).pop().unwrap();
    assert_eq!((&summary["logs_known"], &summary["unusable"]), (&0.into(), &3.into()));
    assert!(text(&beside.stderr).contains("3 path(s) could not be used; the rest was imported"));
}

#[cfg(target_os = "linux")]
#[test]
fn an_answer_that_cannot_be_written_is_no_success() {
    let dir = fleet();
    let log = samples().join("heron/2026-09-02.mavlink");
    for arguments in [&["flights"][..], &["feed"], &["feed", "--csv"], &["import", path(&log)]] {
        let full = fs::File::options().write(true).open("/dev/full").unwrap();
        let mut command = Command::new(env!("CARGO_BIN_EXE_fettle"));
        let output = command.args(arguments).env("FETTLE_FLEET", dir.path()).stdout(full).output().unwrap();
        assert_eq!(output.status.code(), Some(1), "{arguments:?}");
        assert!(text(&output.stderr).contains("cannot write the answer"), "{}", text(&output.stderr));
    }
    // Nobody who reads on: that is the reader's choice.
    let mut command = Command::new(env!("CARGO_BIN_EXE_fettle"));
    command.args(["flights", "--fleet", path(dir.path())]).stdout(std::process::Stdio::piped());
    let mut child = command.spawn().unwrap();
    drop(child.stdout.take());
    assert_eq!(child.wait().unwrap().code(), Some(0));
}

#[test]
fn tables_are_written_once_and_read_back_by_a_general_reader() {
    use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
    let dir = tempfile::tempdir().unwrap();
    let log = samples().join("plover/2026-09-02.mavlink");
    let arguments = ["tables", path(&log), "-o", path(dir.path())];
    assert_eq!(fettle(&arguments).status.code(), Some(0));
    let document: Value = serde_json::from_slice(&fettle(&["read", "--json", path(&log)]).stdout).unwrap();
    let mut rows_total = 0;
    for message in document["log"]["messages"].as_array().unwrap() {
        let file = fs::File::open(dir.path().join(format!("{}.parquet", message["name"].as_str().unwrap())))
            .unwrap();
        let reader = ParquetRecordBatchReaderBuilder::try_new(file).unwrap().build().unwrap();
        let rows: usize = reader.map(|b| b.unwrap().num_rows()).sum();
        assert_eq!(rows as u64, message["count"].as_u64().unwrap(), "{message}");
        rows_total += rows;
    }
    assert_eq!(rows_total as u64, document["log"]["frames"].as_u64().unwrap());
    let again = fettle(&arguments);
    assert_eq!(again.status.code(), Some(1));
    assert!(text(&again.stderr).contains("--force"));
    assert_eq!(fettle(&[&arguments[..], &["--force"]].concat()).status.code(), Some(0));
}

#[test]
fn init_makes_a_fleet_and_never_replaces_one() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path().join("fleet");
    assert_eq!(fettle(&["init", path(&root)]).status.code(), Some(0));
    assert_eq!(fettle(&["flights", "--fleet", path(&root)]).status.code(), Some(0));
    let again = fettle(&["init", path(&root)]);
    assert_eq!(again.status.code(), Some(1));
    assert!(text(&again.stderr).contains("exists already"));
    fs::write(root.join("fleet.toml"), "[fleet]\nnane = \"x\"\n").unwrap();
    let wrong = fettle(&["flights", "--fleet", path(&root)]);
    assert!(text(&wrong.stderr).contains("fleet.toml:2:1: unknown key nane"), "{}", text(&wrong.stderr));
}
