//! `import`: cards in; raw copies, telemetry, flights, measures and findings out, and a short summary.
//!
//! Files are read in parallel. A log counts as imported once its `logs/` row is written, which happens
//! last; findings are then computed again for every aircraft that gained a flight.

use super::args::{Import, SeverityOption};
use super::output::Output;
use super::{
    Failure, Outcome, chain, dialects, filing, find, fleet, paths, reading, reassess, recordings, signing,
};
use crate::archive::layout::FleetDir;
use crate::archive::pending::Pending;
use crate::archive::raw::{RawCopy, hash_file};
use crate::archive::row::{FindingRow, FlightRow, LogRow};
use crate::archive::telemetry::TelemetryWriter;
use crate::archive::{ArchiveError, catalogue, pieces, told_time, writers};
use crate::assess::pieces::MOST;
use crate::assess::severed::Severed;
use crate::assess::{Assessment, reducer};
use crate::finding::{CAUTION, Severity};
use crate::fleet::Fleet;
use crate::recording::Recording;
use crate::report::{self, json, text};
use crate::source::{self, Limits, junk};
use crate::wire::Container;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use rayon::prelude::*;
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Logs read at once, whatever the number of cores: each holds a file open for every type of message it has, and
/// has its share of memory.
const READERS: usize = 4;

/// What became of one file.
pub enum Imported {
    /// A log not seen before.
    New(Box<Assessment>),
    /// A log the archive holds already, by its id.
    Known(String),
    /// The same content as another file of this import, by the log's id: that one was there first.
    Twin(String),
    /// Not a log, or not readable, and why.
    Unusable(String),
    /// Too short for a whole frame: kept in case it was cut out of a log.
    Piece {
        /// Its id.
        id: String,
        /// Not kept before.
        is_new: bool,
        /// Why it is no log of its own, or what else it is.
        why: String,
        /// It lies beside the logs and is plainly something else, unless it was cut.
        passed_over: bool,
    },
    /// Something else that lies beside the logs, and what.
    PassedOver(String),
}

/// Imports.
///
/// # Errors
/// If there is no fleet, nothing at all could be read, or the archive cannot be written.
pub fn run(options: &Import, output: &mut Output) -> Result<Outcome, Failure> {
    let (dir, fleet) = fleet::required(options.fleet.fleet.as_deref())?;
    let definitions = dialects::announced(&options.dialects, &fleet, Some(&dir.root), output)?;
    if !options.dialects.dialect.is_empty() {
        output.warn(dialects::FOR_THIS_IMPORT);
    }
    let key = signing::key(&options.signing)?;
    let _writer = writers::enter(&dir)?;
    let pending = Pending::begin(&dir)?;
    let found = find::logs(&options.paths, &dir.archive());
    let imported = catalogue::imported(&dir)?;
    let left_behind = catalogue::left_behind(&dir, &imported)?;
    let total: u64 = found.files.iter().filter_map(|f| f.metadata().ok()).map(|m| m.len()).sum();
    let into = Into {
        dir: &dir,
        fleet: &fleet,
        decoding: reading::Decoding { definitions, key: key.as_ref() },
        imported,
        claimed: Mutex::default(),
        left_behind,
        named: options.paths.iter().cloned().collect(),
        progress: progress(total, options.quiet || !output.watched()),
    };
    let readers =
        rayon::ThreadPoolBuilder::new().num_threads(rayon::current_num_threads().min(READERS)).build()?;
    let read: Vec<(&PathBuf, Vec<(PathBuf, Imported)>)> =
        readers.install(|| found.files.par_iter().map(|path| (path, import_file(path, &into))).collect());
    let results = settle(read, &into);
    into.progress.finish_and_clear();

    let mut unusable: Vec<(PathBuf, String)> = found.unreadable;
    let (mut new, mut repeated, mut passed_over) = (Vec::new(), 0usize, found.passed_over);
    let mut seen: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    let mut pieces: Vec<(PathBuf, String, String, bool)> = Vec::new();
    let mut piece_ids: BTreeMap<String, bool> = BTreeMap::new();
    for (path, result) in results {
        let under = path.to_string_lossy().into_owned();
        match result {
            Imported::New(assessment) => {
                seen.entry(assessment.log.log_id.clone()).or_default().insert(under);
                new.push(*assessment);
            }
            Imported::Known(id) | Imported::Twin(id) => {
                seen.entry(id).or_default().insert(under);
                repeated += 1;
            }
            Imported::Unusable(why) => unusable.push((path, why)),
            Imported::Piece { id, is_new, why, passed_over } => {
                *piece_ids.entry(id.clone()).or_default() |= is_new;
                pieces.push((path, id, why, passed_over));
            }
            Imported::PassedOver(what) => passed_over.push((path, what)),
        }
    }
    let paths::Led { moved, at_odds } = paths::lead(&seen, &into)?;
    at_odds.iter().for_each(|claims| output.warn(claims));
    let logs = new.iter().map(|a| a.log.log_id.clone()).collect();
    let news = recordings::News { logs, pieces: piece_ids, moved, word: false, repair: pending.is_left() };
    let recordings::Done { joined, failed, aircraft, copies, placed, drawn, mut severed } =
        recordings::join(&news, &into)?;
    for (path, id, why, other) in pieces {
        match (placed.contains(&id), other) {
            (true, _) => {}
            (false, true) => passed_over.push((path, why)),
            (false, false) => unusable.push((path, why)),
        }
    }
    let given = placed.iter().filter(|id| news.pieces.contains_key(*id));
    let placed = given.chain(&drawn).collect::<BTreeSet<_>>().len();
    let mut gained: BTreeSet<String> =
        new.iter().flat_map(|a| &a.flights).map(|f| f.aircraft.clone()).chain(aircraft).collect();
    if pending.is_left() {
        gained.extend(recordings::every_aircraft(&dir)?);
    }
    for aircraft in &gained {
        reassess::aircraft(&dir, &fleet, aircraft)?;
    }
    if failed.is_empty() {
        pending.all_done()?
    } else {
        pending.leave()?
    }
    unusable.extend(failed.into_iter().map(|(path, error)| {
        (
            path,
            format!(
                "this log goes on in others or is a copy, but cannot be joined to them: {}",
                chain(&error)
            ),
        )
    }));
    severed.retain(|(pair, _)| news.logs.contains(&pair.earlier) || news.logs.contains(&pair.later));
    let in_joined: HashSet<&String> = joined.iter().flat_map(|j| &j.logs).collect();
    let alone = new.iter().filter(|a| !in_joined.contains(&a.log.log_id));
    let recordings: Vec<&Assessment> = alone.chain(joined.iter().map(|j| &j.assessment)).collect();
    let shown: Vec<FlightRow> = recordings.iter().flat_map(|a| a.flights.clone()).collect();
    let (flights, twice) = counted(&dir, &gained, shown)?;
    let findings = findings_of(&dir, &gained, &flights)?;
    let unnamed = recordings.iter().flat_map(|a| a.unnamed.clone()).collect();
    let summary = Summary {
        new: &new,
        repeated,
        joined: &joined,
        placed,
        copies,
        twice,
        severed,
        flights,
        findings,
        unnamed,
        passed_over,
    };
    show(options, output, &summary, &unusable);
    let findings = summary.findings;
    if new.is_empty() && repeated == 0 && placed == 0 {
        let what = if unusable.is_empty() { "no log found" } else { "no log could be read" };
        let given: Vec<String> = options.paths.iter().map(|p| p.display().to_string()).collect();
        return Err(Failure(format!("{what} under {}", given.join(", "))));
    }
    Ok(if reached(&findings, options.fail_on) {
        Outcome::Found
    } else if unusable.is_empty() {
        Outcome::Done
    } else {
        Outcome::Partly
    })
}

/// True if a finding is at least as severe as asked.
pub fn reached(findings: &[FindingRow], fail_on: Option<SeverityOption>) -> bool {
    let Some(asked) = fail_on else { return false };
    let least = match asked {
        SeverityOption::Advisory => Severity::Advisory,
        SeverityOption::Caution => Severity::Caution,
        SeverityOption::Warning => Severity::Warning,
    };
    findings.iter().filter_map(|f| Severity::from_word(&f.severity)).any(|s| s >= least)
}

fn progress(total: u64, hidden: bool) -> ProgressBar {
    let target = if hidden { ProgressDrawTarget::hidden() } else { ProgressDrawTarget::stderr() };
    let bar = ProgressBar::with_draw_target(Some(total), target);
    match ProgressStyle::with_template("{bytes} of {total_bytes}, {eta} left {wide_bar}") {
        Ok(style) => bar.with_style(style),
        Err(_) => bar,
    }
}

/// What every file of an import needs.
pub struct Into<'a> {
    /// The archive.
    pub dir: &'a FleetDir,
    /// The aircraft.
    pub fleet: &'a Fleet,
    /// Message definitions and signing key.
    pub decoding: reading::Decoding<'a>,
    /// Ids of the logs that the archive held before.
    pub imported: HashSet<String>,
    /// Ids of the logs that a file of this import is read as, or was imported as.
    pub claimed: Mutex<HashSet<String>>,
    /// What earlier imports of others left when they were cut short.
    pub left_behind: HashMap<String, Vec<PathBuf>>,
    /// Paths given by the user: what is named is answered for, what lies beside may be passed over.
    pub named: HashSet<PathBuf>,
    /// Moved on by bytes read.
    pub progress: ProgressBar,
}

/// Imports everything in one file: a log, or the logs in an archive.
pub fn import_file(path: &Path, into: &Into<'_>) -> Vec<(PathBuf, Imported)> {
    let failed = |error: ArchiveError| Imported::Unusable(chain(&error));
    // A plain log is hashed first, so that a card imported before costs no more; what is packed is read once.
    match source::is_packed(path) {
        Ok(false) => {
            let result = import_plain(path, into).unwrap_or_else(failed);
            return vec![(path.to_owned(), result)];
        }
        Ok(true) => {}
        Err(error) => return vec![(path.to_owned(), failed(error.into()))],
    }
    let mut results = Vec::new();
    let walked = source::for_each_entry::<ArchiveError>(path, Limits::default(), &mut |entry, input| {
        let result = import_stream(&entry.name, input, None, into).unwrap_or_else(failed);
        results.push((entry.name.clone(), result));
        Ok(())
    });
    into.progress.inc(path.metadata().map(|m| m.len()).unwrap_or(0));
    match walked {
        Ok(problems) => {
            results.extend(problems.into_iter().map(|p| (p.name, Imported::Unusable(p.what))));
        }
        Err(error) => results.push((path.to_owned(), failed(error))),
    }
    if results.is_empty() {
        results.push((path.to_owned(), Imported::Unusable("the archive holds no file".to_owned())));
    }
    results
}

/// One result a file. A file that stood back for its twin has its say after all where the twin came to nothing: it may
/// lie on a better card, and has its own line otherwise.
fn settle(read: Vec<(&PathBuf, Vec<(PathBuf, Imported)>)>, into: &Into<'_>) -> Vec<(PathBuf, Imported)> {
    let mut settled = Vec::new();
    for (path, results) in read {
        // By now nobody else reads: what is still claimed was imported.
        let waits = |result: &Imported| matches!(result, Imported::Twin(id) if !into.claims().contains(id));
        let waiting: Vec<bool> = results.iter().map(|(_, result)| waits(result)).collect();
        if !waiting.contains(&true) {
            settled.extend(results);
            continue;
        }
        // The members of an archive come in the same order again.
        let mut again = import_file(path, into).into_iter();
        for ((name, result), waited) in results.into_iter().zip(waiting) {
            let second = again.next();
            let imported = matches!(second, Some((_, Imported::New(_))));
            settled.extend(match second {
                Some(second) if waited && (second.0 == name || imported) => vec![second],
                Some((_, Imported::Unusable(why))) if waited => vec![(name, Imported::Unusable(why))],
                _ if waited => {
                    vec![(name, Imported::Unusable("could not be read a second time".to_owned()))]
                }
                Some(second) if imported => vec![(name, result), second],
                _ => vec![(name, result)],
            });
        }
        settled.extend(again.filter(|(_, result)| matches!(result, Imported::New(_))));
    }
    settled
}

fn import_plain(path: &Path, into: &Into<'_>) -> Result<Imported, ArchiveError> {
    let (log_id, _) = hash_file(path)?;
    if let Some(there) = into.claim(&log_id) {
        into.progress.inc(path.metadata().map(|m| m.len()).unwrap_or(0));
        return Ok(there);
    }
    into.giving_back(&log_id, || {
        let mut file = File::open(path).map_err(ArchiveError::io("open", path))?;
        import_stream(path, &mut file, Some(&log_id), into)
    })
}

impl<'a> Into<'a> {
    /// For drawing again what is in the archive already.
    pub fn again(dir: &'a FleetDir, fleet: &'a Fleet, decoding: reading::Decoding<'a>) -> Self {
        Into {
            dir,
            fleet,
            decoding,
            imported: HashSet::new(),
            claimed: Mutex::default(),
            left_behind: HashMap::new(),
            named: HashSet::new(),
            progress: ProgressBar::hidden(),
        }
    }
}

impl Into<'_> {
    /// Two cards can hold the same log: the first to claim it reads it. What it is where it cannot be claimed.
    fn claim(&self, log_id: &str) -> Option<Imported> {
        if self.imported.contains(log_id) {
            return Some(Imported::Known(log_id.to_owned()));
        }
        let claimed = self.claims().insert(log_id.to_owned());
        (!claimed).then(|| Imported::Twin(log_id.to_owned()))
    }

    fn claims(&self) -> MutexGuard<'_, HashSet<String>> {
        self.claimed.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Does `work` under a claim, which is given back unless that very log is imported by it.
    fn giving_back(
        &self,
        log_id: &str,
        work: impl FnOnce() -> Result<Imported, ArchiveError>,
    ) -> Result<Imported, ArchiveError> {
        let result = work();
        if !matches!(&result, Ok(Imported::New(new)) if new.log.log_id == log_id) {
            self.claims().remove(log_id);
        }
        result
    }
}

/// First bytes that tell what a file is if it is no log.
const FIRST: usize = 8 << 10;

/// Imports one log: raw copy, telemetry, flights and measures. `claimed` is its id where it is known before.
fn import_stream(
    path: &Path,
    input: &mut dyn Read,
    claimed: Option<&str>,
    into: &Into<'_>,
) -> Result<Imported, ArchiveError> {
    let Into { dir, fleet, .. } = into;
    let mut telemetry = TelemetryWriter::staged(dir)?;
    let mut copy = RawCopy::begin(dir, path)?;
    let plain = claimed.is_some();
    let reduce = Some(reducer(fleet, path));
    let mut first: Vec<u8> = Vec::new();
    let recording = reading::record(input, path, into.decoding, true, &mut telemetry, reduce, |bytes| {
        if first.len() < FIRST {
            first.extend_from_slice(bytes.get(..FIRST - first.len()).unwrap_or(bytes));
        }
        if plain {
            into.progress.inc(bytes.len() as u64);
        }
        copy.write(bytes)
    })?;
    if let Some(why) = reading::unusable(&recording) {
        if let Some(packing) = junk::hidden_by(&first) {
            return Ok(Imported::Unusable(format!(
                "packed as {packing}, which fettle does not open; unpack it, or pack it as gzip, zstd, zip or tar"
            )));
        }
        let kind = junk::other_kind(&first);
        let may_be_a_piece = may_be_a_piece(&recording, first.len(), kind.is_some());
        let (passed_over, why) = match kind {
            Some(what) if !into.named.contains(path) => (true, what.into_owned()),
            Some(what) => (false, format!("{why}; its content is {what}")),
            None if may_be_a_piece => (false, format!("{why}; {KEPT}")),
            None => (false, why),
        };
        if may_be_a_piece {
            let (id, is_new) = pieces::keep(dir, &first)?;
            return Ok(Imported::Piece { id, is_new, why, passed_over });
        }
        return Ok(if passed_over { Imported::PassedOver(why) } else { Imported::Unusable(why) });
    }
    let log_id = copy.log_id();
    // A log that grew since it was hashed is another one.
    if claimed == Some(log_id.as_str()) {
        return keep(path, recording, telemetry, copy, into);
    }
    match into.claim(&log_id) {
        Some(there) => Ok(there),
        None => into.giving_back(&log_id, || keep(path, recording, telemetry, copy, into)),
    }
}

/// Of a piece that lies nowhere yet.
const KEPT: &str = "kept in case it was cut out of a log whose other files come later";
/// Characters of STATUSTEXT: no longer piece of a log looks like plain text, or like anything else.
const LONGEST_TEXT: usize = 50;

/// Whether a file may have been cut out of a log and hold no whole frame.
fn may_be_a_piece(recording: &Recording, len: usize, plainly_other: bool) -> bool {
    let most = if plainly_other { LONGEST_TEXT } else { MOST };
    let stream = matches!(recording.container, Container::Bare | Container::Timestamped);
    stream && recording.integrity.frames == 0 && (1..=most).contains(&len)
}

/// Files a log that was read, under its claim; what was filed is taken back on error, since a twin may belong
/// elsewhere.
fn keep(
    path: &Path,
    recording: Recording,
    telemetry: TelemetryWriter,
    copy: RawCopy,
    into: &Into<'_>,
) -> Result<Imported, ArchiveError> {
    let log_id = copy.log_id();
    let kept = file_log(path, recording, telemetry, copy, into);
    if kept.is_err()
        && let Ok(mut left) = catalogue::left_behind(into.dir, &into.imported)
    {
        // The error that matters is the first one; what cannot be removed the next import removes.
        left.remove(&log_id).into_iter().flatten().for_each(|path| drop(std::fs::remove_file(path)));
    }
    kept
}

fn file_log(
    path: &Path,
    recording: Recording,
    telemetry: TelemetryWriter,
    copy: RawCopy,
    into: &Into<'_>,
) -> Result<Imported, ArchiveError> {
    let dir = into.dir;
    for path in into.left_behind.get(&copy.log_id()).into_iter().flatten() {
        std::fs::remove_file(path)
            .map_err(ArchiveError::io("remove what an import cut short left,", path))?;
    }
    let log_id = copy.finish(dir)?;
    let told = told_time::read(dir, &log_id)?;
    let assessment = filing::file(recording, telemetry, &log_id, path, told.as_ref(), into)?.assessment;
    // Last: this row makes the log imported.
    let place = dir.partition("logs", &assessment.log.aircraft, &assessment.date, &log_id);
    catalogue::write(&place, std::slice::from_ref(&assessment.log))?;
    Ok(Imported::New(Box::new(assessment)))
}

/// Those of these flights that count, and how many another recording shows more fully.
fn counted(
    dir: &FleetDir,
    aircraft: &BTreeSet<String>,
    flights: Vec<FlightRow>,
) -> Result<(Vec<FlightRow>, usize), ArchiveError> {
    let mut count: HashSet<String> = HashSet::new();
    for name in aircraft {
        count.extend(filing::flights(dir, Some(name))?.0.into_iter().map(|row| row.flight_id));
    }
    let all = flights.len();
    let flights: Vec<FlightRow> = flights.into_iter().filter(|f| count.contains(&f.flight_id)).collect();
    let twice = all - flights.len();
    Ok((flights, twice))
}

fn findings_of(
    dir: &FleetDir,
    aircraft: &BTreeSet<String>,
    flights: &[FlightRow],
) -> Result<Vec<FindingRow>, ArchiveError> {
    let ids: HashSet<&str> = flights.iter().map(|f| f.flight_id.as_str()).collect();
    let mut all = Vec::new();
    for name in aircraft {
        let rows: Vec<FindingRow> = catalogue::read(dir, Some(name))?;
        all.extend(rows.into_iter().filter(|f| ids.contains(f.flight_id.as_str())));
    }
    Ok(all)
}

/// What an import did.
struct Summary<'a> {
    new: &'a [Assessment],
    repeated: usize,
    joined: &'a [recordings::Joined],
    placed: usize,
    copies: usize,
    twice: usize,
    severed: Vec<(Severed, [String; 2])>,
    flights: Vec<FlightRow>,
    findings: Vec<FindingRow>,
    unnamed: BTreeSet<(String, String)>,
    passed_over: Vec<(PathBuf, String)>,
}

fn show(options: &Import, output: &mut Output, done: &Summary<'_>, unusable: &[(PathBuf, String)]) {
    let Summary {
        new, repeated, joined, placed, copies, twice, flights, findings, unnamed, passed_over, ..
    } = done;
    let joined: Vec<&recordings::Joined> = joined.iter().filter(|j| j.logs.len() > 1).collect();
    let logs_joined: usize = joined.iter().map(|j| j.logs.len()).sum();
    if options.json {
        let logs: Vec<&LogRow> = new.iter().map(|a| &a.log).collect();
        logs.iter().for_each(|l| output.record(&json::log(l)));
        flights.iter().for_each(|f| output.record(&json::flight(f)));
        findings.iter().for_each(|f| output.record(&json::finding(f)));
        for (path, why) in unusable {
            output.record(&json!({"type": "unusable", "path": path.to_string_lossy(), "error": why}));
        }
        for (Severed { earlier, later, lost_ms }, _) in &done.severed {
            output
                .record(&json!({"type": "severed", "earlier": earlier, "later": later, "lost_ms": lost_ms}));
        }
        for (path, what) in passed_over {
            output.record(&json!({"type": "passed_over", "path": path.to_string_lossy(), "what": what}));
        }
        output.record(&json!({
            "type": "summary", "logs_new": new.len(), "logs_known": repeated, "unusable": unusable.len(),
            "passed_over": passed_over.len(), "recordings_joined": joined.len(), "logs_joined": logs_joined,
            "pieces_placed": placed, "logs_copied": copies, "flights_recorded_twice": twice,
            "flights_severed": done.severed.len(),
            "flights": flights.len(), "airtime_ms": flights.iter().map(|f| f.airtime_ms).sum::<i64>(),
            "findings": findings.len(), "caution": CAUTION,
        }));
    } else {
        let mut line = format!("{} new log(s), {} flight(s)", new.len(), flights.len());
        if *repeated > 0 {
            line.push_str(&format!("; {repeated} log(s) imported before"));
        }
        output.answer(&format!("{line}\n"));
        if !joined.is_empty() {
            output.answer(&text::paragraph(&format!(
                "{logs_joined} logs go on in one another: {} recording(s)",
                joined.len()
            )));
        }
        if *placed > 0 {
            output.answer(&text::paragraph(&format!(
                "{placed} file(s) too short for a whole frame make whole what was cut at the ends of others"
            )));
        }
        if *copies > 0 {
            output.answer(&text::paragraph(&format!(
                "{copies} log(s) are copies of a fuller one, cut short or damaged: counted with it"
            )));
        }
        if *twice > 0 {
            output.answer(&text::paragraph(&format!(
                "{twice} flight(s) are in another recording too, which is fuller: counted once"
            )));
        }
        for (Severed { earlier, later, lost_ms }, paths) in &done.severed {
            let [a, b] = paths.each_ref().map(|path| text::plain(path));
            let lost = text::duration(*lost_ms);
            output.answer(&text::paragraph(&format!(
                "{a} ends in the air and {b} begins in the air {lost} later by the boot clock; if that is one flight, say so:"
            )));
            let [a, b] = [earlier, later].map(|id| id.get(..12).unwrap_or(id));
            output.answer(&format!("  fettle join {a} {b}\n"));
        }
        if !flights.is_empty() {
            output.answer(&format!("\n{}\n", text::totals(flights)));
            output.answer(&report::findings::text(findings, flights));
            output.answer(&text::paragraph(&format!(
                "{} finding(s) in these flights. {CAUTION}",
                findings.len()
            )));
        }
    }
    for (path, why) in unusable {
        output.warn(&format!("{}: {}", text::plain(&path.to_string_lossy()), text::plain(why)));
    }
    if options.passed_over {
        for (path, what) in passed_over {
            output.say(&format!("passed over: {}, {what}", text::plain(&path.to_string_lossy())));
        }
    } else if !passed_over.is_empty() {
        output.say(&format!(
            "{} path(s) beside the logs are something else; --passed-over lists them",
            passed_over.len()
        ));
    }
    for (name, how) in unnamed {
        output.warn(&format!("aircraft unknown, filed as {name}; {how}"));
    }
    if !unusable.is_empty() {
        let rest = match new.len() + repeated + placed {
            0 => "nothing was imported",
            _ => "the rest was imported",
        };
        output.say(&format!("{} path(s) could not be used; {rest}", unusable.len()));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::Definitions;

    #[test]
    fn a_file_that_stood_back_for_one_that_failed_is_imported_itself() {
        let root = tempfile::tempdir().unwrap();
        let dir = FleetDir { root: root.path().to_owned() };
        std::fs::create_dir(dir.archive()).unwrap();
        let fleet = Fleet::default();
        let into =
            Into::again(&dir, &fleet, reading::Decoding { definitions: Definitions::builtin(), key: None });
        let log = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-logs/heron/2026-09-02.mavlink");
        let (id, _) = hash_file(&log).unwrap();
        let twin = |path: &PathBuf| vec![(path.clone(), Imported::Twin(id.clone()))];

        // Read while another file with its content was, which failed.
        let settled = settle(vec![(&log, twin(&log)), (&log, twin(&log))], &into);
        let [(_, Imported::New(new)), (_, Imported::Twin(_))] = settled.as_slice() else {
            panic!("imported once")
        };
        assert_eq!(new.log.log_id, id);
        let gone = root.path().join("gone");
        let settled = settle(vec![(&gone, vec![(gone.clone(), Imported::Twin("0".to_owned()))])], &into);
        assert!(matches!(settled.as_slice(), [(_, Imported::Unusable(_))]));
    }
}
