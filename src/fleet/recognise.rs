//! Which aircraft a log belongs to. A hardware identity decides alone; then paths; then the system id,
//! which is an address and 1 on nearly every aircraft.

use super::Fleet;
use std::path::{Path, PathBuf};

/// What a log says of its vehicle.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity {
    /// `0x` and lower-case digits without leading zeros.
    pub autopilot_uid: Option<String>,
    /// MAVLink system id.
    pub system_id: u32,
    /// Where the log was read from.
    pub path: PathBuf,
}

/// The answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Recognition {
    /// Index into [`Fleet::aircraft`].
    Known(usize),
    /// No aircraft fits.
    Unknown,
    /// Several fit equally well.
    Ambiguous(Vec<usize>),
}

impl Fleet {
    /// Finds the aircraft of a log.
    pub fn recognise(&self, identity: &Identity) -> Recognition {
        let mut best: (u8, Vec<usize>) = (0, Vec::new());
        for (index, aircraft) in self.aircraft.iter().enumerate() {
            let told = &aircraft.recognise;
            let uid = match (&told.autopilot_uid, &identity.autopilot_uid) {
                (Some(own), Some(seen)) if own != seen => continue,
                (Some(_), Some(_)) => 4,
                _ => 0,
            };
            // The hardware itself outweighs an address that anyone can set.
            if uid == 0 && told.system_id.is_some_and(|id| id != identity.system_id) {
                continue;
            }
            let path = 2 * u8::from(told.paths.iter().any(|p| matches(p, &identity.path)));
            if !told.paths.is_empty() && path == 0 && uid == 0 {
                continue;
            }
            let score = uid + path + u8::from(told.system_id.is_some());
            match score.cmp(&best.0) {
                std::cmp::Ordering::Greater => best = (score, vec![index]),
                std::cmp::Ordering::Equal if score > 0 => best.1.push(index),
                _ => {}
            }
        }
        match best.1.as_slice() {
            [] => Recognition::Unknown,
            [one] => Recognition::Known(*one),
            _ => Recognition::Ambiguous(best.1),
        }
    }
}

/// Whether `pattern` matches the end of `path`, part by part: `*` within a part, `**` for any parts.
fn matches(pattern: &str, path: &Path) -> bool {
    let parts: Vec<String> = path.iter().map(|p| p.to_string_lossy().into_owned()).collect();
    let pattern: Vec<&str> = pattern.split('/').filter(|p| !p.is_empty()).collect();
    (0..=parts.len()).any(|from| parts_match(&pattern, parts.get(from..).unwrap_or_default()))
}

fn parts_match(pattern: &[&str], parts: &[String]) -> bool {
    match pattern.split_first() {
        None => parts.is_empty(),
        Some((&"**", rest)) => {
            (0..=parts.len()).any(|n| parts_match(rest, parts.get(n..).unwrap_or_default()))
        }
        Some((first, rest)) => match parts.split_first() {
            Some((part, others)) => part_matches(first, part) && parts_match(rest, others),
            None => false,
        },
    }
}

fn part_matches(pattern: &str, part: &str) -> bool {
    match pattern.split_once('*') {
        None => pattern == part,
        Some((before, after)) => part.strip_prefix(before).is_some_and(|rest| {
            (0..=rest.len())
                .filter(|i| rest.is_char_boundary(*i))
                .any(|i| part_matches(after, rest.get(i..).unwrap_or_default()))
        }),
    }
}
