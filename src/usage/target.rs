//! What a task is done on: an aircraft, a component, or a kind of component that is not registered singly.

use super::entry::{AT_MOTORS, BATTERY, SignedTarget};
use super::{Accounts, ComponentId, State};
use crate::fleet::task::WHOLE_AIRCRAFT;
use crate::fleet::{After, Task};

/// An aircraft as tasks see it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Craft {
    /// Its name.
    pub name: String,
    /// Where its motors sit; empty if it is not described.
    pub positions: Vec<String>,
}

impl From<&str> for Craft {
    fn from(name: &str) -> Self {
        Craft { name: name.to_owned(), positions: Vec::new() }
    }
}

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
    /// Others of the kind on this aircraft are in the logbook; this is the rest of them.
    pub rest: bool,
}

impl Target {
    /// An aircraft as a whole.
    pub fn aircraft(name: &str) -> Self {
        Target { aircraft: Some(name.to_owned()), kind: None, position: None, serial: None, rest: false }
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
            (Some(kind), None) if self.rest => format!("{kind}, the rest not entered singly"),
            (Some(kind), None) => format!("{kind}, none entered singly"),
            _ => words.join(" "),
        }
    }
}

/// The position in the airframe: `front-right/upper` is at `front-right`.
pub fn base(position: &str) -> &str {
    position.split('/').next().unwrap_or(position)
}

/// Positions of an aircraft that hold a component of a kind at an instant.
pub fn held<'a>(
    accounts: &Accounts<'a>,
    aircraft: &str,
    kind: &str,
    at_us: i64,
) -> impl Iterator<Item = &'a str> {
    accounts.ledger.fittings.iter().filter_map(move |f| {
        let there = f.id.kind == kind && f.aircraft == aircraft;
        let then = f.from_us <= at_us && f.to_us.is_none_or(|to| at_us < to);
        (there && then).then_some(f.position.as_str())
    })
}

/// Everything a task is done on at an instant.
///
/// Components of the kind that are fitted; battery packs wherever they are, since they are swapped for every
/// flight; after an event, also what has been taken off since. What an aircraft has of the kind and the logbook
/// does not is one target together, so that a task counts from the first flight.
pub fn targets(task: &Task, accounts: &Accounts<'_>, aircraft: &[Craft], at_us: i64) -> Vec<Target> {
    let wanted = |name: &str| task.aircraft.is_empty() || task.aircraft.iter().any(|a| a == name);
    let aircraft = aircraft.iter().filter(|a| wanted(&a.name));
    if task.applies_to == WHOLE_AIRCRAFT {
        return aircraft.map(|a| Target::aircraft(&a.name)).collect();
    }
    let battery = task.applies_to == BATTERY;
    let mut found = Vec::new();
    let mut packs = Vec::new();
    for (id, component) in accounts.ledger.components.iter().filter(|(id, _)| id.kind == task.applies_to) {
        let retired = matches!(component.state, State::Retired(_));
        let target = |aircraft: Option<&str>, position: Option<&str>| Target {
            aircraft: aircraft.map(str::to_owned),
            kind: Some(id.kind.clone()),
            position: position.map(str::to_owned),
            serial: Some(id.serial.clone()),
            rest: false,
        };
        if let Some(fitting) = accounts.fitted_at(id, at_us) {
            packs.push(id);
            let meant = |p: &String| *p == fitting.position || *p == base(&fitting.position);
            let place = task.positions.is_empty() || task.positions.iter().any(meant);
            if place && wanted(&fitting.aircraft) {
                found.push(target(Some(&fitting.aircraft), Some(&fitting.position)));
            }
            continue;
        }
        if retired && component.since_us.is_none_or(|since| since <= at_us) {
            continue;
        }
        packs.push(id);
        let ours = task.aircraft.is_empty()
            || battery && task.aircraft.iter().any(|name| accounts.flies_on(id, name, at_us));
        if ours && task.positions.is_empty() && (battery || matches!(task.after, Some(After::Event(_)))) {
            found.push(target(None, None));
        }
    }
    for craft in aircraft {
        let held: Vec<&str> = held(accounts, &craft.name, &task.applies_to, at_us).collect();
        let flies = || packs.iter().any(|id| accounts.flies_on(id, &craft.name, at_us));
        let whole = if battery { !held.is_empty() || flies() } else { none_left(task, craft, &held) };
        if !whole {
            let rest = !held.is_empty();
            found.push(Target { kind: Some(task.applies_to.clone()), rest, ..Target::aircraft(&craft.name) });
        }
    }
    found
}

/// Positions of a task at which none of its aircraft has a motor or was ever fitted with the kind, as far as anything is
/// known: the task never falls due there.
pub fn nowhere<'t>(task: &'t Task, accounts: &Accounts<'_>, aircraft: &[Craft]) -> Vec<&'t str> {
    let wanted = |name: &str| task.aircraft.is_empty() || task.aircraft.iter().any(|a| a == name);
    let fittings = accounts.ledger.fittings.iter();
    let fitted = fittings.filter(|f| f.id.kind == task.applies_to && wanted(&f.aircraft));
    let at_motors = AT_MOTORS.contains(&task.applies_to.as_str());
    let motors = aircraft.iter().filter(|a| at_motors && wanted(&a.name)).flat_map(|a| &a.positions);
    let known: Vec<&str> = fitted.map(|f| &f.position).chain(motors).map(String::as_str).collect();
    let is_there =
        |p: &str| known.is_empty() || known.iter().any(|k| *k == p || *k == base(p) || base(k) == p);
    task.positions.iter().map(String::as_str).filter(|p| !is_there(p)).collect()
}

/// Whether the logbook holds all of the kind that an aircraft has, as far as is known.
fn none_left(task: &Task, craft: &Craft, held: &[&str]) -> bool {
    if held.is_empty() {
        return false;
    }
    // What was not entered was not seen to be changed.
    if task.after.as_ref().is_some_and(|after| *after == After::Change(task.applies_to.clone())) {
        return true;
    }
    let at_motors = AT_MOTORS.contains(&task.applies_to.as_str());
    let has = |position: &str| {
        !at_motors || craft.positions.is_empty() || craft.positions.iter().any(|p| p == base(position))
    };
    let all = match (task.positions.is_empty(), at_motors) {
        (false, _) => &task.positions,
        (true, true) => &craft.positions,
        (true, false) => return true,
    };
    all.iter().filter(|p| has(p)).all(|p| held.iter().any(|h| h == p || base(h) == p))
}
