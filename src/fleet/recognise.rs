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
    // The parts before the end are any parts.
    let pattern: Vec<&str> = ["**"].into_iter().chain(pattern.split('/').filter(|p| !p.is_empty())).collect();
    wild(&pattern, &parts, |p| *p == "**", |p, part| part_matches(p, part))
}

fn part_matches(pattern: &str, part: &str) -> bool {
    let (pattern, part): (Vec<char>, Vec<char>) = (pattern.chars().collect(), part.chars().collect());
    wild(&pattern, &part, |p| *p == '*', |p, c| p == c)
}

/// Matches with a wildcard for any run, in time of at most pattern times text: once a later wildcard is
/// reached, an earlier one never needs another try.
fn wild<P, T>(pattern: &[P], text: &[T], any: impl Fn(&P) -> bool, one: impl Fn(&P, &T) -> bool) -> bool {
    let (mut p, mut t) = (0, 0);
    let mut retry: Option<(usize, usize)> = None;
    while let Some(next) = text.get(t) {
        match pattern.get(p) {
            Some(wildcard) if any(wildcard) => {
                retry = Some((p + 1, t));
                p += 1;
            }
            Some(single) if one(single, next) => (p, t) = (p + 1, t + 1),
            _ => match retry {
                Some((after, from)) => {
                    (p, t) = (after, from + 1);
                    retry = Some((after, from + 1));
                }
                None => return false,
            },
        }
    }
    pattern.get(p..).unwrap_or_default().iter().all(any)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn patterns_match_the_end_of_a_path() {
        for (pattern, path, want) in [
            ("heron/**", "/media/card/heron/2026/a.bin", true),
            ("heron/**", "/media/card/egret/a.bin", false),
            ("heron/*.bin", "/media/heron/a.bin", true),
            ("heron/*.bin", "/media/heron/x/a.bin", false),
            ("**/h*n/*", "heron/a.bin", true),
            ("a*b*c", "a-b-b-c", true),
            ("a*b*c", "a-b-b-d", false),
            ("*", "x", true),
            ("h\u{e9}ron*", "h\u{e9}ron-\u{fc}", true),
        ] {
            assert_eq!(matches(pattern, Path::new(path)), want, "{pattern} {path}");
        }
    }

    /// Trying every split of this would take longer than the universe is old.
    #[test]
    fn many_wildcards_take_no_time() {
        let (stars, letters) = ("*a".repeat(200), "a".repeat(4_000));
        assert!(matches(&stars, Path::new(&letters)));
        assert!(!matches(&format!("{stars}*b"), Path::new(&letters)));
        let (deep, folders) = ("**/a/".repeat(60), "a/".repeat(400));
        assert!(!matches(&format!("{deep}b"), Path::new(&folders)));
    }
}
