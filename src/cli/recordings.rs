//! Logs that are one recording, rotated over several files, become one: their flights are drawn again from the raw
//! copies, end to end, and filed under the first log. A log that is a copy of another one, cut short, taken
//! while the file still grew, or damaged on the way, is known as such by its bytes. Which logs belong together follows from all of them, not
//! from the order in which they came; a log that leaves a recording, since another one fits better, is drawn by itself.

use super::filing::{self, ends_of, folders, move_row, refile, tables};
use super::import::Into;
use crate::archive::copies::{self, Copies, CopyOf};
use crate::archive::layout::FleetDir;
use crate::archive::row::{FlightRow, LogRow, PartRow, TableRow};
use crate::archive::told_joins::{self, ToldJoin};
use crate::archive::told_time::{self, ToldTime};
use crate::archive::{ArchiveError, catalogue, pieces as kept, raw};
use crate::assess::Assessment;
use crate::assess::copies::{candidates, originals};
use crate::assess::parts::{Part, recordings};
use crate::assess::severed::{Severed, severed};
use crate::assess::told::Told;
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::io::Read;
use std::path::{Path, PathBuf};

/// A recording that was drawn again, and the logs that it is made of.
pub struct Joined {
    /// Its rows.
    pub assessment: Assessment,
    /// Its logs, in order.
    pub logs: Vec<String>,
}

/// What a joining did.
#[derive(Default)]
pub struct Done {
    /// Recordings that were drawn.
    pub joined: Vec<Joined>,
    /// Recordings that could not be, by the path of their first log; or copies that cannot be compared.
    pub failed: Vec<(PathBuf, ArchiveError)>,
    /// Every aircraft that gained or lost a flight by it.
    pub aircraft: BTreeSet<String>,
    /// Logs of which it is new that they are copies of another one.
    pub copies: usize,
    /// Pieces without a whole frame that lie beside a file of a recording, or of a copy of one.
    pub placed: BTreeSet<String>,
    /// Those of a recording that was drawn.
    pub drawn: BTreeSet<String>,
    /// Flights of which two recordings may hold parts, and the paths of these two logs.
    pub severed: Vec<(Severed, [String; 2])>,
}

/// What an archive got since its recordings were put together.
#[derive(Default)]
pub struct News {
    /// Logs.
    pub logs: BTreeSet<String>,
    /// Pieces without a whole frame that came, and whether they were not there before.
    pub pieces: BTreeMap<String, bool>,
    /// Logs that are another aircraft's by the path that leads, and that path.
    pub moved: BTreeMap<String, String>,
    /// A person's word on which logs are one recording.
    pub word: bool,
    /// An import was cut short: what it left half done is looked for.
    pub repair: bool,
}

/// Joins what belongs together by what is new, and draws it again.
///
/// # Errors
/// If the catalogue cannot be read.
pub fn join(news: &News, into: &Into<'_>) -> Result<Done, ArchiveError> {
    let News { logs: new, pieces, moved, word, repair } = news;
    let (dir, repair) = (into.dir, *repair);
    if new.is_empty() && pieces.is_empty() && moved.is_empty() && !word && !repair {
        return Ok(Done::default());
    }
    let mut rows: BTreeMap<String, LogRow> =
        catalogue::read(dir, None)?.into_iter().map(|row: LogRow| (row.log_id.clone(), row)).collect();
    for (id, path) in moved {
        if let Some(row) = rows.get_mut(id) {
            row.path.clone_from(path);
        }
    }
    let mut parts: Vec<Part> = rows.values().map(part).collect();
    let mut done = Done::default();
    let copies_before = copies::read(dir)?;
    let originals = copies_of_others(&parts, &copies_before, into, &mut done.failed);
    let told = told_of(&told_joins::all(dir)?).of_originals(&originals);
    parts.retain(|part| !originals.contains_key(&part.log_id));
    let all = recordings(&parts, &told);
    let path = |id: &String| rows.get(id).map(|row| row.path.clone()).unwrap_or_default();
    done.severed = severed(&parts, &all, &told)
        .into_iter()
        .map(|pair| {
            let paths = [&pair.earlier, &pair.later].map(path);
            (pair, paths)
        })
        .collect();
    let now: BTreeMap<String, Vec<String>> =
        all.into_iter().filter_map(|logs| Some((logs.first()?.clone(), logs))).collect();
    let before = lists(dir)?;
    let in_several: HashSet<&String> = now.values().flatten().collect();
    let recording = |log: &String| now.values().find(|logs| logs.contains(log));
    let copies: Copies = originals
        .into_iter()
        .map(|(copy, log_id)| {
            let recording_id = recording(&log_id).and_then(|logs| logs.first()).unwrap_or(&log_id).clone();
            let ends = |id: &str| rows.get(id).map(ends_of).unwrap_or_default();
            let later_ms = ends(&copy).later_ms(&ends(&log_id));
            (copy, CopyOf { log_id, recording_id, later_ms })
        })
        .collect();
    let mut todo: BTreeSet<Vec<String>> = BTreeSet::new();
    todo.extend(
        now.iter().filter(|(first, logs)| before.get(*first) != Some(*logs)).map(|(_, logs)| logs.clone()),
    );
    let changed = before.iter().filter(|(first, logs)| now.get(*first) != Some(*logs));
    let left = changed.flat_map(|(_, logs)| logs).filter(|log| !in_several.contains(log));
    todo.extend(left.map(|log| vec![log.clone()]));
    let kept = kept::all(dir)?;
    let between = |logs: &[String]| -> BTreeSet<String> {
        let rows: Vec<&LogRow> = logs.iter().filter_map(|id| rows.get(id)).collect();
        let pairs = filing::neighbours(&rows);
        pairs
            .into_iter()
            .flat_map(|(log, next)| filing::between(log, next, &kept))
            .map(str::to_owned)
            .collect()
    };
    let with_alone = |several: Vec<Vec<String>>, parts: &[Part]| -> Vec<Vec<String>> {
        let known: HashSet<String> = several.iter().flatten().cloned().collect();
        let alone = parts.iter().filter(|part| !known.contains(&part.log_id));
        let alone: Vec<Vec<String>> = alone.map(|part| vec![part.log_id.clone()]).collect();
        several.into_iter().chain(alone.into_iter().filter(|_| !kept.is_empty())).collect()
    };
    for logs in with_alone(now.values().cloned().collect(), &parts) {
        let placed = between(&logs);
        let one_is_new = placed.iter().any(|id| repair || pieces.get(id) == Some(&true));
        // A recording of several is drawn where one of them is new.
        if one_is_new || !placed.is_empty() && matches!(logs.as_slice(), [log] if new.contains(log)) {
            todo.insert(logs.clone());
        }
        if todo.contains(&logs) {
            done.drawn.extend(placed.iter().cloned());
        }
        done.placed.extend(placed);
    }
    if pieces.keys().any(|id| !done.placed.contains(id)) {
        // Where the whole log came, too, the files around are copies of it.
        let all: Vec<Part> = rows.values().map(part).collect();
        let recordings = with_alone(recordings(&all, &told), &all);
        recordings.iter().for_each(|logs| done.placed.extend(between(logs)));
        // A file that was copied while it grew begins as it does now.
        let begins = |id: &String| {
            let whole =
                |other: &String| kept.get(other).zip(kept.get(id)).is_some_and(|(a, b)| a.starts_with(b));
            done.placed.iter().any(whole)
        };
        let grown: Vec<String> = pieces.keys().filter(|id| begins(id)).cloned().collect();
        done.placed.extend(grown);
    }
    if repair {
        let mut half_done = half_done(dir, &now)?;
        // What was said of a log's time may not have been applied.
        half_done.extend(told_time::all(dir)?);
        todo.extend(now.values().filter(|logs| logs.iter().any(|log| half_done.contains(log))).cloned());
        todo.extend(half_done.into_iter().filter(|log| !in_several.contains(log)).map(|log| vec![log]));
    }
    // What was said of a copy's time holds for the whole log.
    for (copy, of) in copies.iter().filter(|(copy, of)| repair || copies_before.get(*copy) != Some(of)) {
        if told_time::read(dir, copy)?.is_some() {
            todo.insert(recording(&of.log_id).cloned().unwrap_or_else(|| vec![of.log_id.clone()]));
        }
    }
    if copies != copies_before {
        done.aircraft.extend(every_aircraft(dir)?);
        done.copies = copies.keys().filter(|copy| !copies_before.contains_key(*copy)).count();
    }
    for id in moved.keys() {
        todo.insert(recording(id).cloned().unwrap_or_else(|| vec![id.clone()]));
        // The row of a log among several is that of the log alone; what is told is the recording's.
        if let Some(row) = rows.get(id).filter(|_| in_several.contains(id))
            && let Err(error) = alone(row, None, into, &mut done.aircraft)
        {
            done.failed.push((PathBuf::from(&row.path), error));
        }
    }
    let taken_back = taken_back(dir, repair)?;
    for logs in todo {
        let rows: Vec<LogRow> = logs.iter().filter_map(|id| rows.get(id)).cloned().collect();
        let drawn = filing::told(dir, &rows, &copies).and_then(|told| match rows.as_slice() {
            [row] => alone(row, told.as_ref(), into, &mut done.aircraft),
            several => refile(several, told.as_ref(), into).map(|drawn| {
                drawn.map(|(assessment, aircraft)| {
                    done.aircraft.extend(aircraft);
                    assessment
                })
            }),
        });
        match drawn {
            Ok(Some(assessment)) => done.joined.push(Joined { assessment, logs }),
            Ok(None) => {}
            Err(error) => {
                let path = rows.first().map(|row| PathBuf::from(&row.path)).unwrap_or_default();
                done.failed.push((path, error));
            }
        }
    }
    // Now the recordings are drawn that hold what the copies showed.
    copies::write(dir, &copies_before, &copies)?;
    if done.failed.is_empty() {
        taken_back.iter().try_for_each(|id| told_time::forget(dir, id))?;
    }
    Ok(done)
}

/// A log as linking sees it.
pub fn part(row: &LogRow) -> Part {
    Part { log_id: row.log_id.clone(), container: row.container.clone(), ends: ends_of(row) }
}

/// What was said of logs, to be asked.
pub fn told_of(said: &[ToldJoin]) -> Told {
    let mut told = Told::default();
    for ToldJoin { earlier, later, one } in said {
        if *one {
            told.one(earlier, later);
        } else {
            told.apart(earlier, later);
        }
    }
    told
}

/// Draws a log by itself, with what was `told` of its time, and files its row under the aircraft that it is now.
///
/// # Errors
/// If its raw copy cannot be read or the archive not be written.
pub fn alone(
    row: &LogRow,
    told: Option<&ToldTime>,
    into: &Into<'_>,
    aircraft: &mut BTreeSet<String>,
) -> Result<Option<Assessment>, ArchiveError> {
    let Some((assessment, gained)) = refile(std::slice::from_ref(row), told, into)? else {
        return Ok(None);
    };
    aircraft.extend(gained);
    let log =
        LogRow { signatures: row.signatures.clone(), notes: row.notes.clone(), ..assessment.log.clone() };
    move_row(into.dir, &log, &assessment.date)?;
    Ok(Some(assessment))
}

/// The log that each copy is one of. Those known `before` are not compared again.
fn copies_of_others(
    parts: &[Part],
    before: &Copies,
    into: &Into<'_>,
    failed: &mut Vec<(PathBuf, ArchiveError)>,
) -> BTreeMap<String, String> {
    let mut confirmed = Vec::new();
    let mut bytes = Bytes { dir: into.dir, heads: HashMap::new() };
    for pair in candidates(parts) {
        let (Some(a), Some(b)) = (parts.get(pair.copy), parts.get(pair.whole)) else { continue };
        let known = before.get(&a.log_id).is_some_and(|of| of.log_id == b.log_id);
        match known.then_some(true).map_or_else(|| bytes.compare(a, b, pair.begins), Ok) {
            Ok(true) => confirmed.push(pair),
            Ok(false) => {}
            Err(error) => failed.push((into.dir.raw(&a.log_id), error)),
        }
    }
    originals(parts, &confirmed)
}

/// Bytes at the beginning of a log that nearly always tell it from another.
const HEAD: usize = 4096;

/// The raw copies of logs, compared.
struct Bytes<'p> {
    dir: &'p FleetDir,
    /// The beginning of every log that was asked for: most pairs differ at once.
    heads: HashMap<&'p str, Vec<u8>>,
}

impl<'p> Bytes<'p> {
    fn compare(&mut self, copy: &'p Part, whole: &'p Part, begins: bool) -> Result<bool, ArchiveError> {
        let (a, b) = (self.dir.raw(&copy.log_id), self.dir.raw(&whole.log_id));
        let refused = ArchiveError::io("compare", &a);
        for (part, path) in [(copy, &a), (whole, &b)] {
            if begins && !self.heads.contains_key(part.log_id.as_str()) {
                let mut head = Vec::new();
                let read = raw::open(path).take(HEAD as u64).read_to_end(&mut head);
                read.map_err(ArchiveError::io("compare", path))?;
                self.heads.insert(&part.log_id, head);
            }
        }
        let heads = self.heads.get(copy.log_id.as_str()).zip(self.heads.get(whole.log_id.as_str()));
        if begins && heads.is_some_and(|(a, b)| copies::alike(a, b).0 == 0) {
            return Ok(false);
        }
        let is_copy = |a: &Path, b: &Path| copies::is_copy(raw::open(a), raw::open(b));
        // Of two with the same frames either may have something behind them.
        let frames = |part: &Part| part.ends.senders.iter().map(|sender| sender.frames).sum::<u64>();
        let found = match is_copy(&a, &b) {
            Ok(false) if frames(copy) == frames(whole) => is_copy(&b, &a),
            found => found,
        };
        found.map_err(refused)
    }
}

/// Recordings of which it was taken back what was said of their time, and that were not drawn since.
fn taken_back(dir: &FleetDir, repair: bool) -> Result<Vec<String>, ArchiveError> {
    let mut ids = if repair { told_time::all(dir)? } else { Vec::new() };
    let mut failed = None;
    ids.retain(|id| match told_time::read(dir, id) {
        Ok(told) => told.is_some_and(|told| told.is_empty()),
        Err(error) => {
            failed = Some(error);
            false
        }
    });
    failed.map_or(Ok(ids), Err)
}

/// Logs of which anything lies in more than one place, or beside that of the recording they are part of.
fn half_done(dir: &FleetDir, now: &BTreeMap<String, Vec<String>>) -> Result<BTreeSet<String>, ArchiveError> {
    let mut derived: HashMap<String, BTreeSet<PathBuf>> = HashMap::new();
    let mut rows: HashMap<String, BTreeSet<PathBuf>> = HashMap::new();
    for table in tables(dir)?.into_iter().chain([dir.archive().join(LogRow::TABLE)]) {
        let places = if table.ends_with(LogRow::TABLE) { &mut rows } else { &mut derived };
        for file in catalogue::files(&table, None)? {
            let id = file.file_stem().and_then(|stem| stem.to_str()).map(str::to_owned);
            // Aircraft and date.
            let place = file.strip_prefix(&table).ok().and_then(Path::parent).map(Path::to_owned);
            if let (Some(id), Some(place)) = (id, place) {
                places.entry(id).or_default().insert(place);
            }
        }
    }
    let several: HashSet<&String> = now.values().flatten().collect();
    let behind: HashSet<&String> = now.values().flat_map(|logs| logs.iter().skip(1)).collect();
    let mut left = BTreeSet::new();
    for (id, row) in &rows {
        let own = derived.get(id);
        // A log of several vehicles lies in several places when all is done, too: it is drawn once more.
        let apart = own.is_some_and(|own| own.len() > 1 || !several.contains(id) && own != row);
        if row.len() > 1 || apart || behind.contains(id) && own.is_some() {
            left.insert(id.clone());
        }
    }
    Ok(left)
}

/// The logs of every recording that has several, by its first.
fn lists(dir: &FleetDir) -> Result<BTreeMap<String, Vec<String>>, ArchiveError> {
    let mut rows: Vec<PartRow> = catalogue::read(dir, None)?;
    rows.sort_by(|a, b| (&a.recording_id, a.part).cmp(&(&b.recording_id, b.part)));
    let mut lists: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for row in rows {
        lists.entry(row.recording_id).or_default().push(row.log_id);
    }
    Ok(lists)
}

/// The logs that begin a recording of several.
///
/// # Errors
/// If the archive cannot be read.
pub fn firsts(dir: &FleetDir) -> Result<BTreeSet<String>, ArchiveError> {
    Ok(lists(dir)?.into_keys().collect())
}

/// The logs of the recording that this log is part of, or a copy of a part, in order; the log alone if it was not
/// rotated.
///
/// # Errors
/// If the archive cannot be read.
pub fn logs_of(dir: &FleetDir, log_id: &str) -> Result<Vec<String>, ArchiveError> {
    let copies = copies::read(dir)?;
    let log_id = copies.get(log_id).map_or(log_id, |of| of.log_id.as_str());
    let mut lists = lists(dir)?.into_values();
    Ok(lists.find(|logs| logs.iter().any(|log| log == log_id)).unwrap_or_else(|| vec![log_id.to_owned()]))
}

/// The list of a recording's logs, as rows.
pub fn part_rows(logs: &[LogRow]) -> Vec<PartRow> {
    let recording_id = logs.first().map(|log| log.log_id.clone()).unwrap_or_default();
    let part = |(part, log): (i64, &LogRow)| PartRow {
        recording_id: recording_id.clone(),
        part,
        log_id: log.log_id.clone(),
    };
    (0..).zip(logs).map(part).collect()
}

/// The aircraft under which files of the catalogue lie.
pub fn aircraft_of<'p>(paths: impl IntoIterator<Item = &'p Path>) -> BTreeSet<String> {
    let name = |path: &Path| {
        let folders = path.iter().filter_map(|part| part.to_str());
        folders.filter_map(|part| part.strip_prefix("aircraft=")).next_back().map(str::to_owned)
    };
    paths.into_iter().filter_map(name).collect()
}

/// Every aircraft with flights.
///
/// # Errors
/// If the archive cannot be listed.
pub fn every_aircraft(dir: &FleetDir) -> Result<BTreeSet<String>, ArchiveError> {
    let folders = folders(&dir.archive().join(FlightRow::TABLE))?;
    Ok(aircraft_of(folders.iter().map(PathBuf::as_path)))
}
