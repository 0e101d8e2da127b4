//! The journal's meaning. Entries are taken in the order of when they happened, corrected ones in the
//! place of the original, so that applying a correction equals having entered it right at first.

use super::conflict::{Conflict, Refused};
use super::entry::{
    Action, Answer, Assign, ComponentId, Entry, Event, Exclude, NewComponent, NewSet, Off, Place, Sign,
};
use crate::fleet::Task;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// Everything people have written down, understood.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Ledger {
    /// Components by id.
    pub components: BTreeMap<ComponentId, Component>,
    /// Every fitting, by component, then time.
    pub fittings: Vec<Fitting>,
    /// Sets by name.
    pub sets: BTreeMap<String, NewSet>,
    /// Tasks made by command, by name.
    pub tasks: BTreeMap<String, Task>,
    /// Inspections, by time.
    pub signs: Vec<Dated<Sign>>,
    /// Answers to findings, by time.
    pub answers: Vec<Dated<Answer>>,
    /// Events that call for an inspection, by time.
    pub events: Vec<Dated<Event>>,
    /// Packs named by hand, by flight.
    pub assigned: BTreeMap<String, Dated<Assign>>,
    /// Flights that do not count.
    pub excluded: BTreeMap<String, Dated<Exclude>>,
}

/// Which fitting holds an aircraft's position of a kind while the journal is followed through time.
type Taken = HashMap<(String, String, String), usize>;

/// A body with its entry and time.
#[derive(Debug, Clone, PartialEq)]
pub struct Dated<T> {
    /// The original entry.
    pub entry: i64,
    /// When.
    pub at_us: i64,
    /// What.
    pub what: T,
}

/// A component.
#[derive(Debug, Clone, PartialEq)]
pub struct Component {
    /// As entered.
    pub new: NewComponent,
    /// By which entry.
    pub entry: i64,
    /// Now.
    pub state: State,
    /// Since when; entered and never moved is `None`.
    pub since_us: Option<i64>,
}

/// Where a component is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum State {
    /// Off, fit for use.
    InStock,
    /// On an aircraft: index into [`Ledger::fittings`].
    Fitted(usize),
    /// Off, not yet judged.
    Removed,
    /// Never to be used again, by this entry.
    Retired(i64),
}

impl State {
    /// The word people read.
    pub fn word(&self) -> &'static str {
        match self {
            State::InStock => Off::InStock.word(),
            State::Fitted(_) => "fitted",
            State::Removed => Off::Removed.word(),
            State::Retired(_) => Off::Retired.word(),
        }
    }
}

/// A component on an aircraft from one instant to another.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Fitting {
    /// Which.
    pub id: ComponentId,
    /// From, inclusive.
    pub from_us: i64,
    /// To, exclusive; `None` while fitted.
    pub to_us: Option<i64>,
    /// On.
    pub aircraft: String,
    /// Where.
    pub position: String,
    /// The entry that fitted it.
    pub fit_entry: i64,
    /// The entry that removed it.
    pub remove_entry: Option<i64>,
}

impl Ledger {
    /// Understands a journal.
    ///
    /// # Errors
    /// The first entry, in order of time, that cannot be true.
    pub fn project(entries: &[Entry]) -> Result<Ledger, Refused> {
        let mut ledger = Ledger::default();
        let mut dated = effective(entries)?;
        // What exists is known whenever it was entered; only what happens has a place in time.
        for entry in &dated {
            ledger.introduce(entry).map_err(|conflict| Refused::new(entry.seq, conflict))?;
        }
        dated.sort_by_key(|e| (e.at_us, e.seq));
        let mut taken = Taken::new();
        for entry in dated {
            ledger.apply(&entry, &mut taken).map_err(|conflict| Refused::new(entry.seq, conflict))?;
        }
        ledger.sort_fittings();
        Ok(ledger)
    }

    /// What is at a position of an aircraft now.
    pub fn at(&self, aircraft: &str, kind: &str, position: &str) -> Option<&Fitting> {
        self.fittings.iter().find(|f| {
            f.to_us.is_none() && f.aircraft == aircraft && f.id.kind == kind && f.position == position
        })
    }

    /// Where a component is fitted now.
    pub fn fitted(&self, id: &ComponentId) -> Option<&Fitting> {
        match self.components.get(id)?.state {
            State::Fitted(index) => self.fittings.get(index),
            _ => None,
        }
    }

    /// A serial that resembles an unknown one, as a phrase.
    pub fn near(&self, id: &ComponentId) -> String {
        let nearest = self
            .components
            .keys()
            .map(|k| (strsim::damerau_levenshtein(&k.serial, &id.serial), k.kind != id.kind, k))
            .min();
        nearest
            .filter(|(distance, _, _)| *distance <= 1 + id.serial.len() / 4)
            .map_or_else(String::new, |(_, _, k)| format!(" (did you mean {k}?)"))
    }

    fn introduce(&mut self, entry: &Entry) -> Result<(), Conflict> {
        match &entry.action {
            Action::Component(new) => {
                let id = ComponentId { kind: new.kind.clone(), serial: new.serial.clone() };
                if let Some(other) = self.components.get(&id) {
                    return Err(Conflict::SecondComponent { id, entry: other.entry });
                }
                let component =
                    Component { new: new.clone(), entry: entry.seq, state: State::InStock, since_us: None };
                self.components.insert(id, component);
            }
            Action::Void(_) if entry.corrects.is_none() => return Err(Conflict::BareVoid),
            _ => {}
        }
        Ok(())
    }

    fn apply(&mut self, entry: &Entry, taken: &mut Taken) -> Result<(), Conflict> {
        let (at_us, seq) = (entry.at_us, entry.seq);
        match &entry.action {
            Action::Component(_) | Action::Void(_) => {}
            Action::Set(set) => {
                for member in &set.members {
                    self.known(&id_of(member))?;
                }
                self.sets.insert(set.name.clone(), set.clone());
            }
            Action::Fit(fit) => {
                if fit.places.is_empty() {
                    return Err(Conflict::Empty { what: "nothing to fit; give POSITION=SERIAL".to_owned() });
                }
                for place in &fit.places {
                    self.fit(&fit.aircraft, place, (at_us, seq), taken)?;
                }
            }
            Action::Remove(remove) => {
                for id in &remove.components {
                    self.remove(id, remove.to, (at_us, seq), taken)?;
                }
            }
            Action::State(change) => {
                for id in &change.components {
                    self.change(id, change.to, at_us, seq)?;
                }
            }
            Action::Assign(assign) => {
                for pack in &assign.packs {
                    self.known(&ComponentId {
                        kind: super::entry::BATTERY.to_owned(),
                        serial: pack.serial.clone(),
                    })?;
                }
                let dated = Dated { entry: seq, at_us, what: assign.clone() };
                self.assigned.insert(assign.flight_id.clone(), dated);
            }
            Action::Exclude(exclude) => {
                let dated = Dated { entry: seq, at_us, what: exclude.clone() };
                self.excluded.insert(exclude.flight_id.clone(), dated);
            }
            Action::Event(event) => self.events.push(Dated { entry: seq, at_us, what: event.clone() }),
            Action::Task(task) => {
                if self.tasks.contains_key(&task.name) {
                    return Err(Conflict::SecondTask { name: task.name.clone(), entry: seq });
                }
                self.tasks.insert(task.name.clone(), task.clone());
            }
            Action::EndTask(end) => {
                if self.tasks.remove(&end.name).is_none() {
                    let what =
                        format!("no task made by command is named {}; see `fettle task list`", end.name);
                    return Err(Conflict::Empty { what });
                }
            }
            Action::Sign(sign) => {
                for target in &sign.targets {
                    if let (Some(kind), Some(serial)) = (&target.kind, &target.serial) {
                        self.known(&ComponentId { kind: kind.clone(), serial: serial.clone() })?;
                    }
                }
                self.signs.push(Dated { entry: seq, at_us, what: sign.clone() });
            }
            Action::Answer(answer) => {
                self.answers.push(Dated { entry: seq, at_us, what: answer.clone() });
            }
        }
        Ok(())
    }

    fn known(&self, id: &ComponentId) -> Result<&Component, Conflict> {
        self.components
            .get(id)
            .ok_or_else(|| Conflict::UnknownComponent { id: id.clone(), near: self.near(id) })
    }

    fn usable(&self, id: &ComponentId) -> Result<&Component, Conflict> {
        let component = self.known(id)?;
        match component.state {
            State::Retired(entry) => {
                let since_us = component.since_us.unwrap_or_default();
                Err(Conflict::Retired { id: id.clone(), since_us, entry })
            }
            _ => Ok(component),
        }
    }

    fn fit(
        &mut self,
        aircraft: &str,
        place: &Place,
        (at_us, seq): (i64, i64),
        taken: &mut Taken,
    ) -> Result<(), Conflict> {
        let id = id_of(place);
        if let State::Fitted(index) = self.usable(&id)?.state {
            let there = &self.fittings[index];
            return Err(Conflict::FittedElsewhere {
                id,
                aircraft: there.aircraft.clone(),
                position: there.position.clone(),
                since_us: there.from_us,
                entry: there.fit_entry,
                at_us,
            });
        }
        let key = (aircraft.to_owned(), id.kind.clone(), place.position.clone());
        if let Some(there) = taken.get(&key).and_then(|index| self.fittings.get(*index)) {
            return Err(Conflict::PlaceTaken {
                aircraft: aircraft.to_owned(),
                position: place.position.clone(),
                id: there.id.clone(),
                since_us: there.from_us,
                entry: there.fit_entry,
            });
        }
        let index = self.fittings.len();
        taken.insert(key, index);
        self.fittings.push(Fitting {
            id: id.clone(),
            from_us: at_us,
            to_us: None,
            aircraft: aircraft.to_owned(),
            position: place.position.clone(),
            fit_entry: seq,
            remove_entry: None,
        });
        self.set_state(&id, State::Fitted(index), at_us);
        Ok(())
    }

    fn remove(
        &mut self,
        id: &ComponentId,
        to: Off,
        (at_us, seq): (i64, i64),
        taken: &mut Taken,
    ) -> Result<(), Conflict> {
        let component = self.known(id)?;
        let State::Fitted(index) = component.state else {
            return Err(Conflict::NotFitted { id: id.clone(), at_us, state: component.state.word() });
        };
        let fitting = &mut self.fittings[index];
        fitting.to_us = Some(at_us);
        fitting.remove_entry = Some(seq);
        taken.remove(&(fitting.aircraft.clone(), id.kind.clone(), fitting.position.clone()));
        self.set_state(id, off(to, seq), at_us);
        Ok(())
    }

    fn change(&mut self, id: &ComponentId, to: Off, at_us: i64, seq: i64) -> Result<(), Conflict> {
        if let State::Fitted(index) = self.usable(id)?.state {
            let there = &self.fittings[index];
            return Err(Conflict::StillFitted {
                id: id.clone(),
                aircraft: there.aircraft.clone(),
                position: there.position.clone(),
            });
        }
        self.set_state(id, off(to, seq), at_us);
        Ok(())
    }

    fn set_state(&mut self, id: &ComponentId, state: State, at_us: i64) {
        if let Some(component) = self.components.get_mut(id) {
            component.state = state;
            component.since_us = Some(at_us);
        }
    }

    fn sort_fittings(&mut self) {
        self.fittings.sort();
        for (index, fitting) in self.fittings.iter().enumerate() {
            if fitting.to_us.is_none()
                && let Some(component) = self.components.get_mut(&fitting.id)
            {
                component.state = State::Fitted(index);
            }
        }
    }
}

fn off(to: Off, seq: i64) -> State {
    match to {
        Off::InStock => State::InStock,
        Off::Removed => State::Removed,
        Off::Retired => State::Retired(seq),
    }
}

fn id_of(place: &Place) -> ComponentId {
    ComponentId { kind: place.kind.clone(), serial: place.serial.clone() }
}

/// What stands in the place of an entry now, under the original's number; an entry that voids it included.
pub fn standing(entries: &[Entry], seq: i64) -> Option<Entry> {
    let mut root = seq;
    while let Some(before) = entries.iter().find(|e| e.seq == root).and_then(|e| e.corrects) {
        root = before;
    }
    let mut chain = BTreeSet::from([root]);
    let mut last = None;
    for entry in entries {
        if entry.seq == root || entry.corrects.is_some_and(|c| chain.contains(&c)) {
            chain.insert(entry.seq);
            last = Some(entry);
        }
    }
    last.map(|entry| Entry { seq: root, ..entry.clone() })
}

/// Every original entry with the time and content of its last correction; voided ones left out.
pub fn effective(entries: &[Entry]) -> Result<Vec<Entry>, Refused> {
    let mut originals: BTreeMap<i64, Entry> = BTreeMap::new();
    let mut root_of: BTreeMap<i64, i64> = BTreeMap::new();
    for entry in entries {
        let refuse = |conflict| Refused::new(entry.seq, conflict);
        let Some(corrected) = entry.corrects else {
            root_of.insert(entry.seq, entry.seq);
            originals.insert(entry.seq, entry.clone());
            continue;
        };
        let root = root_of.get(&corrected).copied();
        let Some((root, original)) = root.and_then(|r| Some((r, originals.get_mut(&r)?))) else {
            return Err(refuse(Conflict::NothingToCorrect { entry: corrected }));
        };
        let was = original.action.word();
        let is = entry.action.word();
        if is != was && is != "void" && was != "void" {
            return Err(refuse(Conflict::OtherKind { entry: corrected, was }));
        }
        root_of.insert(entry.seq, root);
        *original = Entry { seq: root, corrects: Some(corrected), ..entry.clone() };
    }
    Ok(originals.into_values().filter(|e| e.corrects.is_none() || e.action.word() != "void").collect())
}
