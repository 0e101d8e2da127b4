//! Flights of which two recordings may hold parts, for a person to decide: the one ends in the air, and the other one begins in
//! the air soon after by the boot clock, or lies in a hole of the one. Home must stand where it stood, and the battery be no
//! fuller. Nothing is joined by it: another day's flight may be at the same time after boot.

use super::parts::{LATE_MS, Main, Part, of_two, same_boot, situation};
use super::told::{Told, merged};
use crate::recording::situation::Situation;
use std::collections::{BTreeMap, BTreeSet};

/// No longer is looked for; common practice, no published source.
const LONGEST_MS: i64 = 300_000;

/// Two logs that may be parts of one flight.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Severed {
    /// What is missing between them, milliseconds by the boot clock.
    pub lost_ms: i64,
    /// The log that ends in the air.
    pub earlier: String,
    /// The log that begins in the air.
    pub later: String,
}

/// All such flights of these logs, with their `recordings` of more than one, but those that are `told` apart. Each end is named
/// once, with what is nearest.
pub fn severed(logs: &[Part], recordings: &[Vec<String>], told: &Told) -> Vec<Severed> {
    let files: BTreeMap<&str, &Part> = logs.iter().map(|part| (part.log_id.as_str(), part)).collect();
    let in_several: BTreeSet<&String> = recordings.iter().flatten().collect();
    let alone =
        logs.iter().filter(|part| !in_several.contains(&part.log_id)).map(|part| vec![part.log_id.clone()]);
    let whole = |ids: Vec<String>| {
        let own: Vec<&Part> = ids.iter().filter_map(|id| files.get(id.as_str()).copied()).collect();
        Some((merged(&own)?, ids))
    };
    let all: Vec<(Part, Vec<String>)> = recordings.iter().cloned().chain(alone).filter_map(whole).collect();
    // Few recordings begin in the air, however many there are.
    let flies = |(part, _): &&(Part, Vec<String>)| part.ends.situations.iter().any(|s| in_the_air(&s.begin));
    let begins: Vec<&(Part, Vec<String>)> = all.iter().filter(flies).collect();
    let mut found = Vec::new();
    for (part, own) in &all {
        for (next, others) in begins.iter().filter(|(next, _)| next.log_id != part.log_id) {
            if told.parts(own, others) {
                continue;
            }
            let Some(later) = others.first() else { continue };
            let severed =
                |log: &str, lost_ms| Severed { lost_ms, earlier: log.to_owned(), later: later.clone() };
            found.extend(own.last().zip(may_go_on(part, next)).map(|(log, lost_ms)| severed(log, lost_ms)));
            let files = |pair: &[String]| {
                let mut both = pair.iter().filter_map(|id| files.get(id.as_str()).copied());
                Some((both.next()?, both.next()?))
            };
            for (a, b) in own.windows(2).filter_map(files) {
                // Where both are in the air, so is what lies between them.
                let lost_ms = may_go_on(a, next).filter(|_| may_go_on(next, b).is_some());
                found.extend(lost_ms.map(|lost_ms| severed(&a.log_id, lost_ms)));
            }
        }
    }
    found.sort();
    let mut nearest: Vec<Severed> = Vec::new();
    for pair in found {
        if !nearest.iter().any(|known| known.earlier == pair.earlier || known.later == pair.later) {
            nearest.push(pair);
        }
    }
    nearest
}

fn in_the_air(at: &Situation) -> bool {
    match (at.on_ground, at.armed) {
        (Some(on_ground), _) => !on_ground.is,
        (None, armed) => armed.is_some_and(|armed| armed.is),
    }
}

/// What is missing between the two, if the same system is in the air at both ends and nothing speaks against it.
fn may_go_on(part: &Part, next: &Part) -> Option<i64> {
    let main = Main::of(part, next).filter(|_| part.log_id != next.log_id)?;
    let boots = part.ends.boot(main.system_id).zip(next.ends.boot(main.system_id));
    let speaks_against = part.container != next.container
        || boots.is_some_and(|(a, b)| of_two(a, b))
        || same_boot(part, next, main.system_id) == Some(false)
        || situation(part, next, main.system_id, Situation::excludes)
        || !situation(part, next, main.system_id, Situation::may_lead_to);
    let both = situation(part, next, main.system_id, |a, b| in_the_air(a) && in_the_air(b));
    let soon = (-LATE_MS..=LONGEST_MS).contains(&main.apart_ms);
    (both && soon && !speaks_against).then_some(main.apart_ms.max(0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assess::ends::Ends;
    use crate::recording::situation::Told as Heard;
    use serde_json::json;

    fn part(id: &str, boot_ms: (i64, i64), in_the_air: (bool, bool)) -> Part {
        let sender = json!({
            "system_id": 1, "component_id": 1, "frames": 900, "first_sequence": 0, "last_sequence": 100,
            "first_boot_ms": boot_ms.0, "last_boot_ms": boot_ms.1,
        });
        let at = |is: bool| {
            let on_ground = Some(Heard { boot_ms: 0, is: !is });
            Situation { on_ground, ..Situation::default() }
        };
        let doing = crate::assess::ends::Situations {
            system_id: 1,
            sessions: 1,
            begin: at(in_the_air.0),
            end: at(in_the_air.1),
            set_off: true,
        };
        let senders = vec![serde_json::from_value(sender).unwrap()];
        let ends = Ends { senders, situations: vec![doing], ..Ends::default() };
        Part { log_id: id.into(), container: "bare".into(), ends }
    }

    #[test]
    fn what_ends_and_begins_in_the_air_is_told_with_what_is_nearest() {
        let logs = [
            part("a", (1_000, 60_000), (false, true)),
            part("b", (90_000, 120_000), (true, true)),
            part("c", (200_000, 300_000), (true, false)),
            part("landed", (1_000, 80_000), (false, false)),
        ];
        let pairs = |logs: &[Part], recordings: &[Vec<String>], told: &Told| -> Vec<(String, String, i64)> {
            let found = severed(logs, recordings, told);
            found.into_iter().map(|pair| (pair.earlier, pair.later, pair.lost_ms)).collect()
        };
        let pair = |earlier: &str, later: &str, lost_ms| (earlier.to_owned(), later.to_owned(), lost_ms);
        let none = Told::default();
        assert_eq!(pairs(&logs, &[], &none), [pair("a", "b", 30_000), pair("b", "c", 80_000)]);
        let joined = [vec!["a".to_owned(), "b".to_owned()]];
        assert_eq!(pairs(&logs, &joined, &none), [pair("b", "c", 80_000)]);
        let mut told = Told::default();
        told.apart("a", "b");
        assert_eq!(pairs(&logs, &[], &told), [pair("b", "c", 80_000)]);
        let late = part("b", (361_000, 400_000), (true, false));
        assert!(pairs(&[logs[0].clone(), late], &[], &none).is_empty());
        // One that lies in the hole of a recording, but not one that goes on beyond it.
        let holed = [vec!["a".to_owned(), "c".to_owned()]];
        assert_eq!(pairs(&logs, &holed, &none), [pair("a", "b", 30_000)]);
        let beyond = part("b", (90_000, 250_000), (true, true));
        assert!(pairs(&[logs[0].clone(), beyond, logs[2].clone()], &holed, &none).is_empty());
        let grounded = part("b", (90_000, 120_000), (false, false));
        assert!(pairs(&[logs[0].clone(), grounded], &[], &none).is_empty());
    }
}
