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
use crate::archive::{catalogue, copies, told_time, writers};
use crate::assess::parts::Part;
use crate::assess::told::{Refusal, Why, in_order};
use crate::report::text;
use std::collections::BTreeSet;

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
    said.iter().try_for_each(|told| told_joins::write(&dir, told))?;
    // What was said before of two that nothing is said of now; the rest is in its place.
    let again = |told: &&ToldJoin| said.iter().any(|now| now.pair() == told.pair());
    taken_back.iter().filter(|told| !again(told)).try_for_each(|told| told_joins::forget(&dir, told))?;
    let news = recordings::News { word: true, repair: pending.is_left(), ..recordings::News::default() };
    let done = recordings::join(&news, &into)?;
    // What was left half done may have been any aircraft's.
    let left = if pending.is_left() { recordings::every_aircraft(&dir)? } else { BTreeSet::new() };
    for name in done.aircraft.union(&left) {
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
    if done.failed.is_empty() {
        logs.doubts(&ids, output)?;
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
        let lists = self.recordings(ids)?;
        let mut corrected = false;
        for log in lists.iter().flatten() {
            corrected |= told_time::read(self.dir, log)?.is_some();
        }
        let files = |list: &Vec<String>| -> Vec<Part> { self.of(list).map(recordings::part).collect() };
        let order = in_order(&lists.iter().map(files).collect::<Vec<_>>(), corrected);
        let order = order.map_err(|refusal| Failure(self.why_not(&refusal)))?;
        let row: Vec<&String> = order.iter().filter(|id| ids.contains(id)).collect();
        let pairs = row.windows(2).filter_map(|pair| Some((*pair.first()?, *pair.last()?)));
        Ok(pairs.map(|(a, b)| ToldJoin { earlier: a.clone(), later: b.clone(), one: true }).collect())
    }

    fn why_not(&self, Refusal { earlier, later, why }: &Refusal) -> String {
        let path = |id: &String| {
            let row = self.of(std::slice::from_ref(id)).next();
            row.map(|row| text::plain(&row.path)).unwrap_or_default()
        };
        let (a, b) = (path(earlier), path(later));
        match why {
            Why::Containers => format!("{a} and {b} are streams of two kinds: no recorder writes both"),
            Why::Strangers => format!("{a} and {b} are of two aircraft: no vehicle speaks in both"),
            Why::Vehicles => format!("{a} and {b} are of two aircraft, by the hardware identities they tell"),
            Why::Overlap(ms) => format!(
                "{b} begins {} before {a} ends, by the boot clock: it does not go on where that ends",
                text::duration(*ms)
            ),
            Why::Boots => format!(
                "the aircraft was booted anew between {a} and {b}, by the UTC they tell; if one tells a wrong one, \
                 correct it first with `fettle clock`"
            ),
        }
    }

    /// The logs of every recording that these are parts of now.
    fn recordings(&self, ids: &[String]) -> Result<Vec<Vec<String>>, Failure> {
        let mut lists: Vec<Vec<String>> = Vec::new();
        for id in ids {
            let list = recordings::logs_of(self.dir, id)?;
            if !lists.contains(&list) {
                lists.push(list);
            }
        }
        Ok(lists)
    }

    fn of<'s>(&'s self, ids: &'s [String]) -> impl Iterator<Item = &'s LogRow> {
        ids.iter().filter_map(|id| self.rows.iter().find(|row| row.log_id == *id))
    }

    /// What was said of these logs and has no effect, and times told of several logs of one recording.
    fn doubts(&self, ids: &[String], output: &mut Output) -> Result<(), Failure> {
        for told in told_joins::all(self.dir)?.iter().filter(|told| told.one) {
            let [a, b] = [&told.earlier, &told.later].map(|id| self.original(id));
            let list = recordings::logs_of(self.dir, &a)?;
            if (ids.contains(&a) || ids.contains(&b)) && !list.contains(&b) {
                output.warn(&format!(
                    "{a} and {b} were said to be one recording and are not joined: that would bring together logs that \
                     were said to be apart, or that overlap by now. `fettle join {a}` shows what was said; --withdraw takes it back",
                    a = short(&a),
                    b = short(&b)
                ));
            }
        }
        for list in self.recordings(ids)? {
            let mut times = 0;
            for log in &list {
                times += usize::from(told_time::read(self.dir, log)?.is_some_and(|told| !told.is_empty()));
            }
            if times > 1 {
                output.warn(&format!(
                    "times were told of {times} logs of this recording: that of the first one counts; `fettle clock` shows it"
                ));
            }
        }
        Ok(())
    }

    /// The recordings that these logs are parts of now, what was said, and their flights.
    fn show(&self, ids: &[String], output: &mut Output) -> Result<(), Failure> {
        let lists = self.recordings(ids)?;
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
