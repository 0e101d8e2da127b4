//! What can be asked, and the help that says so.

use super::journal_args as journal;
use super::logbook_args as logbook;
use clap::{Args, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

const EXAMPLES: &str = "Examples:
  fettle init ~/fleet                       make a fleet folder
  fettle import --fleet ~/fleet /media/card read a card into it
  fettle findings --fleet ~/fleet           what to inspect first
  fettle fit heron front-right=P1 --new propeller
  fettle due                                which inspection comes next
  fettle read flight.bin                    one log, nothing stored

Exit codes: 0 done; 1 could not do it; 2 wrong usage; 3 done, but part of the
input was unusable; 4 a finding at or above --fail-on; 130 interrupted.

Findings are prompts to inspect, not a release to fly; the manufacturer's
manual, local rules and licensed practice decide.";

/// Reads raw MAVLink telemetry: what flew, for how long, what changed, what to inspect first.
#[derive(Debug, Parser)]
#[command(name = "fettle", version, after_help = EXAMPLES, arg_required_else_help = true)]
pub struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Make a fleet folder with a commented fleet.toml.
    Init(Init),
    /// Read cards or folders of logs into the archive.
    Import(Import),
    /// Read one log and store nothing.
    Read(Read),
    /// List flights.
    Flights(Flights),
    /// List findings, most urgent first.
    Findings(List),
    /// Compute all findings again after a change of fleet.toml.
    Reassess(Reassess),
    /// Write every message of a log as a Parquet table.
    Tables(Tables),
    /// Show where a log's time comes from, or give it one.
    Clock(Clock),
    /// Show which logs a recording is made of, or say that logs are one recording or are not.
    Join(Join),
    /// Hours, flights and landings of aircraft and components.
    Hours(logbook::Hours),
    /// Inspections and life limits that fall due, most urgent first.
    Due(logbook::Due),
    /// Sign an inspection.
    Sign(logbook::Sign),
    /// Answer findings: what the inspection showed.
    Answer(logbook::Answer),
    /// Fit components to an aircraft.
    Fit(logbook::Fit),
    /// Take components off.
    Remove(logbook::Remove),
    /// Enter, list, retire components; name sets.
    #[command(subcommand)]
    Component(logbook::ComponentCommand),
    /// Say which battery packs a flight was flown with.
    Pack(logbook::PackArgs),
    /// Note an event that calls for an inspection, for example a hard landing.
    Event(logbook::Event),
    /// Leave a flight out of all hours, for example one recorded twice.
    Exclude(logbook::Exclude),
    /// List, make, end inspection tasks.
    #[command(subcommand)]
    Task(journal::TaskCommand),
    /// Tell a maintenance tracker: usage, inspections, open findings; or a calendar of due dates.
    Feed(super::feed::Feed),
    /// Prove that the logbook is whole and untouched.
    Verify(journal::Verify),
    /// The journal: list, export, import, back up, correct.
    #[command(subcommand)]
    Logbook(journal::LogbookCommand),
}

/// Where the fleet is.
#[derive(Debug, Clone, Args)]
pub struct FleetOption {
    /// Fleet folder; else $FETTLE_FLEET, else the nearest folder upwards with a fleet.toml.
    #[arg(long, value_name = "DIR")]
    pub fleet: Option<PathBuf>,
}

/// Message definitions beside the built-in ones.
#[derive(Debug, Clone, Default, Args)]
pub struct DialectOption {
    /// XML message definitions to add to the built-in ones; can be given several times.
    #[arg(long, value_name = "FILE")]
    pub dialect: Vec<PathBuf>,
}

/// The key that signed frames are verified with.
#[derive(Debug, Clone, Default, Args)]
pub struct SigningOption {
    /// Verify signed frames with the key in this file: 32 bytes, or 64 hexadecimal digits. Frames with a wrong
    /// signature are read all the same, and counted.
    #[arg(long, value_name = "FILE")]
    pub signing_key: Option<PathBuf>,
}

/// A severity to compare with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum SeverityOption {
    /// Any finding.
    Advisory,
    /// Caution or warning.
    Caution,
    /// Warning only.
    Warning,
}

/// Arguments of `init`.
#[derive(Debug, Args)]
pub struct Init {
    /// The folder; made if it does not exist.
    #[arg(default_value = ".")]
    pub folder: PathBuf,
    /// Name of the fleet.
    #[arg(long, default_value = "My fleet")]
    pub name: String,
}

/// Arguments of `import`.
#[derive(Debug, Args)]
pub struct Import {
    /// Cards, folders or log files.
    #[arg(required = true, value_name = "PATH")]
    pub paths: Vec<PathBuf>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub dialects: DialectOption,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub signing: SigningOption,
    /// One JSON object a line (schemas/records.schema.json).
    #[arg(long)]
    pub json: bool,
    /// List the files beside the logs that are something else.
    #[arg(long)]
    pub passed_over: bool,
    /// No progress bar.
    #[arg(long, short)]
    pub quiet: bool,
    /// Exit with 4 if a new finding is at least this severe.
    #[arg(long, value_name = "SEVERITY")]
    pub fail_on: Option<SeverityOption>,
}

/// Arguments of `read`.
#[derive(Debug, Args)]
pub struct Read {
    /// The log.
    pub log: PathBuf,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub dialects: DialectOption,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub signing: SigningOption,
    /// One JSON document (schemas/read.schema.json).
    #[arg(long)]
    pub json: bool,
    /// Exit with 4 if a finding is at least this severe.
    #[arg(long, value_name = "SEVERITY")]
    pub fail_on: Option<SeverityOption>,
}

/// Arguments of the listing commands.
#[derive(Debug, Args)]
pub struct List {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
    /// Only this aircraft.
    #[arg(long, value_name = "NAME")]
    pub aircraft: Option<String>,
    /// Only takeoffs on or after this UTC date or instant.
    #[arg(long, value_name = "DATE", value_parser = instant)]
    pub since: Option<i64>,
    /// Only takeoffs before this UTC date or instant.
    #[arg(long, value_name = "DATE", value_parser = instant)]
    pub until: Option<i64>,
    /// One JSON object a line (schemas/records.schema.json).
    #[arg(long)]
    pub json: bool,
    /// Exit with 4 if a listed finding is at least this severe.
    #[arg(long, value_name = "SEVERITY")]
    pub fail_on: Option<SeverityOption>,
}

/// Arguments of `flights`.
#[derive(Debug, Args)]
pub struct Flights {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub list: List,
    /// List also recordings of a flight that another one shows more fully; they do not count.
    #[arg(long)]
    pub evidence: bool,
}

/// Arguments of `reassess`.
#[derive(Debug, Args)]
pub struct Reassess {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub dialects: DialectOption,
    /// Only this aircraft.
    #[arg(long, value_name = "NAME")]
    pub aircraft: Option<String>,
    /// One JSON object a line (schemas/records.schema.json).
    #[arg(long)]
    pub json: bool,
    /// Exit with 4 if a finding is at least this severe.
    #[arg(long, value_name = "SEVERITY")]
    pub fail_on: Option<SeverityOption>,
}

/// Arguments of `tables`.
#[derive(Debug, Args)]
pub struct Tables {
    /// The log.
    pub log: PathBuf,
    /// Folder for MESSAGE.parquet files; made if it does not exist.
    #[arg(long, short, value_name = "DIR")]
    pub output: PathBuf,
    /// Replace files that exist.
    #[arg(long)]
    pub force: bool,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub dialects: DialectOption,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub signing: SigningOption,
}

/// Arguments of `clock`.
#[derive(Debug, Args)]
pub struct Clock {
    /// The log: the beginning of its id, or its file.
    pub log: String,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
    /// When the log's first message was sent: 2026-09-14T08:30:00+02:00. Of several that are one recording, all get
    /// their time by it.
    #[arg(long, value_name = "INSTANT", value_parser = exact, conflicts_with_all = ["shift", "withdraw"])]
    pub starts: Option<i64>,
    /// Which boot session --starts speaks of, counted from 0.
    #[arg(long, value_name = "N", requires = "starts")]
    pub boot: Option<usize>,
    /// Add to the time that the log tells, for a clock that was off: 2h, "-1h 30m".
    #[arg(long, value_name = "DURATION", value_parser = duration, allow_hyphen_values = true, conflicts_with = "withdraw")]
    pub shift: Option<i64>,
    /// Take back what was said of this log's time.
    #[arg(long)]
    pub withdraw: bool,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub dialects: DialectOption,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub signing: SigningOption,
}

/// Arguments of `join`.
#[derive(Debug, Args)]
pub struct Join {
    /// The logs: the beginning of an id each, or a file. One alone is shown; several are one recording from now on, in the
    /// order of their boot clock.
    #[arg(required = true, value_name = "LOG")]
    pub logs: Vec<String>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
    /// They are not one recording, whatever the files tell.
    #[arg(long, conflicts_with = "withdraw")]
    pub apart: bool,
    /// Take back what was said of these logs together, or of this one with any.
    #[arg(long)]
    pub withdraw: bool,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub dialects: DialectOption,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub signing: SigningOption,
}

/// An RFC 3339 instant, as Unix microseconds.
fn exact(text: &str) -> Result<i64, String> {
    let parsed = text.parse::<jiff::Timestamp>();
    parsed.map(|t| t.as_microsecond()).map_err(|_| {
        "give an instant with its zone, like 2026-09-14T08:30:00Z or …T10:30:00+02:00".to_owned()
    })
}

/// Fifty years: no clock is off by more.
const LONGEST_SHIFT_US: u64 = 50 * 365 * 86_400 * 1_000_000;

/// A signed duration, as microseconds.
fn duration(text: &str) -> Result<i64, String> {
    let parsed = text.parse::<jiff::SignedDuration>();
    let micros = parsed.ok().and_then(|d| i64::try_from(d.as_micros()).ok());
    micros
        .filter(|micros| micros.unsigned_abs() <= LONGEST_SHIFT_US)
        .ok_or_else(|| "give a duration of at most 50 years, like 2h, 45m, 90s or \"-1h 30m\"".to_owned())
}

/// `2026-09-14` or an RFC 3339 instant, as Unix microseconds.
pub fn instant(text: &str) -> Result<i64, String> {
    crate::fleet::instant_us(text)
        .ok_or_else(|| "give a UTC date like 2026-09-14 or an instant like 2026-09-14T08:30:00Z".to_owned())
}
