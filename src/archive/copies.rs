//! Logs that are the beginning of another one: `copies/<log>.json` names that one. Both stay in the archive; the flights
//! of the copy do not count.

use super::layout::FleetDir;
use super::{ArchiveError, atomic, pending};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs;
use std::io::{self, BufRead, BufReader, ErrorKind, Read, Write};
use std::path::PathBuf;

/// What a copy is a copy of.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CopyOf {
    /// The log that it is the beginning of.
    pub log_id: String,
    /// The recording which that log is part of.
    pub recording_id: String,
}

/// All copies, by their ids.
pub type Copies = BTreeMap<String, CopyOf>;

fn folder(fleet: &FleetDir) -> PathBuf {
    fleet.archive().join("copies")
}

/// All copies.
///
/// # Errors
/// The file system's refusal, or a file of another form.
pub fn read(fleet: &FleetDir) -> Result<Copies, ArchiveError> {
    let folder = folder(fleet);
    let entries = match fs::read_dir(&folder) {
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Copies::new()),
        entries => entries.map_err(ArchiveError::io("list", &folder))?,
    };
    let mut copies = Copies::new();
    for entry in entries {
        let path = entry.map_err(ArchiveError::io("list", &folder))?.path();
        let name = path.file_name().and_then(|name| name.to_str()?.strip_suffix(".json"));
        let Some(id) = name.filter(|name| !name.starts_with('.')).map(str::to_owned) else { continue };
        let text = fs::read_to_string(&path).map_err(ArchiveError::io("read", &path))?;
        let copy: CopyOf = serde_json::from_str(&text)
            .map_err(|e| ArchiveError::Copy { path: path.clone(), why: e.to_string() })?;
        copies.insert(id, copy);
    }
    Ok(copies)
}

/// Makes `now` all copies there are.
///
/// # Errors
/// The file system's refusal.
pub fn write(fleet: &FleetDir, before: &Copies, now: &Copies) -> Result<(), ArchiveError> {
    let path = |id: &String| folder(fleet).join(format!("{id}.json"));
    for (id, of) in now.iter().filter(|(id, of)| before.get(*id) != Some(of)) {
        let path = path(id);
        let text = serde_json::to_string_pretty(of)
            .map_err(|e| ArchiveError::Copy { path: path.clone(), why: e.to_string() })?;
        atomic::write(&path, |file| writeln!(file, "{text}").map_err(ArchiveError::io("write", &path)))?;
    }
    before.keys().filter(|id| !now.contains_key(*id)).try_for_each(|id| pending::remove(&path(id)))
}

/// Whether `copy` is the beginning of `whole`, but for zeros or ones (0x00 or 0xFF) behind it: a file whose space was set
/// aside before it was written.
///
/// # Errors
/// One of the two cannot be read.
pub fn is_beginning(copy: impl Read, whole: impl Read) -> io::Result<bool> {
    let (mut copy, mut whole) =
        (BufReader::with_capacity(1 << 16, copy), BufReader::with_capacity(1 << 16, whole));
    loop {
        let (a, b) = (copy.fill_buf()?, whole.fill_buf()?);
        let len = a.len().min(b.len());
        let same = a.iter().zip(b).take_while(|(a, b)| a == b).count();
        if same < len || len == 0 {
            copy.consume(same);
            return only_fill(copy);
        }
        copy.consume(len);
        whole.consume(len);
    }
}

fn only_fill(mut rest: impl BufRead) -> io::Result<bool> {
    let mut fill = None;
    loop {
        let bytes = rest.fill_buf()?;
        let Some(first) = bytes.first().copied() else { return Ok(true) };
        let fill = *fill.get_or_insert(first);
        if !matches!(fill, 0x00 | 0xFF) || bytes.iter().any(|byte| *byte != fill) {
            return Ok(false);
        }
        let len = bytes.len();
        rest.consume(len);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_beginning_with_fill_behind_it_is_one() {
        let whole: Vec<u8> =
            (0..300_000u32).flat_map(|n| n.wrapping_mul(2_654_435_761).to_le_bytes()).collect();
        let mut flipped = whole[..700_000].to_vec();
        flipped[400_000] ^= 1;
        for (copy, want) in [
            (whole[..700_000].to_vec(), true),
            (Vec::new(), true),
            (whole.clone(), true),
            ([&whole[..700_001], &[0; 100_000][..]].concat(), true),
            ([&whole[..], &[0xFF; 900_000][..]].concat(), true),
            ([&whole[..700_000], &[0; 10][..], &[0xFF; 10]].concat(), false),
            ([&whole[..], &[7][..]].concat(), false),
            (flipped, false),
        ] {
            assert_eq!(is_beginning(&copy[..], &whole[..]).unwrap(), want, "{}", copy.len());
        }
    }
}
