//! `logbook …` and `verify`: the journal itself.

use super::journal_args::{Backup, Correct, Export, ImportJournal, Journal, LogbookCommand, Verify};
use super::output::Output;
use super::records::{Records, now_us};
use super::{Failure, Outcome, fleet};
use crate::archive::layout::FleetDir;
use crate::archive::{ArchiveError, atomic};
use crate::logbook::{Broken, Draft, Logbook, exchange};
use crate::report::{journal_text, text, usage_json};
use crate::usage::entry::{Action, Void};
use crate::usage::ledger::standing;
use serde_json::json;
use std::fs::File;
use std::io::{self, BufReader, Write};
use std::path::Path;

/// Runs one of them.
///
/// # Errors
/// If the logbook cannot be read or written.
pub fn run(command: &LogbookCommand, output: &mut Output) -> Result<Outcome, Failure> {
    match command {
        LogbookCommand::List(options) => list(options, output),
        LogbookCommand::Export(options) => export(options, output),
        LogbookCommand::Import(options) => import(options, output),
        LogbookCommand::Backup(options) => backup(options, output),
        LogbookCommand::Correct(options) => correct(options, output),
    }
}

fn required(dir: &FleetDir) -> Result<Logbook, Failure> {
    Logbook::existing(&dir.logbook(), now_us())?.ok_or_else(|| {
        Failure(format!(
            "{} does not exist yet; the first entry (`fettle component add`, `fettle sign`) makes it",
            dir.logbook().display()
        ))
    })
}

fn list(options: &Journal, output: &mut Output) -> Result<Outcome, Failure> {
    let records = Records::open(&options.fleet, output)?;
    if options.json {
        records.entries.iter().for_each(|e| output.record(&usage_json::entry(e)));
        output.record(&json!({"type": "summary", "entries": records.entries.len()}));
    } else if records.entries.is_empty() {
        output
            .answer("the logbook is empty; `fettle component add` or `fettle sign` makes the first entry\n");
    } else {
        for entry in &records.entries {
            let replaced = records.entries.iter().find(|e| e.corrects == Some(entry.seq));
            let mut line = journal_text::entry(entry);
            if let Some(by) = replaced {
                line.push_str(&format!(" [replaced by entry {}]", by.seq));
            }
            output.answer(&text::wrapped(&line, ""));
        }
    }
    Ok(Outcome::Done)
}

fn export(options: &Export, output: &mut Output) -> Result<Outcome, Failure> {
    let (dir, _) = fleet::required(options.fleet.fleet.as_deref())?;
    let logbook = required(&dir)?;
    let Some(path) = &options.output else {
        logbook.export(&mut |line| output.answer(&(line + "\n")))?;
        return Ok(Outcome::Done);
    };
    if path.exists() {
        return Err(Failure(format!("{} exists already; choose another name", path.display())));
    }
    let mut all = String::new();
    let entries = logbook.export(&mut |line| {
        all.push_str(&line);
        all.push('\n');
    })?;
    atomic::write(path, |file| file.write_all(all.as_bytes()).map_err(ArchiveError::io("write", path)))?;
    output.answer(&format!("wrote {entries} entries to {}\n", path.display()));
    Ok(Outcome::Done)
}

fn import(options: &ImportJournal, output: &mut Output) -> Result<Outcome, Failure> {
    let (dir, _) = fleet::required(options.fleet.fleet.as_deref())?;
    let mut logbook = Logbook::open(&dir.logbook(), now_us())?;
    let number = if options.file == Path::new("-") {
        logbook.import(io::stdin().lock())?
    } else {
        let file = File::open(&options.file).map_err(ArchiveError::io("open", &options.file))?;
        logbook.import(BufReader::new(file))?
    };
    output.answer(&format!("read {number} entries into {}; the chain holds\n", dir.logbook().display()));
    Ok(Outcome::Done)
}

fn backup(options: &Backup, output: &mut Output) -> Result<Outcome, Failure> {
    let (dir, _) = fleet::required(options.fleet.fleet.as_deref())?;
    let logbook = required(&dir)?;
    let path = match &options.file {
        Some(path) => {
            logbook.backup(path)?;
            path.clone()
        }
        None => logbook.backup_dated(now_us(), "asked")?,
    };
    output.answer(&format!("wrote {}\n", path.display()));
    Ok(Outcome::Done)
}

fn correct(options: &Correct, output: &mut Output) -> Result<Outcome, Failure> {
    let mut records = Records::open(&options.fleet, output)?;
    let missing =
        || Failure(format!("there is no entry {} in force; `fettle logbook list` shows them", options.entry));
    let standing = standing(&records.entries, options.entry);
    let standing = standing.filter(|e| !matches!(e.action, Action::Void(_))).ok_or_else(missing)?;
    let draft = match options.at {
        Some(at) if at > records.now_us => {
            return Err(Failure(format!("{} lies in the future", crate::usage::utc(at))));
        }
        Some(at_us) => Draft { at_us, action: standing.action.clone(), corrects: Some(options.entry) },
        None => {
            let reason = options.reason.clone().ok_or_else(|| {
                Failure("say why with --reason; the entry stays on record with it".to_owned())
            })?;
            let action = Action::Void(Void { reason });
            Draft { at_us: standing.at_us, action, corrects: Some(options.entry) }
        }
    };
    records.enter(&[draft], options.yes, options.json, output)?;
    Ok(Outcome::Done)
}

/// Proves the logbook.
///
/// # Errors
/// If it is broken, or cannot be read.
pub fn verify(options: &Verify, output: &mut Output) -> Result<Outcome, Failure> {
    let (dir, _) = fleet::required(options.fleet.fleet.as_deref())?;
    let logbook = required(&dir)?;
    let lines = logbook.lines()?;
    if let Some(Broken { seq, why }) = logbook.verify()? {
        if options.json {
            output.record(&json!({"type": "verified", "whole": false, "entry": seq, "why": why}));
        }
        return Err(Failure(format!(
            "the logbook is broken from entry {seq} on: {why}; entries before it hold; compare with a copy under {}",
            dir.root.join("backups").display()
        )));
    }
    if let Some(what) = logbook.damage()?.first() {
        return Err(Failure(format!("the database file is damaged: {what}; restore a copy")));
    }
    if !logbook.projection_agrees()? {
        return Err(Failure(
            "the journal is whole, but the tables beside it were changed by hand; export it and import it into a new logbook"
                .to_owned(),
        ));
    }
    let head = lines.last().map(|l| exchange::hex(&l.hash));
    if options.json {
        output.record(&json!({"type": "verified", "whole": true, "entries": lines.len(), "hash": head}));
    } else {
        let head = head.unwrap_or_else(|| "none".to_owned());
        output.answer(&format!("{} entries, all whole; the last hash is\n{head}\n", lines.len()));
        output.say("write the hash down elsewhere: it proves later that nothing before it was replaced");
    }
    Ok(Outcome::Done)
}
