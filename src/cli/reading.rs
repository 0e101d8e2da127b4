//! One log through the recorder, in chunks: constant memory, and a file that grows or shrinks while
//! it is read is only longer or shorter. Memory maps were left out for that reason: a card pulled out
//! under a map kills the process.

use super::output::Output;
use super::{Failure, Outcome};
use crate::archive::ArchiveError;
use crate::recording::{Recorder, Recording, Reduce};
use crate::report::text;
use crate::source::{self, Entry, Problem};
use crate::table::BatchSink;
use crate::wire::signature::Key;
use crate::wire::{Definitions, Message};
use std::collections::VecDeque;
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

const CHUNK: usize = 1 << 20;

/// How frames are understood, and with which key their signatures are verified.
#[derive(Clone, Copy)]
pub struct Decoding<'d> {
    /// The messages.
    pub definitions: &'d Definitions,
    /// `None`: signatures are counted, not verified.
    pub key: Option<&'d Key>,
}

/// A sink for reading without tables.
pub struct NoTables;

impl BatchSink for NoTables {
    type Error = ArchiveError;
    fn batch(&mut self, _: &Message, _: arrow_array::RecordBatch) -> Result<(), ArchiveError> {
        Ok(())
    }
}

/// Reads a log from `input`, handing every byte to `copy`, every batch of rows to `sink` and every boot session
/// that has ended to `reduce`. `name` is what errors call it.
///
/// # Errors
/// The file system's refusal, or the sink's.
pub fn record<'d, S: BatchSink<Error = ArchiveError>>(
    input: &mut dyn Read,
    name: &Path,
    decoding: Decoding<'d>,
    with_tables: bool,
    sink: &mut S,
    reduce: Option<Reduce<'d>>,
    mut copy: impl FnMut(&[u8]) -> Result<(), ArchiveError>,
) -> Result<Recording, ArchiveError> {
    let mut recorder = recorder(decoding, with_tables, reduce);
    feed(&mut recorder, input, name, sink, &mut copy)?;
    recorder.finish(sink)
}

/// Reads the files of one recording, in order. Streams are one stream, so that a frame that was cut between two
/// files is whole again; packet captures are read one by one.
///
/// # Errors
/// As [`record`].
pub fn record_parts<'d, S: BatchSink<Error = ArchiveError>>(
    parts: Vec<Box<dyn Read>>,
    captures: bool,
    name: &Path,
    decoding: Decoding<'d>,
    sink: &mut S,
    reduce: Option<Reduce<'d>>,
) -> Result<Recording, ArchiveError> {
    let mut recorder = recorder(decoding, true, reduce);
    if captures {
        for mut part in parts {
            feed(&mut recorder, &mut *part, name, sink, &mut |_| Ok(()))?;
            recorder.next_part();
        }
    } else {
        feed(&mut recorder, &mut InRow { parts: parts.into() }, name, sink, &mut |_| Ok(()))?;
    }
    recorder.finish(sink)
}

/// Files read as one stream; each is closed when the next one begins.
struct InRow {
    parts: VecDeque<Box<dyn Read>>,
}

impl Read for InRow {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        while let Some(part) = self.parts.front_mut() {
            match part.read(buffer)? {
                0 if !buffer.is_empty() => drop(self.parts.pop_front()),
                read => return Ok(read),
            }
        }
        Ok(0)
    }
}

fn recorder<'d>(decoding: Decoding<'d>, with_tables: bool, reduce: Option<Reduce<'d>>) -> Recorder<'d> {
    let mut recorder = Recorder::new(decoding.definitions, with_tables);
    if let Some(key) = decoding.key {
        recorder = recorder.with_key(key.clone());
    }
    match reduce {
        Some(reduce) => recorder.reducing(reduce),
        None => recorder,
    }
}

fn feed<S: BatchSink<Error = ArchiveError>>(
    recorder: &mut Recorder<'_>,
    input: &mut dyn Read,
    name: &Path,
    sink: &mut S,
    copy: &mut impl FnMut(&[u8]) -> Result<(), ArchiveError>,
) -> Result<(), ArchiveError> {
    let mut buffer = vec![0u8; CHUNK];
    let mut filled = 0;
    loop {
        if filled == buffer.len() {
            buffer.resize(buffer.len() * 2, 0);
        }
        let read = match input.read(buffer.get_mut(filled..).unwrap_or_default()) {
            Ok(read) => read,
            Err(error) if error.kind() == ErrorKind::Interrupted => continue,
            Err(error) => return Err(ArchiveError::io("read", name)(error)),
        };
        copy(buffer.get(filled..filled + read).unwrap_or_default())?;
        filled += read;
        let last = read == 0;
        let used = recorder.feed(buffer.get(..filled).unwrap_or_default(), last, sink)?;
        if last {
            return Ok(());
        }
        buffer.copy_within(used..filled, 0);
        filled -= used;
    }
}

/// The one log in a file that may be compressed or an archive, handed to `visit` with what it is; and what of the file
/// was not read, or not to its end.
///
/// # Errors
/// If the file cannot be read, holds several logs or none, or whatever `visit` meets.
pub fn only_log<T>(
    path: &Path,
    mut visit: impl FnMut(&Entry, &mut dyn Read) -> Result<T, Failure>,
) -> Result<(T, Vec<Problem>), Failure> {
    let mut first: Option<(PathBuf, T)> = None;
    let problems = source::for_each_entry::<Failure>(
        path,
        source::Limits::default(),
        &mut |entry, input| {
            if let Some((name, _)) = &first {
                return Err(Failure(format!(
                    "{} holds several files, {} and {} among them; `fettle import` reads them all, or unpack the one",
                    path.display(),
                    name.display(),
                    entry.name.display()
                )));
            }
            first = Some((entry.name.clone(), visit(entry, input)?));
            Ok(())
        },
    )?;
    match (first, problems.first()) {
        (Some((_, log)), _) => Ok((log, problems)),
        (None, Some(problem)) => Err(Failure(said(problem))),
        (None, None) => Err(Failure(format!("{} holds no file", path.display()))),
    }
}

/// Warns of what was not read; how a command ends that did the rest.
pub fn warn(problems: &[Problem], output: &mut Output) -> Outcome {
    problems.iter().for_each(|problem| output.warn(&said(problem)));
    if problems.is_empty() { Outcome::Done } else { Outcome::Partly }
}

fn said(problem: &Problem) -> String {
    text::plain(&format!("{}: {}", problem.name.display(), problem.what))
}

/// Why a log cannot be shown, or `None` if it can: as [`unusable`], but frames of undefined messages are something to show.
pub fn unreadable(recording: &Recording) -> Option<String> {
    unusable(recording).filter(|_| recording.integrity.frames > 0 || recording.integrity.frames_unknown == 0)
}

/// Why a file is not usable as a log, or `None` if it is: a few stray frames in noise are no log.
pub fn unusable(recording: &Recording) -> Option<String> {
    let integrity = &recording.integrity;
    if integrity.bytes == 0 {
        return Some("the file is empty".to_owned());
    }
    if integrity.frames == 0 && integrity.frames_unknown > 0 {
        return Some(format!(
            "no message that is defined in {} bytes, but {} frames whose ids are not; `fettle read` lists the ids, and \
             --dialect FILE adds their definitions",
            integrity.bytes, integrity.frames_unknown
        ));
    }
    if integrity.frames == 0 {
        return Some(format!(
            "no valid MAVLink frame in {} bytes; check that this is a raw telemetry log",
            integrity.bytes
        ));
    }
    // Chance passes about one checksum in 65,536 candidates.
    if integrity.frames < 5 && integrity.bytes_skipped > 10 * integrity.frames * 280 {
        return Some(format!(
            "only {} frames in {} bytes, no more than chance would give; check that this is a raw telemetry log",
            integrity.frames, integrity.bytes
        ));
    }
    None
}
