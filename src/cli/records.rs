//! The fleet's flights, findings and logbook together, and the one way in which an entry is made: judged,
//! its consequences shown, confirmed, written.

use super::args::FleetOption;
use super::logbook_args::Entering;
use super::output::Output;
use super::{Failure, fleet};
use crate::archive::layout::FleetDir;
use crate::archive::row::{FindingRow, FlightRow};
use crate::archive::{catalogue, packs};
use crate::feed::sources::Hashes;
use crate::finding::Severity;
use crate::fleet::{Fleet, Task};
use crate::logbook::{Draft, Logbook, journal};
use crate::report::{journal_text, text, usage_json, usage_text};
use crate::usage::due::OpenFinding;
use crate::usage::entry::{Action, BATTERY, ComponentId, Verdict};
use crate::usage::flown::in_the_air;
use crate::usage::{Accounts, Amount, Entry, Flown, Ledger, utc};
use rusqlite::Connection;
use serde_json::json;
use std::collections::{BTreeSet, HashMap};
use std::io::{self, BufRead, IsTerminal};

/// Entries may be so far ahead of this machine's clock: clocks differ a little.
const AHEAD_US: i64 = 5 * 60 * 1_000_000;

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
    logbook: Option<Logbook>,
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
        let rows: Vec<FlightRow> = catalogue::read(&dir, None)?;
        let charged = ledger.components.values().any(|c| c.new.kind == BATTERY);
        let packs = packs::by_flight(&dir, &rows, charged)?;
        let flights = rows.iter().map(|row| flown(row, &packs)).collect();
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
                at_us: touchdown.get(row.flight_id.as_str()).copied().flatten().unwrap_or(i64::MIN),
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

    /// When an entry happened: as given, else now.
    ///
    /// # Errors
    /// If it lies in the future.
    pub fn when(&self, entering: &Entering) -> Result<i64, Failure> {
        let at = entering.at.unwrap_or(self.now_us);
        if at > self.now_us + AHEAD_US {
            return Err(Failure(format!(
                "{} lies in the future (it is {} now); an entry says what has happened",
                utc(at),
                utc(self.now_us)
            )));
        }
        Ok(at)
    }

    /// Writes entries: judged against the journal and the flights; what they change in hours already counted
    /// is shown, and done only if confirmed.
    ///
    /// # Errors
    /// If they contradict the journal, lie in the air, are not confirmed, or cannot be written.
    pub fn enter(
        &mut self,
        drafts: &[Draft],
        confirmed: bool,
        as_json: bool,
        output: &mut Output,
    ) -> Result<(), Failure> {
        let after = Logbook::preview(&self.entries, drafts, self.now_us)?;
        self.refuse_in_the_air(&after)?;
        let changes = self.changes(&after);
        if !changes.is_empty() {
            output.say("this changes hours already counted:");
            changes.iter().for_each(|line| output.say(text::wrapped(line, "  ").trim_end()));
            if !confirmed && !ask("do it? [y/N] ", output) {
                return Err(Failure(
                    "not done; check the time (--at), or give --yes to change the hours as shown".to_owned(),
                ));
            }
        }
        let seen = self.entries.last().map_or(0, |e| e.seq);
        let logbook = match &mut self.logbook {
            Some(logbook) => logbook,
            none => none.insert(Logbook::open(&self.dir.logbook(), self.now_us)?),
        };
        let numbers = logbook.append(seen, drafts, self.now_us)?;
        self.entries = logbook.entries()?;
        self.ledger = after;
        for entry in self.entries.iter().filter(|e| numbers.contains(&e.seq)) {
            if as_json {
                output.record(&usage_json::entry(entry));
            } else {
                output.answer(&text::wrapped(&journal_text::entry(entry), ""));
            }
        }
        if as_json {
            output.record(&json!({"type": "summary", "entries": numbers, "changes": changes}));
        }
        Ok(())
    }

    fn refuse_in_the_air(&self, after: &Ledger) -> Result<(), Failure> {
        let before = Accounts::new(&self.ledger, &self.flights);
        let known: BTreeSet<(String, &str, i64)> = before
            .straddles()
            .iter()
            .map(|s| (s.fitting.id.to_string(), s.flight.flight_id.as_str(), s.at_us))
            .collect();
        let after = Accounts::new(after, &self.flights);
        let new = after
            .straddles()
            .into_iter()
            .find(|s| !known.contains(&(s.fitting.id.to_string(), s.flight.flight_id.as_str(), s.at_us)));
        let Some(straddle) = new else { return Ok(()) };
        let aircraft = &straddle.fitting.aircraft;
        let legal = in_the_air(&self.flights, aircraft, straddle.at_us);
        let (before_us, after_us) =
            legal.map_or((straddle.at_us, straddle.at_us), |l| (l.before_us, l.after_us));
        Err(Failure(format!(
            "{aircraft} was in the air at {} (flight {}), so {} could not be fitted or removed then; give \
             --at {} or earlier if it was before that flight, --at {} or later if after",
            usage_text::millis(straddle.at_us, false),
            straddle.flight.flight_id,
            straddle.fitting.id,
            usage_text::millis(before_us, false),
            usage_text::millis(after_us, true),
        )))
    }

    /// What a new ledger changes in hours already counted, a line for each equal change.
    fn changes(&self, after: &Ledger) -> Vec<String> {
        let (old, new) = (self.accounts(), Accounts::new(after, &self.flights));
        let mut changes: Vec<(Amount, Amount, Vec<String>)> = Vec::new();
        let mut note = |name: String, was: Amount, is: Amount| match changes
            .iter_mut()
            .find(|c| (c.0, c.1) == (was, is))
        {
            _ if was == is => {}
            Some(change) => change.2.push(name),
            None => changes.push((was, is, vec![name])),
        };
        for (id, component) in &after.components {
            let known = self.ledger.components.contains_key(id);
            let was = if known { old.component(id, self.now_us) } else { component.new.opening };
            note(id.to_string(), was, new.component(id, self.now_us));
        }
        for name in self.aircraft() {
            note(name.clone(), old.aircraft(&name, self.now_us), new.aircraft(&name, self.now_us));
        }
        let said = changes.iter().map(|(was, is, names)| {
            format!("{}: {} becomes {}", names.join(", "), usage_text::amount(was), usage_text::amount(is))
        });
        let gone = self.ledger.components.keys().filter(|id| !after.components.contains_key(*id));
        said.chain(gone.map(|id| format!("{id}: no longer in the logbook"))).collect()
    }

    /// Writes one entry with the options that every entry takes.
    ///
    /// # Errors
    /// As [`Records::enter`].
    pub fn enter_one(
        &mut self,
        action: Action,
        entering: &Entering,
        output: &mut Output,
    ) -> Result<(), Failure> {
        let draft = Draft { at_us: self.when(entering)?, action, corrects: entering.corrects };
        self.enter(&[draft], entering.yes, entering.json, output)
    }
}

/// This machine's clock, Unix microseconds.
pub fn now_us() -> i64 {
    jiff::Timestamp::now().as_microsecond()
}

fn flown(row: &FlightRow, packs: &HashMap<String, Vec<crate::usage::Pack>>) -> Flown {
    Flown {
        flight_id: row.flight_id.clone(),
        aircraft: row.aircraft.clone(),
        airborne_us: row.takeoff_utc.zip(row.touchdown_utc).map(|(from, to)| (from.0, to.0)),
        airtime_ms: row.airtime_ms,
        landings: row.landings,
        motor_starts: None,
        packs: packs.get(&row.flight_id).cloned().unwrap_or_default(),
    }
}

/// Asks on a terminal; without one nobody can say yes.
fn ask(question: &str, output: &mut Output) -> bool {
    if !io::stdin().is_terminal() {
        return false;
    }
    output.say(question);
    let mut answer = String::new();
    io::stdin().lock().read_line(&mut answer).is_ok() && answer.trim().eq_ignore_ascii_case("y")
}
