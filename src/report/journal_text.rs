//! The terminal form of journal entries and tasks: one sentence each.

use super::text::{plain, wrapped};
use super::usage_text::{amount, count, day, places};
use crate::fleet::{After, Interval, Task};
use crate::usage::entry::{Action, ComponentId, Off, SignResult, SignedTarget};
use crate::usage::{Entry, utc};

/// Tasks with their intervals.
pub fn tasks(tasks: &[Task]) -> String {
    let mut text = String::new();
    for task in tasks {
        text.push_str(&wrapped(&plain(&task.name), ""));
        let mut line = format!("on {}", task.applies_to);
        for list in [&task.aircraft, &task.positions].into_iter().filter(|l| !l.is_empty()) {
            line.push_str(&format!(" of {}", list.join(", ")));
        }
        line.push_str(&schedule(task));
        text.push_str(&wrapped(&plain(&line), "  "));
        if let Some(look) = &task.look_for {
            text.push_str(&wrapped(&plain(&format!("look for: {look}")), "  "));
        }
    }
    text
}

fn schedule(task: &Task) -> String {
    let mut line = String::new();
    let after = match &task.after {
        Some(After::Event(event)) => format!(" after a {event}"),
        Some(After::Change(kind)) => format!(" after a {kind} was fitted"),
        None => String::new(),
    };
    if !task.every.is_empty() {
        let word = if task.after.is_some() || task.once { "once at" } else { "every" };
        line.push_str(&format!(", {word} {}", interval(&task.every)));
    }
    line.push_str(&after);
    if task.grid {
        line.push_str(", on a fixed grid");
    }
    if task.once {
        line.push_str(", once");
    }
    if !task.tolerance.is_empty() {
        line.push_str(&format!(", may be late by {}", interval(&task.tolerance)));
    }
    line
}

fn interval(interval: &Interval) -> String {
    let parts = [
        interval.airtime_ms.map(|ms| format!("{} h", ms as f64 / 3_600_000.0)),
        interval.flights.map(|n| count(n, "flight", "flights")),
        interval.days.map(|n| count(n, "day", "days")),
    ];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" or ")
}

fn ids(ids: &[ComponentId]) -> String {
    ids.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")
}

fn signed(target: &SignedTarget) -> String {
    let parts = [&target.aircraft, &target.position, &target.kind, &target.serial];
    parts.into_iter().flatten().cloned().collect::<Vec<_>>().join(" ")
}

/// One journal entry in one sentence.
pub fn entry(entry: &Entry) -> String {
    let with = |label: &str, text: &Option<String>| {
        text.as_ref().map_or_else(String::new, |t| format!("{label}{t}"))
    };
    let what = match &entry.action {
        Action::Component(new) => {
            let opening = if new.opening.is_zero() && new.opening_millicycles == 0 {
                "new".to_owned()
            } else {
                format!("with {} before", amount(&new.opening))
            };
            format!("{} {} entered, {opening}{}", new.kind, new.serial, with("; ", &new.note))
        }
        Action::Set(set) => format!("set {} named: {}", set.name, places(&set.members)),
        Action::Fit(fit) => {
            let by = with(" by ", &fit.by);
            format!("fitted to {}{by}: {}{}", fit.aircraft, places(&fit.places), with("; ", &fit.note))
        }
        Action::Remove(r) => {
            let by = with(" by ", &r.by);
            let to = match r.to {
                Off::Removed => "",
                Off::InStock => ", now in stock",
                Off::Retired => ", now retired",
            };
            format!("removed{by}{to}: {}{}", ids(&r.components), with("; ", &r.reason))
        }
        Action::State(c) => format!("{}: {}{}", c.to.word(), ids(&c.components), with("; ", &c.reason)),
        Action::Assign(a) => {
            let packs: Vec<&str> = a.packs.iter().map(|p| p.serial.as_str()).collect();
            format!("flight {} was flown with battery pack {}", a.flight_id, packs.join(", "))
        }
        Action::Exclude(e) => format!("flight {} does not count: {}", e.flight_id, e.reason),
        Action::Event(e) => format!("{} of {}{}", e.event, e.aircraft, with("; ", &e.note)),
        Action::Task(t) => format!("task made: {} on {}{}", t.name, t.applies_to, schedule(t)),
        Action::EndTask(t) => format!("task ended: {}{}", t.name, with("; ", &t.reason)),
        Action::Sign(s) => {
            let on: Vec<String> = s.targets.iter().map(signed).collect();
            let mut line = format!("{} on {}: {}, by {}", s.task, on.join(", "), s.result.word(), s.by);
            line.push_str(&with(", ", &s.licence));
            if s.result == SignResult::Deferred {
                let limit = &s.deferred_until;
                let parts = [
                    limit.flights.map(|n| count(n, "flight", "flights")),
                    limit.airtime_ms.map(|ms| format!("{} h", ms as f64 / 3_600_000.0)),
                    limit.until_us.map(day),
                ];
                let parts: Vec<String> = parts.into_iter().flatten().collect();
                line.push_str(&format!("; until at most {}", parts.join(" or ")));
            }
            for reading in &s.readings {
                line.push_str(&format!("; {} {} {}", reading.name, reading.value, reading.unit));
            }
            for part in &s.parts_changed {
                line.push_str(&format!("; part changed: {part}"));
            }
            line + &with("; ", &s.text)
        }
        Action::Answer(a) => format!(
            "finding {} ({} {}, {}) answered by {}: {}{}",
            a.finding_id,
            a.finding_kind.replace('_', " "),
            a.subject,
            a.aircraft,
            a.by,
            a.answer.word(),
            with("; ", &a.text)
        ),
        Action::Void(v) => format!("never happened: {}", v.reason),
    };
    let corrects = entry.corrects.map_or_else(String::new, |c| format!(" (corrects entry {c})"));
    plain(&format!("entry {}{corrects}, {}: {what}", entry.seq, utc(entry.at_us)))
}
