//! What a person can write down, as it stands in the journal. An entry is never changed: a correction is
//! a new entry that says which one it replaces.

use super::Amount;
use crate::fleet::Task;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Which component: serial numbers are unique within a kind.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ComponentId {
    /// For example `propeller`.
    pub kind: String,
    /// Serial number or the owner's own mark.
    pub serial: String,
}

impl fmt::Display for ComponentId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.kind, self.serial)
    }
}

/// Kinds with a name of their own; a user may name others.
pub const KINDS: [&str; 10] = [
    "airframe",
    "autopilot",
    "battery-pack",
    "boom",
    "esc",
    "gnss-mast",
    "isolator-set",
    "motor",
    "payload-mount",
    "propeller",
];
/// The kind whose use follows the serial in the log.
pub const BATTERY: &str = "battery-pack";
/// Kinds of which there is one at every motor.
pub const AT_MOTORS: [&str; 4] = ["propeller", "motor", "esc", "boom"];

/// One line of the journal.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Number from 1.
    pub seq: i64,
    /// When it happened, Unix microseconds.
    pub at_us: i64,
    /// When it was written down, Unix microseconds.
    pub entered_us: i64,
    /// What happened.
    pub action: Action,
    /// The entry it replaces.
    pub corrects: Option<i64>,
}

/// What happened.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", content = "body", rename_all = "snake_case")]
pub enum Action {
    /// A component was taken into the logbook.
    Component(NewComponent),
    /// A set was named.
    Set(NewSet),
    /// Components were fitted.
    Fit(Fit),
    /// Components were taken off.
    Remove(Remove),
    /// A component off the aircraft was put in stock or retired.
    State(ChangeState),
    /// Packs were named by hand for a flight.
    Assign(Assign),
    /// A flight does not count: recorded twice, or not a flight.
    Exclude(Exclude),
    /// Something happened that calls for an inspection.
    Event(Event),
    /// A task was made by command.
    Task(Task),
    /// A task made by command ended.
    EndTask(EndTask),
    /// An inspection was done.
    Sign(Sign),
    /// A finding was answered.
    Answer(Answer),
    /// The entry that this corrects never happened.
    Void(Void),
}

impl Action {
    /// The word in the journal's `kind` column.
    pub fn word(&self) -> &'static str {
        match self {
            Action::Component(_) => "component",
            Action::Set(_) => "set",
            Action::Fit(_) => "fit",
            Action::Remove(_) => "remove",
            Action::State(_) => "state",
            Action::Assign(_) => "assign",
            Action::Exclude(_) => "exclude",
            Action::Event(_) => "event",
            Action::Task(_) => "task",
            Action::EndTask(_) => "end_task",
            Action::Sign(_) => "sign",
            Action::Answer(_) => "answer",
            Action::Void(_) => "void",
        }
    }
}

macro_rules! bodies {
    ($($(#[$doc:meta])* $name:ident { $($(#[$field_doc:meta])* $field:ident: $type:ty,)* })*) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
        #[serde(default, deny_unknown_fields)]
        pub struct $name { $($(#[$field_doc])* pub $field: $type,)* }
    )*};
}

bodies! {
    /// A component taken into the logbook.
    NewComponent {
        /// Kind.
        kind: String,
        /// Serial.
        serial: String,
        /// The maker's part number.
        part_number: Option<String>,
        /// Use before fettle.
        opening: Amount,
        /// Cycles before fettle, in thousandths.
        opening_millicycles: i64,
        /// When it may no longer be used.
        life: Life,
        /// Capacity of a battery pack, for equivalent full cycles.
        capacity_mah: Option<i64>,
        /// Calendar days count from here: made or first used. Else from its first fitting, or
        /// the first flight whose log names it.
        since_us: Option<i64>,
        /// Free text.
        note: Option<String>,
    }
    /// Life limits; absent is unlimited.
    Life {
        /// Airtime.
        airtime_ms: Option<i64>,
        /// Flights.
        flights: Option<i64>,
        /// Cycles.
        cycles: Option<i64>,
        /// Days of 24 hours.
        days: Option<i64>,
        /// A last day.
        until_us: Option<i64>,
    }
    /// A named set and each member's usual place.
    NewSet {
        /// Its name.
        name: String,
        /// Members.
        members: Vec<Place>,
    }
    /// A component and a position.
    Place {
        /// Kind.
        kind: String,
        /// Serial.
        serial: String,
        /// Position.
        position: String,
    }
    /// Components fitted to an aircraft.
    Fit {
        /// The aircraft.
        aircraft: String,
        /// What, and where.
        places: Vec<Place>,
        /// By whom.
        by: Option<String>,
        /// Free text.
        note: Option<String>,
    }
    /// Components taken off.
    Remove {
        /// Which.
        components: Vec<ComponentId>,
        /// Where they went.
        to: Off,
        /// Why.
        reason: Option<String>,
        /// By whom.
        by: Option<String>,
    }
    /// A component off the aircraft, put in stock or retired.
    ChangeState {
        /// Which.
        components: Vec<ComponentId>,
        /// Where it went.
        to: Off,
        /// Why.
        reason: Option<String>,
    }
    /// Packs named by hand for a flight.
    Assign {
        /// The flight.
        flight_id: String,
        /// Serials of battery packs.
        packs: Vec<AssignedPack>,
    }
    /// A pack named by hand.
    AssignedPack {
        /// Serial.
        serial: String,
        /// Charge drawn, if known.
        charge_mah: Option<i64>,
    }
    /// A flight that does not count.
    Exclude {
        /// The flight.
        flight_id: String,
        /// Why.
        reason: String,
    }
    /// Something that calls for an inspection.
    Event {
        /// The aircraft.
        aircraft: String,
        /// For example `hard landing`.
        event: String,
        /// Free text.
        note: Option<String>,
    }
    /// A task made by command that ended.
    EndTask {
        /// Its name.
        name: String,
        /// Why.
        reason: Option<String>,
    }
    /// An inspection done: what 14 CFR 43.9, 43.11 and 91.417 ask of a record, in substance. The date is the
    /// entry's own; the hours at that time follow from the flights.
    Sign {
        /// Task, or a description of the work.
        task: String,
        /// On what.
        targets: Vec<SignedTarget>,
        /// Name of the person.
        by: String,
        /// Kind and number of certificate or licence, as the person gives it.
        licence: Option<String>,
        /// The result.
        result: SignResult,
        /// If deferred: until when at the latest.
        deferred_until: Limit,
        /// Readings.
        readings: Vec<Reading>,
        /// What was done and found.
        text: Option<String>,
        /// Parts changed, in words.
        parts_changed: Vec<String>,
    }
    /// What was inspected.
    SignedTarget {
        /// The aircraft; none for a component off any.
        aircraft: Option<String>,
        /// Kind, for a component.
        kind: Option<String>,
        /// Serial, for a component.
        serial: Option<String>,
        /// Position, for a component.
        position: Option<String>,
    }
    /// A limit counted from the signature.
    Limit {
        /// More airtime.
        airtime_ms: Option<i64>,
        /// More flights.
        flights: Option<i64>,
        /// An instant.
        until_us: Option<i64>,
    }
    /// A number with a unit.
    Reading {
        /// What.
        name: String,
        /// How much, as written.
        value: String,
        /// Unit.
        unit: String,
    }
    /// A finding answered; what it said is kept, so that the record stands on its own.
    Answer {
        /// The finding.
        finding_id: String,
        /// The answer.
        answer: Verdict,
        /// By whom.
        by: String,
        /// Free text.
        text: Option<String>,
        /// The aircraft of the finding.
        aircraft: String,
        /// The finding's kind.
        finding_kind: String,
        /// The finding's subject.
        subject: String,
        /// The finding's flight.
        flight_id: String,
    }
    /// An entry that never happened.
    Void {
        /// Why.
        reason: String,
    }
}

macro_rules! words {
    ($($(#[$doc:meta])* $name:ident { $first:ident $first_word:literal $first_doc:literal, $($variant:ident $word:literal $variant_doc:literal,)* })*) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
        #[serde(rename_all = "snake_case")]
        pub enum $name {
            #[doc = $first_doc] #[default] $first,
            $(#[doc = $variant_doc] $variant,)*
        }
        impl $name {
            /// The word people read.
            pub fn word(self) -> &'static str {
                match self { $name::$first => $first_word, $($name::$variant => $word,)* }
            }
        }
    )*};
}

words! {
    /// Where a component goes when it is off.
    Off {
        Removed "removed" "Off, not yet judged fit for use.",
        InStock "in stock" "Off, fit for use.",
        Retired "retired" "Never to be used again.",
    }
    /// How an inspection ended.
    SignResult {
        Satisfactory "satisfactory" "Nothing to do.",
        ActionTaken "action taken" "Something was done.",
        Deferred "deferred" "Put off to a stated limit.",
    }
    /// The answer to a finding.
    Verdict {
        Watching "watching" "Not settled.",
        NothingFound "nothing found" "Inspected, nothing found.",
        CauseFound "cause found" "Inspected, cause found.",
    }
}
