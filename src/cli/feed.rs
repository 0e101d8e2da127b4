//! `feed`: hours, inspections and findings for a maintenance tracker, and a calendar of what falls due.

use super::args::FleetOption;
use super::output::Output;
use super::records::Records;
use super::{Failure, Outcome, hours};
use crate::archive::{ArchiveError, atomic};
use crate::feed::backoff::Policy;
use crate::feed::calendar::{DueDate, calendar};
use crate::feed::csv::Table;
use crate::feed::event::Current;
use crate::feed::outbox::{Changed, Retractions, Scope, refresh, since};
use crate::feed::post::{BATCH, Sender};
use crate::feed::sequence::sequence;
use crate::feed::sources;
use crate::feed::target::{TOKEN_VARIABLE, Target, Token};
use crate::report::due_dates::due_dates;
use crate::usage::due;
use clap::Args;
use rusqlite::Connection;
use serde_json::json;
use std::env::VarError;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Events read from the logbook at a time.
const PAGE: usize = 1000;

/// Arguments of `feed`.
#[derive(Debug, Args)]
pub struct Feed {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
    /// Only what came after this cursor; without it everything, or with --post what the receiver lacks. With --post
    /// beyond what the receiver confirmed, what is sent does not count as confirmed.
    #[arg(long, value_name = "CURSOR")]
    pub since: Option<i64>,
    /// Only the latest revision of each event, so that a sum over the rows that stand is right.
    #[arg(long, conflicts_with = "post")]
    pub latest: bool,
    /// A table for a spreadsheet instead of one JSON object a line (schemas/feed.schema.json).
    #[arg(long, conflicts_with = "post")]
    pub csv: bool,
    /// Send to this address instead; a bearer token comes from $FETTLE_FEED_TOKEN or --token-file.
    #[arg(long, value_name = "URL")]
    pub post: Option<String>,
    /// File with the bearer token.
    #[arg(long, value_name = "FILE", requires = "post")]
    pub token_file: Option<PathBuf>,
    /// Trust only the certificates in this PEM file instead of the public ones.
    #[arg(long, value_name = "FILE", requires = "post")]
    pub ca_file: Option<PathBuf>,
    /// Events in one request.
    #[arg(long, value_name = "N", default_value_t = BATCH, requires = "post")]
    pub batch: usize,
    /// Write forecast due dates to this iCalendar file instead; an earlier one is replaced.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["post", "csv", "latest", "since"])]
    pub calendar: Option<PathBuf>,
    /// Take back most of what was told, if that is what the logbook and archive now say.
    #[arg(long)]
    pub allow_retractions: bool,
}

/// Runs the command.
///
/// # Errors
/// As [`tell`], or if the fleet cannot be read.
pub fn run(options: &Feed, output: &mut Output) -> Result<Outcome, Failure> {
    let mut records = Records::open(&options.fleet, output)?;
    records.begin()?;
    let (accounts, now_us) = (records.accounts(), records.now_us);
    let open = records.open_findings(now_us)?;
    let hashes = records.hashes()?;
    let current = sources::current(&accounts, &hashes, &open);
    let mut dates = Vec::new();
    if options.calendar.is_some() {
        let findings = records.findings(now_us)?;
        let items = due::due(&accounts, &records.tasks(), &records.crafts(), &findings, now_us);
        let dateless;
        (dates, dateless) = due_dates(&items, &findings);
        if dateless > 0 {
            output.say(&format!(
                "{dateless} inspection(s) have no date yet: not enough flights to forecast one"
            ));
        }
    }
    let outcome = tell(options, records.told()?, current, &dates, now_us, output)?;
    hours::warn(&accounts, output);
    Ok(outcome)
}

/// Tells what holds now and gives, sends or writes what was asked for. `current` and `due` must be complete.
///
/// # Errors
/// If the logbook fails, the receiver refuses or cannot be reached, or a file cannot be read or written.
pub fn tell(
    options: &Feed,
    connection: &Connection,
    current: impl IntoIterator<Item = Current>,
    due: &[DueDate],
    now_utc_us: i64,
    output: &mut Output,
) -> Result<Outcome, Failure> {
    if let Some(path) = &options.calendar {
        return write_calendar(path, connection, due, now_utc_us, output);
    }
    let retractions = if options.allow_retractions { Retractions::Allowed } else { Retractions::Guarded };
    // A wrong address or token is told before anything is written.
    let sender = options.post.as_deref().map(|url| sender(options, url)).transpose()?;
    let changed = refresh(connection, current, now_utc_us, retractions)?;
    match sender {
        Some(sender) => post(options, sender, connection, changed, output),
        None if options.csv => table(options, connection, output),
        None => lines(options, connection, output),
    }
}

fn scope(options: &Feed) -> Scope {
    if options.latest { Scope::Latest } else { Scope::History }
}

fn lines(options: &Feed, connection: &Connection, output: &mut Output) -> Result<Outcome, Failure> {
    let (mut cursor, mut events) = (options.since.unwrap_or(0), 0);
    loop {
        let page = since(connection, cursor, PAGE, scope(options))?;
        let Some(last) = page.last() else { break };
        (cursor, events) = (last.cursor, events + page.len());
        let lines: String = page.iter().map(|event| event.line() + "\n").collect();
        output.answer(&lines);
    }
    output.record(&json!({"type": "summary", "events": events, "cursor": cursor}));
    Ok(Outcome::Done)
}

fn table(options: &Feed, connection: &Connection, output: &mut Output) -> Result<Outcome, Failure> {
    let mut table = Table::new(Rows { output, held: Vec::new() })?;
    let mut cursor = options.since.unwrap_or(0);
    loop {
        let page = since(connection, cursor, PAGE, scope(options))?;
        let Some(last) = page.last() else { break };
        cursor = last.cursor;
        page.iter().try_for_each(|event| table.write(event))?;
        table.flush()?;
    }
    table.flush()?;
    Ok(Outcome::Done)
}

/// Holds bytes until whole rows, and so whole characters, can be answered.
struct Rows<'a> {
    output: &'a mut Output,
    held: Vec<u8>,
}

impl Write for Rows<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.held.extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        let text = String::from_utf8(std::mem::take(&mut self.held)).map_err(io::Error::other)?;
        self.output.answer(&text);
        Ok(())
    }
}

fn sender(options: &Feed, url: &str) -> Result<Sender, Failure> {
    let variable = match std::env::var(TOKEN_VARIABLE) {
        Ok(token) => Some(token),
        Err(VarError::NotPresent) => None,
        // The error's own words would show it.
        Err(VarError::NotUnicode(_)) => return Err(Failure(format!("{TOKEN_VARIABLE} is not text"))),
    };
    let token = Token::load(options.token_file.as_deref(), variable.as_deref())?;
    let read = |path: &PathBuf| {
        std::fs::read(path).map_err(|e| Failure(format!("cannot read {}: {e}", path.display())))
    };
    let trust = options.ca_file.as_ref().map(read).transpose()?;
    let sender = Sender::new(Target::new(url, token)?, Policy::default(), trust.as_deref())?;
    let origin = sender.origin().to_owned();
    Ok(sender.with_notice(move |why, wait| {
        Output::new().say(&format!("{origin}: {why}; again in {:.1} s", wait.as_secs_f64()));
    }))
}

fn post(
    options: &Feed,
    mut sender: Sender,
    connection: &Connection,
    changed: Changed,
    output: &mut Output,
) -> Result<Outcome, Failure> {
    let done = sender.deliver(connection, options.since, options.batch, &mut |_| {})?;
    let reached = if done.left_out() {
        format!(
            "sent were those from behind cursor {} up to {}; what the receiver confirmed stays at {}, and the next time \
             without --since goes on there",
            done.from, done.to, done.acknowledged
        )
    } else {
        format!("the receiver has everything up to cursor {}", done.acknowledged)
    };
    output.answer(&format!(
        "{} event(s) sent in {} batch(es) to {}, {} request(s) repeated; {reached}\n\
         since the last time: {} new, {} corrected, {} retracted, {} as they were\n",
        done.events,
        done.batches,
        sender.origin(),
        done.repeated,
        changed.new,
        changed.corrected,
        changed.retracted,
        changed.unchanged,
    ));
    Ok(Outcome::Done)
}

fn write_calendar(
    path: &Path,
    connection: &Connection,
    due: &[DueDate],
    now_utc_us: i64,
    output: &mut Output,
) -> Result<Outcome, Failure> {
    let text = calendar(&sequence(connection, due, now_utc_us)?);
    let write = |file: &mut std::fs::File| file.write_all(text.as_bytes());
    atomic::write(path, |file| write(file).map_err(ArchiveError::io("write", path)))?;
    output.say(&format!("{} due date(s) written to {}", due.len(), path.display()));
    Ok(Outcome::Done)
}
