//! A fleet folder over the sample cards, and the program run on it.
#![allow(dead_code, reason = "each test file uses its own part")]

use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

/// A fleet folder, and the program over it.
pub struct Fleet(pub tempfile::TempDir);

impl Fleet {
    /// `init`.
    pub fn empty() -> Fleet {
        let fleet = Fleet(tempfile::tempdir().unwrap());
        fleet.ok(&["init", fleet.path(), "--name", "Test"]);
        fleet
    }

    /// `init`, the sample aircraft and the sample cards.
    pub fn flown() -> Fleet {
        let fleet = Fleet::described();
        fleet.ok(&["import", "--quiet", samples().to_str().unwrap()]);
        fleet
    }

    /// `init` and the sample aircraft.
    pub fn described() -> Fleet {
        let fleet = Fleet::empty();
        let samples = samples();
        let settings = fleet.0.path().join("fleet.toml");
        let own = fs::read_to_string(samples.join("fleet.toml")).unwrap();
        let aircraft = own.split_once("[[aircraft]]").unwrap().1;
        let text = fs::read_to_string(&settings).unwrap() + "\n[[aircraft]]" + aircraft;
        fs::write(&settings, text).unwrap();
        fleet
    }

    pub fn path(&self) -> &str {
        self.0.path().to_str().unwrap()
    }

    pub fn run(&self, arguments: &[&str]) -> Output {
        let mut command = Command::new(env!("CARGO_BIN_EXE_fettle"));
        command.args(arguments).env("FETTLE_FLEET", self.0.path()).stdin(Stdio::null());
        command.output().unwrap()
    }

    pub fn ok(&self, arguments: &[&str]) -> String {
        let output = self.run(arguments);
        assert_eq!(output.status.code(), Some(0), "{arguments:?}: {}", text(&output.stderr));
        text(&output.stdout)
    }

    /// The error of a command that must fail, and did nothing else.
    pub fn refused(&self, arguments: &[&str]) -> String {
        let output = self.run(arguments);
        assert_eq!(output.status.code(), Some(1), "{arguments:?}: {}", text(&output.stdout));
        assert!(output.stdout.is_empty(), "{arguments:?}");
        text(&output.stderr)
    }

    /// The records of a `--json` command, each checked against the schema.
    pub fn records(&self, arguments: &[&str]) -> Vec<Value> {
        self.checked(arguments, "logbook")
    }

    /// The same against any schema.
    pub fn checked(&self, arguments: &[&str], schema: &str) -> Vec<Value> {
        let file = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("schemas/{schema}.schema.json"));
        let schema: Value = serde_json::from_str(&fs::read_to_string(file).unwrap()).unwrap();
        let validator = jsonschema::validator_for(&schema).unwrap();
        let read = |line: &str| {
            let record: Value = serde_json::from_str(line).unwrap();
            let wrong: Vec<String> = validator.iter_errors(&record).map(|e| e.to_string()).collect();
            assert!(wrong.is_empty(), "{line}\n{wrong:?}");
            record
        };
        self.ok(arguments).lines().map(read).collect()
    }

    pub fn flights(&self, aircraft: &str) -> Vec<Value> {
        let all = self.ok(&["flights", "--json", "--aircraft", aircraft]);
        let all = all.lines().map(|l| serde_json::from_str::<Value>(l).unwrap());
        all.filter(|r| r["type"] == "flight").collect()
    }
}

pub fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

pub fn of<'r>(records: &'r [Value], kind: &str) -> Vec<&'r Value> {
    records.iter().filter(|r| r["type"] == kind).collect()
}

/// The folder of the sample cards.
pub fn samples() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs")
}
