//! Which aircraft a log's vehicles are, and which of the paths that a log lies under tells it.

use super::ends::{BootEnds, Ends};
use crate::fleet::{Aircraft, Fleet, Identity, Recognition};
use std::cmp::Reverse;
use std::path::{Path, PathBuf};

/// A vehicle as the fleet knows it.
#[derive(Debug)]
pub struct Named<'f> {
    /// The aircraft's name, or a provisional one.
    pub name: String,
    /// The aircraft, if one alone fits.
    pub aircraft: Option<&'f Aircraft>,
}

/// The name of a vehicle. A provisional one stays the same for the same hardware.
pub fn name<'f>(fleet: &'f Fleet, identity: &Identity) -> Named<'f> {
    let aircraft = match fleet.recognise(identity) {
        Recognition::Known(index) => fleet.aircraft.get(index),
        Recognition::Unknown | Recognition::Ambiguous(_) => None,
    };
    Named { name: aircraft.map_or_else(|| provisional(identity), |a| a.name.clone()), aircraft }
}

/// The names of a log's vehicles if it were read from `path`, by system id.
pub fn names(ends: &Ends, path: &str, fleet: &Fleet) -> Vec<String> {
    named(ends, path, fleet).map(|named| named.name).collect()
}

/// Of the paths that a log lies under, the one by which most of its vehicles are known, the first by name among equals:
/// it does not depend on the order in which they were met.
pub fn leading<'p>(ends: &Ends, paths: impl IntoIterator<Item = &'p str>, fleet: &Fleet) -> Option<&'p str> {
    let known = |path: &str| named(ends, path, fleet).filter(|named| named.aircraft.is_some()).count();
    paths.into_iter().min_by_key(|path| (Reverse(known(path)), *path))
}

/// The aircraft that each path names alone, where these are several: two folders claim the same log.
pub fn at_odds<'p>(ends: &Ends, paths: &[&'p str], fleet: &Fleet) -> Vec<(&'p str, String)> {
    let mut claims: Vec<(&str, String)> = Vec::new();
    for path in paths {
        for Named { name, aircraft } in named(ends, path, fleet) {
            if aircraft.is_some() && claims.iter().all(|(_, other)| *other != name) {
                claims.push((path, name));
            }
        }
    }
    // Several vehicles in one log are no contradiction.
    let vehicles: usize = ends.boots.iter().map(|boot| boot.uids.len().max(1)).sum();
    if claims.len() > vehicles { claims } else { Vec::new() }
}

fn named<'f>(ends: &Ends, path: &str, fleet: &'f Fleet) -> impl Iterator<Item = Named<'f>> {
    let path = PathBuf::from(path);
    let known = |boot: &BootEnds| -> Vec<(Option<String>, u32)> {
        let uids = boot.uids.iter().cloned().map(Some);
        let uids: Vec<Option<String>> = if boot.uids.is_empty() { vec![None] } else { uids.collect() };
        uids.into_iter().map(|uid| (uid, boot.system_id)).collect()
    };
    ends.boots.iter().flat_map(known).map(move |(autopilot_uid, system_id)| {
        name(fleet, &Identity { autopilot_uid, system_id, path: path.clone() })
    })
}

fn provisional(identity: &Identity) -> String {
    match &identity.autopilot_uid {
        Some(uid) => {
            let from = uid.char_indices().rev().nth(5).map_or(0, |(at, _)| at);
            format!("unnamed-{}", uid.get(from..).unwrap_or_default())
        }
        None => format!("unnamed-system-{}", identity.system_id),
    }
}

/// What to write into `fleet.toml` for a vehicle that it does not know.
pub fn how_to_name(identity: &Identity) -> String {
    let by = match &identity.autopilot_uid {
        Some(uid) => format!("autopilot_uid = \"{uid}\""),
        None => format!("system_id = {}", identity.system_id),
    };
    format!(
        "add to fleet.toml: [[aircraft]] name = \"…\", recognise = {{ {by} }}, then `fettle reassess` files it there"
    )
}

/// A vehicle as a log read from `path` shows it.
pub fn identity(uid: Option<&str>, system_id: u32, path: &Path) -> Identity {
    Identity { autopilot_uid: uid.map(str::to_owned), system_id, path: path.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fleet() -> Fleet {
        let by = |name: &str| format!("[[aircraft]]\nname = \"{name}\"\nrecognise.paths = [\"{name}/*\"]\n");
        Fleet::parse(&(by("heron") + &by("egret"))).unwrap()
    }

    fn ends(systems: &[u32]) -> Ends {
        let boot = |system_id: &u32| BootEnds { system_id: *system_id, ..BootEnds::default() };
        Ends { boots: systems.iter().map(boot).collect(), ..Ends::default() }
    }

    #[test]
    fn the_path_that_names_an_aircraft_leads_whatever_the_order() {
        let (fleet, ends) = (fleet(), ends(&[1]));
        for paths in [["a/1", "heron/1", "z/1"], ["z/1", "heron/1", "a/1"]] {
            assert_eq!(leading(&ends, paths, &fleet), Some("heron/1"));
        }
        assert_eq!(leading(&ends, ["heron/1", "egret/1"], &fleet), Some("egret/1"));
        assert_eq!(leading(&ends, ["b", "a"], &fleet), Some("a"));
        assert_eq!(names(&ends, "x/heron/1", &fleet), ["heron"]);
        assert_eq!(names(&ends, "x/1", &fleet), ["unnamed-system-1"]);
    }

    #[test]
    fn folders_of_two_aircraft_are_at_odds_over_one_log() {
        let fleet = fleet();
        let claims = at_odds(&ends(&[1]), &["heron/1", "egret/1", "b/egret/1", "a"], &fleet);
        assert_eq!(claims, [("heron/1", "heron".to_owned()), ("egret/1", "egret".to_owned())]);
        assert_eq!(at_odds(&ends(&[1]), &["heron/1", "a"], &fleet), []);
    }

    #[test]
    fn a_provisional_name_is_the_end_of_the_hardware_identity() {
        let of = |uid: Option<&str>| name(&Fleet::default(), &identity(uid, 7, Path::new(""))).name;
        assert_eq!(of(Some("0x123456789a")), "unnamed-56789a");
        assert_eq!(of(Some("0x1")), "unnamed-0x1");
        assert_eq!(of(None), "unnamed-system-7");
    }
}
