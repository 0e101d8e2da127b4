//! What can be asked of tasks and of the journal itself.

use super::args::{FleetOption, instant};
use super::logbook_args::Entering;
use clap::{Args, Subcommand};
use std::path::PathBuf;

/// `task …`.
#[derive(Debug, Subcommand)]
pub enum TaskCommand {
    /// List tasks.
    List(TaskList),
    /// Make a task; those in fleet.toml need no command.
    Add(Box<TaskAdd>),
    /// End a task made by command.
    End(TaskEnd),
}

/// Arguments of `task list`.
#[derive(Debug, Args)]
pub struct TaskList {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
    /// One JSON object a line (schemas/logbook.schema.json).
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `task add`.
#[derive(Debug, Args)]
pub struct TaskAdd {
    /// What to inspect.
    pub name: String,
    /// Kind of component, or aircraft.
    #[arg(long, value_name = "KIND", default_value = "aircraft")]
    pub on: String,
    /// Only this aircraft.
    #[arg(long, value_name = "NAME")]
    pub aircraft: Vec<String>,
    /// Only this position.
    #[arg(long, value_name = "POSITION")]
    pub position: Vec<String>,
    /// Every so many flights.
    #[arg(long, value_name = "N")]
    pub flights: Option<i64>,
    /// Every so much airtime, hours.
    #[arg(long, value_name = "H")]
    pub hours: Option<f64>,
    /// Every so many days.
    #[arg(long, value_name = "N")]
    pub days: Option<i64>,
    /// May be late by so many flights.
    #[arg(long, value_name = "N")]
    pub tolerance_flights: Option<i64>,
    /// May be late by so much airtime, hours.
    #[arg(long, value_name = "H")]
    pub tolerance_hours: Option<f64>,
    /// May be late by so many days.
    #[arg(long, value_name = "N")]
    pub tolerance_days: Option<i64>,
    /// On a fixed grid instead of from when it was last done.
    #[arg(long)]
    pub grid: bool,
    /// Once only.
    #[arg(long)]
    pub once: bool,
    /// After this event; the intervals count from there.
    #[arg(long, value_name = "EVENT", conflicts_with = "after_change")]
    pub after_event: Option<String>,
    /// After a component of this kind was fitted; the intervals count from there.
    #[arg(long, value_name = "KIND")]
    pub after_change: Option<String>,
    /// What to look for.
    #[arg(long, value_name = "TEXT")]
    pub look_for: Option<String>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub entering: Entering,
}

/// Arguments of `task end`.
#[derive(Debug, Args)]
pub struct TaskEnd {
    /// Its name.
    pub name: String,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    pub reason: Option<String>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub entering: Entering,
}

/// Arguments of `verify`.
#[derive(Debug, Args)]
pub struct Verify {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
    /// One JSON object a line (schemas/logbook.schema.json).
    #[arg(long)]
    pub json: bool,
}

/// `logbook …`.
#[derive(Debug, Subcommand)]
pub enum LogbookCommand {
    /// List the journal.
    List(Journal),
    /// Write the whole journal as NDJSON to stdout or a file.
    Export(Export),
    /// Read an export into an empty logbook.
    Import(ImportJournal),
    /// Copy the logbook while it may be in use.
    Backup(Backup),
    /// Correct an entry: its time, or that it never happened.
    Correct(Correct),
}

/// Arguments of `logbook list`.
#[derive(Debug, Args)]
pub struct Journal {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
    /// One JSON object a line (schemas/logbook.schema.json).
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `logbook export`.
#[derive(Debug, Args)]
pub struct Export {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
    /// The file; stdout if not given. Never replaced.
    #[arg(long, short, value_name = "FILE")]
    pub output: Option<PathBuf>,
}

/// Arguments of `logbook import`.
#[derive(Debug, Args)]
pub struct ImportJournal {
    /// The export; - for stdin.
    pub file: PathBuf,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
}

/// Arguments of `logbook backup`.
#[derive(Debug, Args)]
pub struct Backup {
    /// The copy; backups/logbook-DATE.db in the fleet folder if not given.
    pub file: Option<PathBuf>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
}

/// Arguments of `logbook correct`.
#[derive(Debug, Args)]
pub struct Correct {
    /// The entry.
    pub entry: i64,
    /// It happened then.
    #[arg(long, value_name = "TIME", value_parser = instant, required_unless_present = "void")]
    pub at: Option<i64>,
    /// It never happened.
    #[arg(long, conflicts_with = "at")]
    pub void: bool,
    /// Why, for --void.
    #[arg(long, value_name = "TEXT")]
    pub reason: Option<String>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
    /// Do it even if it changes hours already counted.
    #[arg(long, short)]
    pub yes: bool,
    /// One JSON object a line (schemas/logbook.schema.json).
    #[arg(long)]
    pub json: bool,
}
