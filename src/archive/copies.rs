//! Logs that are copies of another one, cut short or damaged: `copies/<log>.json` names that one. Both stay in the archive; the flights
//! of the copy do not count.

use super::layout::FleetDir;
use super::{ArchiveError, atomic, pending};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs;
use std::io::{self, ErrorKind, Read, Write};
use std::path::PathBuf;

/// What a copy is a copy of.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CopyOf {
    /// The log that has all of it.
    pub log_id: String,
    /// The recording which that log is part of.
    pub recording_id: String,
    /// How much later than that log it begins, milliseconds by the boot clock; `None` if no clock tells.
    pub later_ms: Option<i64>,
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

/// Bytes that are compared as one: a sector, which is what cards lose.
const BLOCK: usize = 512;
/// Bytes read at once.
const CHUNK: usize = 128 * BLOCK;
/// So many may always differ, if more do not: two bad sectors are much of a short file.
const FEW: u64 = 3;
/// After so many blocks of which most differ there is no need to go on.
const ENOUGH: u64 = 2048;

/// Whether nine in ten blocks of `copy` stand at the same place in `whole`, in a short file all but three. Blocks of zeros or ones (0x00 or 0xFF) say
/// nothing: space that was set aside before it was written, or a sector that was lost. Two blocks of telemetry are alike
/// only where they are one, since counters, clocks and noise are in them.
///
/// # Errors
/// One of the two cannot be read.
pub fn is_copy(mut copy: impl Read, mut whole: impl Read) -> io::Result<bool> {
    let (mut same, mut differ) = (0, 0);
    let (mut a, mut b) = (Vec::new(), Vec::new());
    loop {
        for (read, input) in [(&mut a, &mut copy as &mut dyn Read), (&mut b, &mut whole)] {
            read.clear();
            input.take(CHUNK as u64).read_to_end(read)?;
        }
        if a.is_empty() {
            return Ok(same > 0 && (differ * 9 <= same || differ <= FEW && differ * 2 <= same));
        }
        let (more, others) = alike(&a, &b);
        (same, differ) = (same + more, differ + others);
        if differ >= ENOUGH && differ > same {
            return Ok(false);
        }
    }
}

/// Blocks of `copy` that stand at the same place in `whole`, and those that do not.
pub fn alike(copy: &[u8], whole: &[u8]) -> (u64, u64) {
    let (mut same, mut differ) = (0, 0);
    let mut rest = whole;
    for block in copy.chunks(BLOCK) {
        let (other, behind) = rest.split_at(rest.len().min(BLOCK));
        rest = behind;
        let fill = |value: u8| block.iter().all(|byte| *byte == value);
        if other.starts_with(block) {
            same += u64::from(!(fill(0x00) || fill(0xFF)));
        } else if !(fill(0x00) || fill(0xFF)) {
            differ += 1;
        }
    }
    (same, differ)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_cut_filled_or_damaged_is_a_copy() {
        let whole: Vec<u8> =
            (0..300_000u32).flat_map(|n| n.wrapping_mul(2_654_435_761).to_le_bytes()).collect();
        let damaged = |every: usize| {
            let mut copy = whole.clone();
            copy.chunks_mut(BLOCK).step_by(every).for_each(|block| block[7] ^= 1);
            copy
        };
        let mut headless = whole.clone();
        headless[..40_000].fill(0);
        let moved = [&[1][..], &whole].concat();
        for (copy, want) in [
            (whole[..700_000].to_vec(), true),
            (whole.clone(), true),
            ([&whole[..700_001], &[0; 100_000][..]].concat(), true),
            ([&whole[..], &[0xFF; 900_000][..]].concat(), true),
            (headless, true),
            (damaged(11), true),
            (damaged(9), false),
            ([&whole[..], &whole[..whole.len() / 8]].concat(), false),
            (moved, false),
            (vec![0; 5_000], false),
            (Vec::new(), false),
        ] {
            assert_eq!(is_copy(&copy[..], &whole[..]).unwrap(), want, "{}", copy.len());
        }
        assert!(is_copy(&whole[..700], &[&whole[..], &whole].concat()[..]).unwrap());
    }
}
