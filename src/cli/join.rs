//! `join`: which logs a recording is made of, and a person's word for what no file tells, or tells wrongly: that logs are one
//! recording, or are not. What is said is kept beside the archive's logs and can be corrected or taken back; the logs stay as
//! they are.

use super::args::Join;
use super::import::Into;
use super::output::Output;
use super::{Failure, Outcome, chain, dialects, fleet, reading, reassess, recordings, signing, which};
use crate::archive::copies::Copies;
use crate::archive::layout::FleetDir;
use crate::archive::pending::Pending;
use crate::archive::row::{FlightRow, LogRow};
use crate::archive::told_joins::{self, ToldJoin};
use crate::archive::{catalogue, copies, writers};
use crate::assess::parts::Part;
use crate::assess::told::{Refusal, in_order};
use crate::report::text;
use std::collections::BTreeMap;

/// Shows or says which logs are one recording.
///
/// # Errors
/// If there is no such log, the logs cannot be one recording, or the archive cannot be read or written.
pub fn run(options: &Join, output: &mut Output) -> Result<Outcome, Failure> {
    let (dir, fleet) = fleet::required(options.fleet.fleet.as_deref())?;
    let _writer = writers::enter(&dir)?;
    let rows: Vec<LogRow> = catalogue::read(&dir, None)?;
    let logs = Logs { copies: copies::read(&dir)?, rows: &rows, dir: &dir };
    let mut ids: Vec<String> = Vec::new();
    for text in &options.logs {
        let id = logs.original(&which::log(&rows, text)?);
        if ids.contains(&id) {
            return Err(Failure(format!("{text} is given twice, or is a copy of another log given")));
        }
        ids.push(id);
    }
    let before = told_joins::all(&dir)?;
    let (taken_back, said) = match (ids.len(), options.withdraw) {
        (_, true) => (logs.said_of(&ids, &before), Vec::new()),
        (1, false) if options.apart => {
            return Err(Failure("--apart wants two logs or more".to_owned()));
        }
        (1, false) => (Vec::new(), Vec::new()),
        _ if options.apart => (logs.said_of(&ids, &before), apart(&ids)),
        _ => (logs.said_of(&ids, &before), logs.one(&ids)?),
    };
    if options.withdraw && taken_back.is_empty() {
        return Err(Failure("nothing was said of these logs; `fettle join LOG` shows what was".to_owned()));
    }
    if taken_back.is_empty() && said.is_empty() {
        logs.show(&ids, output)?;
        return Ok(Outcome::Done);
    }
    let definitions = dialects::announced(&options.dialects, &fleet, Some(&dir.root), output)?;
    let key = signing::key(&options.signing)?;
    let into = Into::again(&dir, &fleet, reading::Decoding { definitions, key: key.as_ref() });
    let pending = Pending::begin(&dir)?;
    taken_back.iter().try_for_each(|told| told_joins::forget(&dir, told))?;
    said.iter().try_for_each(|told| told_joins::write(&dir, told))?;
    let done = recordings::join(true, &BTreeMap::new(), pending.is_left(), &BTreeMap::new(), &into)?;
    for name in &done.aircraft {
        reassess::aircraft(&dir, &fleet, name)?;
    }
    for (path, error) in &done.failed {
        output.warn(&format!("{}: cannot be drawn again: {}", path.display(), chain(error)));
    }
    if done.failed.is_empty() {
        pending.all_done()?
    } else {
        pending.leave()?
    }
    logs.show(&ids, output)?;
    for told in said.iter().filter(|told| told.one) {
        if recordings::logs_of(&dir, &told.earlier)? != recordings::logs_of(&dir, &told.later)? {
            output.warn(&format!(
                "{} and {} are not joined: they, or others of their recordings, were said to be apart",
                short(&told.earlier),
                short(&told.later)
            ));
        }
    }
    Ok(if done.failed.is_empty() { Outcome::Done } else { Outcome::Partly })
}

/// Each of these is apart from each.
fn apart(ids: &[String]) -> Vec<ToldJoin> {
    let pair = |a: &String, b: &String| ToldJoin { earlier: a.clone(), later: b.clone(), one: false };
    let mut rest = ids.iter();
    let mut said = Vec::new();
    while let Some(id) = rest.next() {
        said.extend(rest.clone().map(|other| pair(id.min(other), id.max(other))));
    }
    said
}

/// Digits of a log's id that tell it from all others.
fn short(id: &str) -> &str {
    id.get(..12).unwrap_or(id)
}

/// The archive's logs.
struct Logs<'a> {
    dir: &'a FleetDir,
    rows: &'a [LogRow],
    copies: Copies,
}

impl Logs<'_> {
    /// What is said of a copy is said of the log that it is one of.
    fn original(&self, id: &str) -> String {
        self.copies.get(id).map_or(id, |of| &of.log_id).to_owned()
    }

    /// What was said of these together; of one alone, what was said of it and any.
    fn said_of(&self, ids: &[String], said: &[ToldJoin]) -> Vec<ToldJoin> {
        let of = |told: &&ToldJoin| {
            let [a, b] = [&told.earlier, &told.later].map(|id| ids.contains(&self.original(id)));
            a && b || ids.len() == 1 && (a || b)
        };
        said.iter().filter(of).cloned().collect()
    }

    /// These logs are one recording, with all that they are joined to now.
    fn one(&self, ids: &[String]) -> Result<Vec<ToldJoin>, Failure> {
        let mut all: Vec<String> = Vec::new();
        for id in ids {
            let list = recordings::logs_of(self.dir, id)?;
            all.extend(list.into_iter().filter(|log| !all.contains(log)).collect::<Vec<_>>());
        }
        let files: Vec<Part> = self.of(&all).map(recordings::part).collect();
        let name = |number: usize| {
            let row = files.get(number).and_then(|file| self.of(std::slice::from_ref(&file.log_id)).next());
            row.map(|row| text::plain(&row.path)).unwrap_or_default()
        };
        let order = in_order(&files).map_err(|refusal| {
            Failure(match refusal {
                Refusal::Containers(a, b) => {
                    format!("{} and {} are streams of two kinds: no recorder writes both", name(a), name(b))
                }
                Refusal::Vehicles(a, b) => {
                    format!("{} and {} are of two vehicles, by the identities they tell", name(a), name(b))
                }
                Refusal::Overlap(a, b, ms) => format!(
                    "{} begins {} before {} ends, by the boot clock: it does not go on where that ends",
                    name(b),
                    text::duration(ms),
                    name(a)
                ),
            })
        })?;
        let row = order.iter().filter_map(|number| Some(&files.get(*number)?.log_id));
        let row: Vec<&String> = row.filter(|id| ids.contains(id)).collect();
        let pairs = row.windows(2).filter_map(|pair| Some((*pair.first()?, *pair.last()?)));
        Ok(pairs.map(|(a, b)| ToldJoin { earlier: a.clone(), later: b.clone(), one: true }).collect())
    }

    fn of<'s>(&'s self, ids: &'s [String]) -> impl Iterator<Item = &'s LogRow> {
        ids.iter().filter_map(|id| self.rows.iter().find(|row| row.log_id == *id))
    }

    /// The recordings that these logs are parts of now, what was said, and their flights.
    fn show(&self, ids: &[String], output: &mut Output) -> Result<(), Failure> {
        let mut lists: Vec<Vec<String>> = Vec::new();
        for id in ids {
            let list = recordings::logs_of(self.dir, id)?;
            if !lists.contains(&list) {
                lists.push(list);
            }
        }
        let mut flights: Vec<FlightRow> = catalogue::read(self.dir, None)?;
        flights.retain(|flight| lists.iter().any(|list| list.first() == Some(&flight.log_id)));
        flights.sort_by_cached_key(|f| (f.aircraft.clone(), f.takeoff_utc, f.log_id.clone(), f.ordinal));
        for list in &lists {
            output.answer(&format!("one recording of {} log(s)\n", list.len()));
            for row in self.of(list) {
                output.answer(&text::wrapped(&log(row), "  "));
            }
        }
        let shown: Vec<String> = lists.into_iter().flatten().collect();
        for told in told_joins::all(self.dir)? {
            let [a, b] = [&told.earlier, &told.later].map(|id| self.original(id));
            if shown.contains(&a) || shown.contains(&b) {
                let what = if told.one { "are one recording" } else { "are apart" };
                output.answer(&format!("  told: {} and {} {what}\n", short(&a), short(&b)));
            }
        }
        if !flights.is_empty() {
            output.answer(&format!("\n{}", text::flights(&flights)));
        }
        Ok(())
    }
}

/// A log in one line: when it was by its boot clock, and where it lay.
fn log(row: &LogRow) -> String {
    let senders = recordings::part(row).ends.senders;
    let clock = senders.iter().filter_map(|s| Some((s.frames, s.first_boot_ms?, s.last_boot_ms?))).max();
    let time = match clock {
        Some((_, from_ms, to_ms)) => {
            format!("boot clock {} to {}", text::duration(from_ms), text::duration(to_ms))
        }
        None => "no boot clock".to_owned(),
    };
    format!("log {}, {time}, {}", short(&row.log_id), text::plain(&row.path))
}
