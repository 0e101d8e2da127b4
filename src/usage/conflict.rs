//! Why a history is impossible, in words that say what to do.

use super::{ComponentId, utc};

/// An entry that cannot be true together with the others.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Conflict {
    /// The component is in the logbook already.
    #[error("{id} is in the logbook already (entry {entry}); serial numbers are unique within a kind")]
    SecondComponent {
        /// Which.
        id: ComponentId,
        /// Where it was entered.
        entry: i64,
    },
    /// The component was never entered.
    #[error("{id} is not in the logbook{near}; `fettle component add {} {}` enters it", id.kind, id.serial)]
    UnknownComponent {
        /// Which.
        id: ComponentId,
        /// A similar serial, as a phrase.
        near: String,
    },
    /// The component is fitted elsewhere at that time.
    #[error(
        "{id} is already on {aircraft} at {position} from {} (entry {entry}), so it cannot be fitted at {} too; \
         remove it first, or correct one of the two entries", utc(*since_us), utc(*at_us)
    )]
    FittedElsewhere {
        /// Which.
        id: ComponentId,
        /// Where it is.
        aircraft: String,
        /// At which position.
        position: String,
        /// Since when.
        since_us: i64,
        /// By which entry.
        entry: i64,
        /// When it was to be fitted.
        at_us: i64,
    },
    /// The position is taken at that time.
    #[error(
        "{position} of {aircraft} already holds {id} from {} (entry {entry}); remove it first, or give --replace",
        utc(*since_us)
    )]
    PlaceTaken {
        /// The aircraft.
        aircraft: String,
        /// The position.
        position: String,
        /// What is there.
        id: ComponentId,
        /// Since when.
        since_us: i64,
        /// By which entry.
        entry: i64,
    },
    /// The component is not fitted at that time.
    #[error("{id} is not fitted to anything at {} (it is {state}); check the time and the serial number", utc(*at_us))]
    NotFitted {
        /// Which.
        id: ComponentId,
        /// When it was to be removed.
        at_us: i64,
        /// Its state then.
        state: &'static str,
    },
    /// The component was retired.
    #[error("{id} was retired at {} (entry {entry}) and cannot be used again; if that was an error, `fettle logbook correct {entry} --void`", utc(*since_us))]
    Retired {
        /// Which.
        id: ComponentId,
        /// Since when.
        since_us: i64,
        /// By which entry.
        entry: i64,
    },
    /// A fitted component was to be put in stock without being removed.
    #[error("{id} is on {aircraft} at {position}; `fettle remove {}` takes it off", id.serial)]
    StillFitted {
        /// Which.
        id: ComponentId,
        /// Where.
        aircraft: String,
        /// At which position.
        position: String,
    },
    /// The corrected entry does not exist.
    #[error("there is no earlier entry {entry} to correct; `fettle logbook list` shows them")]
    NothingToCorrect {
        /// Which.
        entry: i64,
    },
    /// A correction is of another kind than what it corrects.
    #[error(
        "entry {entry} is of kind {was}, and a correction must be too; void it with `fettle logbook correct {entry} --void` and enter the other anew"
    )]
    OtherKind {
        /// Which.
        entry: i64,
        /// Its kind.
        was: &'static str,
    },
    /// A void without anything to correct.
    #[error("an entry that voids must say which entry it corrects")]
    BareVoid,
    /// An unknown set member or an empty list.
    #[error("{what}")]
    Empty {
        /// What is missing and what to do.
        what: String,
    },
    /// A task name is taken.
    #[error("a task is named {name} already (entry {entry}); end it first, or correct that entry")]
    SecondTask {
        /// Which.
        name: String,
        /// Where it was entered.
        entry: i64,
    },
}

/// A conflict and the entry that cannot be true.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{conflict}")]
pub struct Refused {
    /// The entry.
    pub entry: i64,
    /// Why.
    pub conflict: Box<Conflict>,
}

impl Refused {
    /// An entry and why it cannot be.
    pub fn new(entry: i64, conflict: Conflict) -> Self {
        Refused { entry, conflict: Box::new(conflict) }
    }
}
