//! The fleet's flights, findings and logbook together.

use super::args::FleetOption;
use super::output::Output;
use super::{Failure, filing, fleet};
use crate::archive::layout::FleetDir;
use crate::archive::row::{FindingRow, FlightRow};
use crate::archive::{catalogue, packs};
use crate::feed::sources::Hashes;
use crate::finding::Severity;
use crate::fleet::{Fleet, Task};
use crate::logbook::{Logbook, journal};
use crate::usage::due::OpenFinding;
use crate::usage::entry::{BATTERY, ComponentId, Verdict};
use crate::usage::target::Craft;
use crate::usage::{Accounts, Entry, Flown, Ledger};
use rusqlite::Connection;
use std::collections::{BTreeSet, HashMap};

/// Everything known about a fleet's use.
pub struct Records {
    /// The folder.
    pub dir: FleetDir,
    /// Its settings.
    pub fleet: Fleet,
    /// Flights of the archive.
    pub rows: Vec<FlightRow>,
    /// The same as usage sees them.
    pub flights: Vec<Flown>,
    /// What the journal means.
    pub ledger: Ledger,
    /// The journal.
    pub entries: Vec<Entry>,
    /// Now, Unix microseconds.
    pub now_us: i64,
    pub(super) logbook: Option<Logbook>,
}

impl Records {
    /// Reads the fleet's flights and logbook.
    ///
    /// # Errors
    /// If there is no fleet, or its archive or logbook cannot be read.
    pub fn open(option: &FleetOption, output: &mut Output) -> Result<Records, Failure> {
        let (dir, fleet) = fleet::required(option.fleet.as_deref())?;
        let now_us = now_us();
        let logbook = Logbook::existing(&dir.logbook(), now_us)?;
        if let Some(copy) = logbook.as_ref().and_then(|l| l.migrated.as_ref()) {
            output
                .say(&format!("the logbook was brought to a newer version; a copy is in {}", copy.display()));
        }
        let entries = logbook.as_ref().map_or(Ok(Vec::new()), Logbook::entries)?;
        let ledger = Ledger::project(&entries)
            .map_err(|e| Failure(format!("the logbook contradicts itself at entry {}: {e}", e.entry)))?;
        let (rows, evidence) = filing::flights(&dir, None)?;
        let mut also: HashMap<String, Vec<String>> = HashMap::new();
        for (row, lead) in evidence {
            also.entry(lead).or_default().push(row.flight_id);
        }
        let charged = ledger.components.values().any(|c| c.new.kind == BATTERY);
        let packs = packs::by_flight(&dir, &rows, charged)?;
        let flights = rows.iter().map(|row| flown(row, &packs, &mut also)).collect();
        Ok(Records { dir, fleet, rows, flights, ledger, entries, now_us, logbook })
    }

    /// Flights and ledger joined.
    pub fn accounts(&self) -> Accounts<'_> {
        Accounts::new(&self.ledger, &self.flights)
    }

    /// Tasks of `fleet.toml`, then those made by command.
    pub fn tasks(&self) -> Vec<Task> {
        let own = self.ledger.tasks.values().filter(|t| self.fleet.tasks.iter().all(|f| f.name != t.name));
        self.fleet.tasks.iter().chain(own).cloned().collect()
    }

    /// Aircraft of `fleet.toml`, of the archive and of the fittings, by name.
    pub fn aircraft(&self) -> Vec<String> {
        let declared = self.fleet.aircraft.iter().map(|a| a.name.as_str());
        let flown = self.rows.iter().map(|r| r.aircraft.as_str());
        let fitted = self.ledger.fittings.iter().map(|f| f.aircraft.as_str());
        let all: BTreeSet<&str> = declared.chain(flown).chain(fitted).collect();
        all.into_iter().map(str::to_owned).collect()
    }

    /// The same with the positions of their motors.
    pub fn crafts(&self) -> Vec<Craft> {
        self.aircraft().iter().map(|name| self.craft(name)).collect()
    }

    /// An aircraft with the positions of its motors.
    pub fn craft(&self, name: &str) -> Craft {
        let described = self.fleet.aircraft.iter().find(|a| a.name == name);
        let motors = described.and_then(|a| a.airframe.as_ref()).into_iter().flat_map(|a| &a.motors);
        Craft { name: name.to_owned(), positions: motors.map(|m| m.position.clone()).collect() }
    }

    /// Refuses an aircraft nobody knows.
    ///
    /// # Errors
    /// With the names that are known.
    pub fn known_aircraft(&self, name: &str) -> Result<(), Failure> {
        let all = self.aircraft();
        if all.iter().any(|a| a == name) {
            return Ok(());
        }
        let known = if all.is_empty() { "none yet".to_owned() } else { all.join(", ") };
        Err(Failure(format!(
            "no aircraft is named {name}; known: {known}; a new one is described in {}",
            self.dir.settings().display()
        )))
    }

    /// The component that a user means by SERIAL or KIND:SERIAL.
    ///
    /// # Errors
    /// If there is none, or several kinds have that serial.
    pub fn component(&self, text: &str) -> Result<ComponentId, Failure> {
        let exact = text.split_once(':').map(|(kind, serial)| ComponentId {
            kind: crate::fleet::task::kind_word(kind),
            serial: serial.to_owned(),
        });
        let all: Vec<&ComponentId> = self
            .ledger
            .components
            .keys()
            .filter(|id| id.serial == text || exact.as_ref() == Some(*id))
            .collect();
        match all.as_slice() {
            [one] => Ok((*one).clone()),
            [] => {
                let id =
                    exact.unwrap_or_else(|| ComponentId { kind: "KIND".to_owned(), serial: text.to_owned() });
                Err(Failure(format!(
                    "no component has the serial number {}{}; `fettle component add {} {}` enters it",
                    id.serial,
                    self.ledger.near(&id),
                    id.kind,
                    id.serial
                )))
            }
            many => {
                let all: Vec<String> = many.iter().map(|id| format!("{}:{}", id.kind, id.serial)).collect();
                Err(Failure(format!("{text} is the serial number of several; say which: {}", all.join(", "))))
            }
        }
    }

    /// The flight whose id begins so.
    ///
    /// # Errors
    /// If there is none or more than one.
    pub fn flight(&self, beginning: &str) -> Result<&FlightRow, Failure> {
        let found: Vec<&FlightRow> =
            self.rows.iter().filter(|r| r.flight_id.starts_with(beginning)).collect();
        match found.as_slice() {
            [one] => Ok(one),
            [] => Err(Failure(format!(
                "no flight's id begins with {beginning}; `fettle flights --json` has them"
            ))),
            many => {
                Err(Failure(format!("{} flights' ids begin with {beginning}; give more of it", many.len())))
            }
        }
    }

    /// The archive's findings as `due` sees them; answers given before `at_us` count.
    ///
    /// # Errors
    /// If the archive cannot be read.
    pub fn findings(&self, at_us: i64) -> Result<Vec<OpenFinding>, Failure> {
        let rows: Vec<FindingRow> = catalogue::read(&self.dir, None)?;
        let settled = self.settled(at_us);
        let touchdown: HashMap<&str, Option<i64>> =
            self.rows.iter().map(|r| (r.flight_id.as_str(), r.touchdown_utc.map(|t| t.0))).collect();
        let open = rows.into_iter().filter_map(|row| {
            Some(OpenFinding {
                severity: Severity::from_word(&row.severity)?,
                at_us: touchdown.get(row.flight_id.as_str()).copied().flatten(),
                answered: settled.contains(row.finding_id.as_str()),
                finding_id: row.finding_id,
                aircraft: row.aircraft,
                kind: row.kind,
                subject: row.subject,
                summary: row.summary,
            })
        });
        Ok(open.collect())
    }

    /// The archive's findings that nobody has settled by `at_us`.
    ///
    /// # Errors
    /// If the archive cannot be read.
    pub fn open_findings(&self, at_us: i64) -> Result<Vec<FindingRow>, Failure> {
        let mut rows: Vec<FindingRow> = catalogue::read(&self.dir, None)?;
        let settled = self.settled(at_us);
        rows.retain(|row| !settled.contains(row.finding_id.as_str()));
        Ok(rows)
    }

    /// Findings whose last answer says what it was; one that is being watched is not settled.
    fn settled(&self, at_us: i64) -> BTreeSet<&str> {
        let mut settled = BTreeSet::new();
        for answer in self.ledger.answers.iter().filter(|a| a.at_us <= at_us) {
            let id = answer.what.finding_id.as_str();
            if answer.what.answer == Verdict::Watching {
                settled.remove(id)
            } else {
                settled.insert(id)
            };
        }
        settled
    }

    /// Makes the logbook if there is none yet.
    ///
    /// # Errors
    /// If it cannot be made.
    pub fn begin(&mut self) -> Result<(), Failure> {
        if self.logbook.is_none() {
            self.logbook = Some(Logbook::open(&self.dir.logbook(), self.now_us)?);
        }
        Ok(())
    }

    /// The feed's tables.
    ///
    /// # Errors
    /// If there is no logbook.
    pub fn told(&self) -> Result<&Connection, Failure> {
        let logbook = self.logbook.as_ref();
        logbook.map(Logbook::feed).ok_or_else(|| Failure("there is no logbook yet".to_owned()))
    }

    /// Hashes of the journal by original entry.
    ///
    /// # Errors
    /// If the logbook cannot be read.
    pub fn hashes(&self) -> Result<HashMap<i64, Hashes>, Failure> {
        let lines = self.logbook.as_ref().map_or(Ok(Vec::new()), Logbook::lines)?;
        Ok(journal::hashes(&lines))
    }
}

/// This machine's clock, Unix microseconds.
pub fn now_us() -> i64 {
    jiff::Timestamp::now().as_microsecond()
}

fn flown(
    row: &FlightRow,
    packs: &HashMap<String, Vec<crate::usage::Pack>>,
    also: &mut HashMap<String, Vec<String>>,
) -> Flown {
    Flown {
        flight_id: row.flight_id.clone(),
        also: also.remove(&row.flight_id).unwrap_or_default(),
        aircraft: row.aircraft.clone(),
        airborne_us: row.takeoff_utc.zip(row.touchdown_utc).map(|(from, to)| (from.0, to.0)),
        airtime_ms: row.airtime_ms,
        landings: row.landings,
        motor_starts: row.motor_starts,
        packs: packs.get(&row.flight_id).cloned().unwrap_or_default(),
    }
}
