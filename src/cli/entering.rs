//! The one way in which an entry is made: judged, its consequences shown, confirmed, written.

use super::Failure;
use super::logbook_args::Entering;
use super::output::Output;
use super::records::Records;
use crate::logbook::{Draft, Logbook};
use crate::report::{journal_text, text, usage_json, usage_text};
use crate::usage::entry::Action;
use crate::usage::flown::in_the_air;
use crate::usage::ledger::standing;
use crate::usage::{Accounts, Amount, Ledger, utc};
use serde_json::json;
use std::collections::BTreeSet;
use std::io::{self, BufRead, IsTerminal};

/// Entries may be so far ahead of this machine's clock: clocks differ a little.
const AHEAD_US: i64 = 5 * 60 * 1_000_000;

impl Records {
    /// When an entry happened: as given, else when what it corrects happened, else now.
    ///
    /// # Errors
    /// If it lies in the future.
    pub fn when(&self, entering: &Entering) -> Result<i64, Failure> {
        let corrected = entering.corrects.and_then(|seq| standing(&self.entries, seq));
        let at = entering.at.or(corrected.map(|e| e.at_us)).unwrap_or(self.now_us);
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

/// Asks on a terminal; without one nobody can say yes.
fn ask(question: &str, output: &mut Output) -> bool {
    if !io::stdin().is_terminal() {
        return false;
    }
    output.ask(question);
    let mut answer = String::new();
    io::stdin().lock().read_line(&mut answer).is_ok() && answer.trim().eq_ignore_ascii_case("y")
}
