//! What a task is done on: an aircraft, a component, or a kind of component that is not registered singly.

use super::entry::{BATTERY, SignedTarget};
use super::{Accounts, ComponentId, State};
use crate::fleet::task::WHOLE_AIRCRAFT;
use crate::fleet::{After, Task};

/// What a task is done on.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Target {
    /// The aircraft; none for a component off any.
    pub aircraft: Option<String>,
    /// The kind, if it is not the aircraft as a whole.
    pub kind: Option<String>,
    /// Position, for a fitted component.
    pub position: Option<String>,
    /// Serial, for a component in the logbook.
    pub serial: Option<String>,
}

impl Target {
    /// An aircraft as a whole.
    pub fn aircraft(name: &str) -> Self {
        Target { aircraft: Some(name.to_owned()), kind: None, position: None, serial: None }
    }

    /// The component, if it is one.
    pub fn component(&self) -> Option<ComponentId> {
        Some(ComponentId { kind: self.kind.clone()?, serial: self.serial.clone()? })
    }

    /// As it stands in a signature.
    pub fn signed(&self) -> SignedTarget {
        SignedTarget {
            aircraft: self.aircraft.clone(),
            kind: self.kind.clone(),
            serial: self.serial.clone(),
            position: self.position.clone(),
        }
    }

    /// True if a signature covers it. A component is known by its serial wherever it is.
    pub fn is_covered_by(&self, signed: &SignedTarget) -> bool {
        match &self.serial {
            Some(serial) => signed.serial.as_ref() == Some(serial) && signed.kind == self.kind,
            None => signed.serial.is_none() && signed.aircraft == self.aircraft,
        }
    }

    /// For example `front-right propeller P1`.
    pub fn words(&self) -> String {
        let parts = [self.position.as_deref(), self.kind.as_deref(), self.serial.as_deref()];
        let words: Vec<&str> = parts.into_iter().flatten().collect();
        match (&self.kind, &self.serial) {
            (None, _) => WHOLE_AIRCRAFT.to_owned(),
            (Some(kind), None) => format!("{kind}, none entered singly"),
            _ => words.join(" "),
        }
    }
}

/// Everything a task is done on at an instant.
///
/// Components of the kind that are fitted; battery packs wherever they are, since they are swapped for every
/// flight; after an event, also what has been taken off since. An aircraft without any component of the
/// kind in the logbook is a target itself, so that a task counts from the first flight.
pub fn targets(task: &Task, accounts: &Accounts<'_>, aircraft: &[String], at_us: i64) -> Vec<Target> {
    let wanted = |name: &str| task.aircraft.is_empty() || task.aircraft.iter().any(|a| a == name);
    if task.applies_to == WHOLE_AIRCRAFT {
        return aircraft.iter().filter(|a| wanted(a)).map(|a| Target::aircraft(a)).collect();
    }
    let mut found = Vec::new();
    let own = accounts.ledger.components.iter().filter(|(id, _)| id.kind == task.applies_to);
    let everywhere = task.applies_to == BATTERY || matches!(task.after, Some(After::Event(_)));
    let mut any = false;
    for (id, component) in own {
        any = true;
        let retired = matches!(component.state, State::Retired(_));
        let target = |aircraft: Option<&str>, position: Option<&str>| Target {
            aircraft: aircraft.map(str::to_owned),
            kind: Some(id.kind.clone()),
            position: position.map(str::to_owned),
            serial: Some(id.serial.clone()),
        };
        if let Some(fitting) = accounts.fitted_at(id, at_us) {
            let place = task.positions.is_empty() || task.positions.contains(&fitting.position);
            if place && wanted(&fitting.aircraft) {
                found.push(target(Some(&fitting.aircraft), Some(&fitting.position)));
            }
        } else if everywhere && task.aircraft.is_empty() && task.positions.is_empty() {
            let gone = retired && component.since_us.is_none_or(|since| since <= at_us);
            if !gone {
                found.push(target(None, None));
            }
        }
    }
    if task.applies_to == BATTERY && any {
        return found;
    }
    for name in aircraft.iter().filter(|a| wanted(a)) {
        let fitted = accounts.ledger.fittings.iter().any(|f| {
            f.id.kind == task.applies_to
                && f.aircraft == *name
                && f.from_us <= at_us
                && f.to_us.is_none_or(|to| at_us < to)
        });
        if !fitted {
            found.push(Target { kind: Some(task.applies_to.clone()), ..Target::aircraft(name) });
        }
    }
    found
}
