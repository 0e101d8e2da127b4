//! What can be asked of the logbook.

use super::args::{FleetOption, instant};
use clap::{Args, Subcommand, ValueEnum};

/// What every entry takes.
#[derive(Debug, Clone, Args)]
pub struct Entering {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
    /// When it happened, UTC date or instant; if not given, now, or when entry N of --corrects happened.
    #[arg(long, value_name = "TIME", value_parser = instant)]
    pub at: Option<i64>,
    /// This replaces entry N, which stays on record.
    #[arg(long, value_name = "N")]
    pub corrects: Option<i64>,
    /// Do it even if it changes hours already counted.
    #[arg(long, short)]
    pub yes: bool,
    /// One JSON object a line (schemas/logbook.schema.json).
    #[arg(long)]
    pub json: bool,
}

/// `component …`.
#[derive(Debug, Subcommand)]
pub enum ComponentCommand {
    /// Enter a component.
    Add(ComponentAdd),
    /// List components and where they are.
    List(ComponentList),
    /// Name a set of components and the place of each: NAME POSITION=SERIAL…
    Set(ComponentSet),
    /// Put removed components back in stock.
    Stock(ComponentState),
    /// Retire components for good.
    Retire(ComponentState),
}

/// Arguments of `component add`.
#[derive(Debug, Args)]
pub struct ComponentAdd {
    /// propeller, motor, esc, boom, battery-pack, autopilot, gnss-mast, isolator-set, payload-mount,
    /// airframe, or a kind you name.
    pub kind: String,
    /// Serial number or your own mark.
    #[arg(required = true)]
    pub serials: Vec<String>,
    /// The maker's part number.
    #[arg(long, value_name = "TEXT")]
    pub part: Option<String>,
    /// Airtime before fettle, hours.
    #[arg(long, value_name = "H", default_value_t = 0.0)]
    pub hours: f64,
    /// Flights before fettle.
    #[arg(long, value_name = "N", default_value_t = 0)]
    pub flights: i64,
    /// Landings before fettle.
    #[arg(long, value_name = "N", default_value_t = 0)]
    pub landings: i64,
    /// Cycles before fettle.
    #[arg(long, value_name = "N", default_value_t = 0.0)]
    pub cycles: f64,
    /// Life limit: airtime, hours.
    #[arg(long, value_name = "H")]
    pub life_hours: Option<f64>,
    /// Life limit: flights.
    #[arg(long, value_name = "N")]
    pub life_flights: Option<i64>,
    /// Life limit: cycles (packs: equivalent full cycles; motors, ESCs: starts; others: landings).
    #[arg(long, value_name = "N")]
    pub life_cycles: Option<i64>,
    /// Life limit: days since --since, else the first fitting; a pack's first flight if that is earlier.
    #[arg(long, value_name = "N")]
    pub life_days: Option<i64>,
    /// Life limit: not after this day.
    #[arg(long, value_name = "DATE", value_parser = instant)]
    pub life_until: Option<i64>,
    /// Made or first used; calendar days count from here.
    #[arg(long, value_name = "DATE", value_parser = instant)]
    pub since: Option<i64>,
    /// Capacity of a battery pack, Ah.
    #[arg(long, value_name = "AH")]
    pub capacity: Option<f64>,
    /// Free text.
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub entering: Entering,
}

/// Arguments of `component list`.
#[derive(Debug, Args)]
pub struct ComponentList {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
    /// Only this kind.
    #[arg(long)]
    pub kind: Option<String>,
    /// One JSON object a line (schemas/logbook.schema.json).
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `component set`.
#[derive(Debug, Args)]
pub struct ComponentSet {
    /// Name of the set.
    pub name: String,
    /// Members, each with its usual place.
    #[arg(required = true, value_name = "POSITION=SERIAL")]
    pub places: Vec<String>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub entering: Entering,
}

/// Arguments of `component stock` and `component retire`.
#[derive(Debug, Args)]
pub struct ComponentState {
    /// Serial numbers, or KIND:SERIAL.
    #[arg(required = true)]
    pub serials: Vec<String>,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    pub reason: Option<String>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub entering: Entering,
}

/// Arguments of `fit`.
#[derive(Debug, Args)]
pub struct Fit {
    /// The aircraft.
    pub aircraft: String,
    /// What goes where: front-right=P1, or front-right=propeller:P1.
    #[arg(value_name = "POSITION=SERIAL")]
    pub places: Vec<String>,
    /// A set, each member at its usual place.
    #[arg(long, value_name = "NAME")]
    pub set: Option<String>,
    /// Enter serials that are not in the logbook yet as new components of this kind.
    #[arg(long, value_name = "KIND")]
    pub new: Option<String>,
    /// Take off what is there first; it counts as removed.
    #[arg(long)]
    pub replace: bool,
    /// By whom.
    #[arg(long, value_name = "NAME")]
    pub by: Option<String>,
    /// Free text.
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub entering: Entering,
}

/// Where a removed component goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum OffOption {
    /// Not yet judged fit for use.
    Removed,
    /// Fit for use.
    Stock,
    /// Never to be used again.
    Retired,
}

/// Arguments of `remove`.
#[derive(Debug, Args)]
pub struct Remove {
    /// Serial numbers, or KIND:SERIAL.
    pub serials: Vec<String>,
    /// A whole set.
    #[arg(long, value_name = "NAME")]
    pub set: Option<String>,
    /// Where they go.
    #[arg(long, value_enum, default_value = "removed")]
    pub to: OffOption,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    pub reason: Option<String>,
    /// By whom.
    #[arg(long, value_name = "NAME")]
    pub by: Option<String>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub entering: Entering,
}

/// Arguments of `hours`.
#[derive(Debug, Args)]
pub struct Hours {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
    /// Only this aircraft and what is on it.
    #[arg(long, value_name = "NAME")]
    pub aircraft: Option<String>,
    /// Only this component: SERIAL or KIND:SERIAL.
    #[arg(long, value_name = "SERIAL")]
    pub component: Option<String>,
    /// As it stood then; now if not given.
    #[arg(long, value_name = "TIME", value_parser = instant)]
    pub at: Option<i64>,
    /// The flights behind each figure.
    #[arg(long)]
    pub flights: bool,
    /// How hard they were too: time with outputs above this share of their range, and a load index.
    #[arg(long, value_name = "SHARE", num_args = 0..=1, default_missing_value = "0.7")]
    pub above: Option<f64>,
    /// One JSON object a line (schemas/logbook.schema.json).
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `due`.
#[derive(Debug, Args)]
pub struct Due {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub fleet: FleetOption,
    /// Only this aircraft.
    #[arg(long, value_name = "NAME")]
    pub aircraft: Option<String>,
    /// As it stood then; now if not given.
    #[arg(long, value_name = "TIME", value_parser = instant)]
    pub at: Option<i64>,
    /// Only what is overdue, due or due soon.
    #[arg(long)]
    pub soon: bool,
    /// One JSON object a line (schemas/logbook.schema.json).
    #[arg(long)]
    pub json: bool,
    /// Exit with 4 if anything is overdue.
    #[arg(long)]
    pub fail_on_overdue: bool,
}

/// How an inspection ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ResultOption {
    /// Nothing to do.
    Satisfactory,
    /// Something was done.
    ActionTaken,
    /// Put off to a limit.
    Deferred,
}

/// Arguments of `sign`.
#[derive(Debug, Args)]
pub struct Sign {
    /// Name of the task, or its beginning; or a description of other work with --other-work.
    pub task: String,
    /// The aircraft; all its components that the task is for.
    #[arg(long, value_name = "NAME")]
    pub aircraft: Option<String>,
    /// Only these components: SERIAL or KIND:SERIAL.
    #[arg(long, value_name = "SERIAL")]
    pub component: Vec<String>,
    /// Work that is no task.
    #[arg(long)]
    pub other_work: bool,
    /// Name of the person who did it and answers for it.
    #[arg(long, value_name = "NAME")]
    pub by: String,
    /// Kind and number of certificate or licence.
    #[arg(long, value_name = "TEXT")]
    pub licence: Option<String>,
    /// How it ended.
    #[arg(long, value_enum, default_value = "satisfactory")]
    pub result: ResultOption,
    /// Deferred: at most so many more flights.
    #[arg(long, value_name = "N")]
    pub for_flights: Option<i64>,
    /// Deferred: at most so much more airtime, hours.
    #[arg(long, value_name = "H")]
    pub for_hours: Option<f64>,
    /// Deferred: at the latest by then.
    #[arg(long, value_name = "DATE", value_parser = instant)]
    pub until: Option<i64>,
    /// A reading: "torque reached=2.1 N m".
    #[arg(long, value_name = "NAME=VALUE UNIT")]
    pub reading: Vec<String>,
    /// What was done and found.
    #[arg(long, value_name = "TEXT")]
    pub text: Option<String>,
    /// A part changed, in words.
    #[arg(long, value_name = "TEXT")]
    pub part_changed: Vec<String>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub entering: Entering,
}

/// The answer to a finding.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum VerdictOption {
    /// Inspected, nothing found.
    NothingFound,
    /// Inspected, cause found.
    CauseFound,
    /// Not settled.
    Watching,
}

/// Arguments of `answer`.
#[derive(Debug, Args)]
pub struct Answer {
    /// Ids of findings, or their beginnings.
    #[arg(required = true, value_name = "FINDING")]
    pub findings: Vec<String>,
    /// The answer.
    #[arg(long, value_enum)]
    pub verdict: VerdictOption,
    /// By whom.
    #[arg(long, value_name = "NAME")]
    pub by: String,
    /// What was found.
    #[arg(long, value_name = "TEXT")]
    pub text: Option<String>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub entering: Entering,
}

/// Arguments of `event`.
#[derive(Debug, Args)]
pub struct Event {
    /// The aircraft.
    pub aircraft: String,
    /// What happened, as in a task's after = { event = … }: "hard landing".
    pub event: String,
    /// Free text.
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub entering: Entering,
}

/// Arguments of `pack`.
#[derive(Debug, Args)]
pub struct PackArgs {
    /// The flight's id, or its beginning.
    pub flight: String,
    /// Serials of the battery packs it flew with.
    #[arg(required = true)]
    pub serials: Vec<String>,
    /// Charge drawn from each, mAh.
    #[arg(long, value_name = "MAH")]
    pub charge: Option<i64>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub entering: Entering,
}

/// Arguments of `exclude`.
#[derive(Debug, Args)]
pub struct Exclude {
    /// The flight's id, or its beginning.
    pub flight: String,
    /// Why.
    #[arg(long, value_name = "TEXT")]
    pub reason: String,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub entering: Entering,
}
