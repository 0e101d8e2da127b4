//! The logbook as a file: what it refuses, that tampering shows, that nothing is lost by export, migration or
//! a process killed while writing.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

use fettle::logbook::schema::{APPLICATION_ID, MIGRATIONS};
use fettle::logbook::{Draft, Line, Logbook};
use fettle::usage::entry::{
    Action, Answer, ComponentId, Event, Fit, NewComponent, Off, Place, Reading, Remove, Sign, Verdict,
};
use rusqlite::Connection;
use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

fn draft(at_us: i64, action: Action) -> Draft {
    Draft { at_us, action, corrects: None }
}

fn component(serial: &str) -> Action {
    Action::Component(NewComponent {
        kind: "propeller".into(),
        serial: serial.into(),
        note: Some("a \"quoted\" note, ünïcode, tab\t and newline\n".into()),
        ..Default::default()
    })
}

fn fit(position: &str, serial: &str) -> Action {
    let places = vec![Place { kind: "propeller".into(), serial: serial.into(), position: position.into() }];
    Action::Fit(Fit { aircraft: "heron".into(), places, ..Default::default() })
}

fn remove(serial: &str) -> Action {
    let components = vec![ComponentId { kind: "propeller".into(), serial: serial.into() }];
    Action::Remove(Remove { components, to: Off::InStock, ..Default::default() })
}

/// A logbook with one entry of most kinds.
fn filled(path: &Path) -> Logbook {
    let mut logbook = Logbook::open(path, 0).unwrap();
    let sign = Sign {
        task: "look".into(),
        by: "A. Person".into(),
        readings: vec![Reading { name: "torque".into(), value: "2.10".into(), unit: "N m".into() }],
        ..Default::default()
    };
    let answer =
        Answer { finding_id: "ab".into(), answer: Verdict::CauseFound, by: "B".into(), ..Default::default() };
    let event = Event { aircraft: "heron".into(), event: "hard landing".into(), note: None };
    let drafts = [
        draft(1, component("P1")),
        draft(2, component("P2")),
        draft(10, fit("front", "P1")),
        draft(20, remove("P1")),
        draft(20, fit("front", "P2")),
        draft(30, Action::Sign(sign)),
        draft(31, Action::Answer(answer)),
        draft(32, Action::Event(event)),
    ];
    assert_eq!(logbook.append(0, &drafts, 99).unwrap(), [1, 2, 3, 4, 5, 6, 7, 8]);
    logbook
}

/// Every row of both tables, as text.
fn tables(path: &Path) -> BTreeSet<String> {
    let db = Connection::open(path).unwrap();
    let mut rows = BTreeSet::new();
    for sql in [
        "SELECT json_array(kind, serial, part_number, state, entry) FROM component",
        "SELECT json_array(c.serial, f.kind, aircraft, position, from_utc_us, to_utc_us) \
         FROM fitting f JOIN component c ON c.id = f.component",
    ] {
        let mut statement = db.prepare(sql).unwrap();
        rows.extend(statement.query_map([], |r| r.get::<_, String>(0)).unwrap().map(Result::unwrap));
    }
    rows
}

#[test]
fn a_correction_leaves_the_tables_as_if_entered_right_at_first() {
    let dir = tempfile::tempdir().unwrap();
    let (a, b) = (dir.path().join("a.db"), dir.path().join("b.db"));
    let mut right = Logbook::open(&a, 0).unwrap();
    right.append(0, &[draft(1, component("P1")), draft(10, fit("front", "P1"))], 0).unwrap();
    right.append(2, &[draft(20, remove("P1"))], 0).unwrap();
    let mut wrong = Logbook::open(&b, 0).unwrap();
    wrong.append(0, &[draft(1, component("P1")), draft(5, fit("rear", "P1"))], 0).unwrap();
    wrong.append(2, &[draft(20, remove("P1"))], 0).unwrap();
    assert_ne!(tables(&a), tables(&b));
    wrong.append(3, &[Draft { corrects: Some(2), ..draft(10, fit("front", "P1")) }], 0).unwrap();
    assert_eq!(tables(&a), tables(&b));
    assert!(wrong.projection_agrees().unwrap());
}

#[test]
fn the_database_itself_refuses_what_cannot_be() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("logbook.db");
    let mut logbook = filled(&path);
    let refused = logbook.append(8, &[draft(40, fit("rear", "P2"))], 0).unwrap_err().to_string();
    assert!(refused.contains("already on heron at front"), "{refused}");
    assert!(logbook.append(7, &[draft(40, component("P3"))], 0).unwrap_err().to_string().contains("repeat"));
    assert_eq!(logbook.lines().unwrap().len(), 8, "a refusal writes nothing");
    let db = Connection::open(&path).unwrap();
    db.pragma_update(None, "foreign_keys", true).unwrap();
    for (sql, words) in [
        ("UPDATE journal SET body = '{}' WHERE seq = 3", "append-only"),
        ("DELETE FROM journal WHERE seq = 8", "append-only"),
        (
            "INSERT INTO journal SELECT seq + 9, at_utc_us, entered_utc_us, kind, body, NULL, prev, zeroblob(32) FROM journal WHERE seq = 1",
            "must follow",
        ),
        ("UPDATE fitting SET position = 'x'", "follow from the journal"),
        // P1 was at the front from 10 to 20; P2 is there since 20.
        (
            "INSERT INTO fitting SELECT component, kind, aircraft, 'rear', 15, 17, 6, 6 FROM fitting WHERE fit_entry = 3",
            "elsewhere",
        ),
        (
            "INSERT INTO fitting SELECT component, kind, aircraft, position, 25, NULL, 6, NULL FROM fitting WHERE fit_entry = 3",
            "position is taken",
        ),
        ("INSERT INTO fitting VALUES (77, 'propeller', 'egret', 'front', 1, NULL, 1, NULL)", "FOREIGN KEY"),
        ("INSERT INTO journal VALUES (9, 'x', 0, 'event', '{}', NULL, zeroblob(32), zeroblob(32))", "TEXT"),
    ] {
        let refusal = db.execute(sql, []).unwrap_err().to_string();
        assert!(refusal.contains(words), "{sql}: {refusal}");
    }
    assert_eq!(logbook.verify().unwrap(), None);
    assert!(logbook.damage().unwrap().is_empty());
}

#[test]
fn verify_names_the_first_broken_entry() {
    let rehash = "the hash made right again";
    for (case, sql, broken, words) in [
        ("changed", "UPDATE journal SET body = replace(body, 'P2', 'P9') WHERE seq = 5", 5, "hash differs"),
        ("dated back", "UPDATE journal SET at_utc_us = 11 WHERE seq = 4", 4, "hash differs"),
        ("cut out", "DELETE FROM journal WHERE seq = 4", 4, "entry 4 is missing"),
        (rehash, "UPDATE journal SET at_utc_us = 11 WHERE seq = 4", 5, "does not follow"),
    ] {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("logbook.db");
        drop(filled(&path));
        let db = Connection::open(&path).unwrap();
        db.pragma_update(None, "foreign_keys", false).unwrap();
        db.execute_batch("DROP TRIGGER journal_is_never_changed; DROP TRIGGER journal_is_never_cut;")
            .unwrap();
        assert_eq!(db.execute(sql, []).unwrap(), 1, "{case}");
        if case == rehash {
            let lines = Logbook::read_only(&path).unwrap().lines().unwrap();
            let hash = lines[3].computed_hash();
            db.execute("UPDATE journal SET hash = ?1 WHERE seq = 4", [hash]).unwrap();
        }
        let found = Logbook::open(&path, 0).unwrap().verify().unwrap().unwrap();
        assert_eq!(found.seq, broken, "{case}: {found:?}");
        assert!(found.why.contains(words), "{case}: {found:?}");
    }
}

fn export(logbook: &Logbook) -> String {
    let mut text = String::new();
    logbook.export(&mut |line| text.push_str(&(line + "\n"))).unwrap();
    text
}

#[test]
fn export_and_import_lose_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let first = filled(&dir.path().join("a.db"));
    let text = export(&first);
    let mut second = Logbook::open(&dir.path().join("b.db"), 0).unwrap();
    assert_eq!(second.import(text.as_bytes()).unwrap(), 8);
    assert_eq!(second.lines().unwrap(), first.lines().unwrap(), "bytes and hashes");
    assert_eq!(export(&second), text);
    assert_eq!(tables(second.path()), tables(first.path()));
    assert!(second.import(text.as_bytes()).unwrap_err().to_string().contains("already holds 8 entries"));
    // An export that was touched is refused whole.
    let mut third = Logbook::open(&dir.path().join("c.db"), 0).unwrap();
    let touched = text.replace("\"2.10\"", "\"2.20\"");
    let refusal = third.import(touched.as_bytes()).unwrap_err().to_string();
    assert!(refusal.contains("line 6") && refusal.contains("breaks the chain"), "{refusal}");
    assert!(
        third.import(&b"{\"x\":1}\n"[..]).unwrap_err().to_string().contains("line 1: not a journal line")
    );
    assert!(third.lines().unwrap().is_empty());
}

#[test]
fn a_backup_is_whole_and_replaces_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let logbook = filled(&dir.path().join("logbook.db"));
    let copy = logbook.backup_dated(0, "asked").unwrap();
    assert_eq!(copy, dir.path().join("backups/logbook-19700101T000000Z-asked.db"));
    assert_eq!(Logbook::read_only(&copy).unwrap().lines().unwrap(), logbook.lines().unwrap());
    assert!(logbook.backup(&copy).unwrap_err().to_string().contains("cannot write the backup"));
    assert!(logbook.backup_dated(0, "asked").unwrap().ends_with("logbook-19700101T000000Z-asked-1.db"));
}

#[test]
fn a_migration_keeps_a_dated_copy_of_what_was() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("logbook.db");
    let db = Connection::open(&path).unwrap();
    db.execute_batch(MIGRATIONS[0]).unwrap();
    db.pragma_update(None, "application_id", APPLICATION_ID).unwrap();
    db.pragma_update(None, "user_version", 1).unwrap();
    let mut last = (0, [0; 32]);
    for (at, action) in [(1, component("P1")), (10, fit("front", "P1"))] {
        let line = Line::following(last, at, 0, &action, None).unwrap();
        db.execute(
            "INSERT INTO journal VALUES (?1, ?2, 0, ?3, ?4, NULL, ?5, ?6)",
            rusqlite::params![line.seq, line.at_us, line.kind, line.body, line.prev, line.hash],
        )
        .unwrap();
        last = (line.seq, line.hash);
    }
    drop(db);
    let logbook = Logbook::open(&path, 0).unwrap();
    let copy = logbook.migrated.clone().unwrap();
    assert!(copy.ends_with("backups/logbook-19700101T000000Z-before-version-3.db"), "{}", copy.display());
    assert_eq!(tables(&path).len(), 2, "one component, one fitting");
    assert_eq!(logbook.verify().unwrap(), None);
    let version = |p: &Path| -> i64 {
        Connection::open(p).unwrap().query_row("PRAGMA user_version", [], |r| r.get(0)).unwrap()
    };
    assert_eq!((version(&copy), version(&path)), (1, 3));
    fettle::feed::outbox::reached(&Connection::open(&path).unwrap()).unwrap();
    assert_eq!(Logbook::open(&path, 0).unwrap().migrated, None);
    Connection::open(&path).unwrap().pragma_update(None, "user_version", 4).unwrap();
    assert!(Logbook::open(&path, 0).err().unwrap().to_string().contains("use a newer fettle"));
    let foreign = dir.path().join("foreign.db");
    Connection::open(&foreign).unwrap().execute_batch("CREATE TABLE recipes (name TEXT)").unwrap();
    let before = std::fs::read(&foreign).unwrap();
    assert!(Logbook::open(&foreign, 0).err().unwrap().to_string().contains("not a fettle logbook"));
    assert_eq!(std::fs::read(&foreign).unwrap(), before, "left as it was");
}

/// The child of the test below: writes until it is killed, and says what it has written. Does nothing when
/// run as a test of its own.
#[test]
fn writer() {
    let Some(path) = std::env::var_os("FETTLE_TEST_WRITER") else { return };
    let mut logbook = Logbook::open(Path::new(&path), 0).unwrap();
    let mut out = std::io::stdout();
    let mut seen = logbook.lines().unwrap().last().map_or(0, |l| l.seq);
    loop {
        let event = Event { aircraft: "heron".into(), event: "noted".into(), note: Some("x".repeat(300)) };
        let serial = format!("P{seen}");
        let drafts = [draft(seen, component(&serial)), draft(seen, Action::Event(event))];
        seen = *logbook.append(seen, &drafts, seen).unwrap().last().unwrap();
        writeln!(out, "seq {seen}").unwrap();
        out.flush().unwrap();
    }
}

/// Kills a writer `kills` times; the journal must be whole each time, hold all that was confirmed and at most
/// one transaction (two entries) more. A new file now and then keeps it quick.
fn killed(folder: &Path, kills: usize, mut random: u64) -> (usize, i64) {
    let (mut path, mut confirmed, mut written, mut cut) = (PathBuf::new(), 0i64, 0i64, 0usize);
    for kill in 0..kills {
        if kill % 50 == 0 {
            path = folder.join(format!("{kill}.db"));
            confirmed = 0;
        }
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "writer", "--nocapture", "--test-threads", "1"])
            .env("FETTLE_TEST_WRITER", &path)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        std::thread::sleep(Duration::from_micros(2000 + (random >> 33) % 28_000));
        child.kill().unwrap();
        child.wait().unwrap();
        let said = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
        let said: Vec<i64> = said.filter_map(|l| l.rsplit_once("seq ")?.1.parse().ok()).collect();
        let before = confirmed;
        confirmed = said.last().copied().unwrap_or(confirmed);
        if !path.exists() {
            continue;
        }
        let logbook = Logbook::open(&path, 0).unwrap();
        assert_eq!(logbook.verify().unwrap(), None, "kill {kill}");
        let held = logbook.lines().unwrap().last().map_or(0, |l| l.seq);
        assert!(
            held == confirmed || held == confirmed + 2,
            "kill {kill}: {held} held, {confirmed} confirmed"
        );
        if kill % 10 == 0 {
            assert!(logbook.projection_agrees().unwrap(), "kill {kill}");
            assert!(logbook.damage().unwrap().is_empty(), "kill {kill}");
        }
        written += held - before;
        cut += usize::from(held != before);
        confirmed = held;
    }
    (cut, written)
}

#[test]
fn a_writer_killed_a_thousand_times_leaves_a_whole_journal() {
    let dir = tempfile::tempdir().unwrap();
    let threads: Vec<_> = (0..4u64)
        .map(|n| {
            let folder = dir.path().join(n.to_string());
            std::fs::create_dir(&folder).unwrap();
            std::thread::spawn(move || killed(&folder, 250, n + 1))
        })
        .collect();
    let sums = threads.into_iter().map(|t| t.join().unwrap());
    let (cut, written) = sums.fold((0, 0), |a, b| (a.0 + b.0, a.1 + b.1));
    // The kills must have met writers at work, not only processes that were still starting.
    assert!(cut > 100, "only {cut} of 1000 writers had written anything ({written} entries)");
    println!("{cut} of 1000 writers had written, {written} entries in all");
}

#[cfg(unix)]
#[test]
fn a_logbook_on_a_disk_that_is_away_is_not_the_same_as_none() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("logbook.db");
    assert!(Logbook::existing(&path, 0).unwrap().is_none());
    std::os::unix::fs::symlink(folder.path().join("away/logbook.db"), &path).unwrap();
    let error = Logbook::existing(&path, 0).err().unwrap().to_string();
    assert!(error.starts_with("cannot reach"), "{error}");
}
