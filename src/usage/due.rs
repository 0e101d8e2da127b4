//! What is due, how soon, and what brings it forward.
//!
//! A task counts from its last signature (or on a fixed grid), else from the first flight or the component's
//! beginning, opening balance included: what was never signed counts from new. A task after an event or a
//! change counts from there, once. A deferred inspection is due at the limit it was deferred to.

use super::entry::{Limit, Sign, SignResult};
use super::forecast::{Forecast, Rate};
use super::item::status;
pub use super::item::{
    Basis, Item, LIFE_LIMIT, OpenFinding, Remaining, SOON_DAYS, SOON_SHARE, Status, concerns, millicycles,
};
use super::ledger::Dated;
use super::target::{Craft, Target, base, held, targets};
use super::{Accounts, Amount, DAY_US, State};
use crate::fleet::task::WHOLE_AIRCRAFT;
use crate::fleet::{After, Interval, Task};
use std::collections::{BTreeMap, HashMap};

/// Everything due on these aircraft and components, most urgent first.
pub fn due(
    accounts: &Accounts<'_>,
    tasks: &[Task],
    aircraft: &[Craft],
    findings: &[OpenFinding],
    at_us: i64,
) -> Vec<Item> {
    let view = View::new(accounts, findings, at_us);
    let mut items = Vec::new();
    for task in tasks {
        for target in targets(task, accounts, aircraft, at_us) {
            items.extend(view.item(task, target));
        }
    }
    items.extend(view.life_limits());
    items.sort_by(|a, b| {
        (a.status, a.forecast.map_or(i64::MAX, |f| f.date_us), &a.target, &a.task).cmp(&(
            b.status,
            b.forecast.map_or(i64::MAX, |f| f.date_us),
            &b.target,
            &b.task,
        ))
    });
    items
}

const BEFORE_THE_NEXT_FLIGHT: Remaining = Remaining {
    airtime_ms: None,
    flights: Some(0),
    millicycles: None,
    cycles_at_least: false,
    calendar_us: None,
};

struct View<'a> {
    accounts: &'a Accounts<'a>,
    findings: &'a [OpenFinding],
    at_us: i64,
    rates: BTreeMap<&'a str, Option<Rate>>,
    signs: HashMap<&'a str, Vec<&'a Dated<Sign>>>,
    by_aircraft: HashMap<&'a str, Vec<usize>>,
}

impl<'a> View<'a> {
    fn new(accounts: &'a Accounts<'a>, findings: &'a [OpenFinding], at_us: i64) -> Self {
        let rates = accounts
            .aircraft_names()
            .map(|name| (name, accounts.timeline(name).and_then(|t| Rate::recent(t, at_us))))
            .collect();
        let mut signs: HashMap<&str, Vec<&Dated<Sign>>> = HashMap::new();
        for sign in accounts.ledger.signs.iter().filter(|s| s.at_us <= at_us) {
            signs.entry(&sign.what.task).or_default().push(sign);
        }
        let mut by_aircraft: HashMap<&str, Vec<usize>> = HashMap::new();
        for (index, finding) in findings.iter().enumerate() {
            by_aircraft.entry(&finding.aircraft).or_default().push(index);
        }
        View { accounts, findings, at_us, rates, signs, by_aircraft }
    }

    fn item(&self, task: &Task, target: Target) -> Option<Item> {
        let is_done = |s: &Sign| s.result != SignResult::Deferred;
        let last = self.last_signed(&task.name, &target, |_| true);
        // A deferral later on does not undo it.
        let settled = self.last_signed(&task.name, &target, is_done);
        let trigger = match &task.after {
            Some(after) => Some(self.trigger(after, &target)?),
            None => None,
        };
        let deferred = last.filter(|s| s.what.result == SignResult::Deferred);
        let done = last.filter(|s| is_done(&s.what));
        if task.once && settled.is_some() {
            return None;
        }
        if let (Some((_, since)), Some(settled)) = (&trigger, settled)
            && settled.at_us >= *since
        {
            return None;
        }
        let now = self.usage(&target, self.at_us);
        let (basis, from_us) = match (deferred, &trigger, done) {
            (Some(sign), _, _) if trigger.as_ref().is_none_or(|(_, since)| sign.at_us >= *since) => {
                (Basis::Deferred(sign.at_us, sign.entry), Some(sign.at_us))
            }
            (_, Some((basis, since)), _) => (basis.clone(), Some(*since)),
            (_, None, Some(done)) => (Basis::Signed(done.at_us, done.entry), Some(done.at_us)),
            _ => (Basis::Never, self.beginning(&target)),
        };
        let before = match basis {
            Basis::Never => Amount::default(),
            _ => from_us.map(|at| self.usage(&target, at)).unwrap_or_default(),
        };
        let used = now - before;
        let mut tolerance = task.tolerance;
        let remaining = match (&basis, deferred) {
            (Basis::Deferred(..), Some(sign)) => {
                tolerance = Interval::default();
                self.until_limit(&sign.what.deferred_until, used)
            }
            _ if task.grid && trigger.is_none() => self.on_grid(task, before, now, &target, from_us),
            (Basis::Event(_, None), _) => BEFORE_THE_NEXT_FLIGHT,
            _ => self.since_basis(task, used, from_us),
        };
        let findings = self.findings_for(task, &target, settled.map(|s| s.at_us));
        let mut forecast = self.forecast(&target, &remaining);
        let mut status = status(&remaining, &task.every, None, &tolerance, forecast, self.at_us);
        let urgent = |i: &usize| self.findings[*i].severity > crate::finding::Severity::Advisory;
        if status > Status::Due && findings.iter().any(urgent) {
            status = Status::Due;
            forecast = Some(Forecast::certain(self.at_us));
        }
        Some(Item {
            task: task.name.clone(),
            look_for: task.look_for.clone(),
            target,
            status,
            basis,
            used,
            remaining,
            tolerance,
            forecast,
            findings,
        })
    }

    fn last_signed(
        &self,
        task: &str,
        target: &Target,
        fit: impl Fn(&Sign) -> bool,
    ) -> Option<&'a Dated<Sign>> {
        let covers = |s: &Sign| s.targets.iter().any(|t| target.is_covered_by(t));
        self.signs.get(task)?.iter().rev().find(|s| covers(&s.what) && fit(&s.what)).copied()
    }

    fn usage(&self, target: &Target, at_us: i64) -> Amount {
        match (target.component(), &target.aircraft) {
            (Some(id), _) => self.accounts.component(&id, at_us),
            (None, Some(name)) => self.accounts.aircraft(name, at_us),
            (None, None) => Amount::default(),
        }
    }

    /// Where calendar days count from if nothing was ever signed.
    fn beginning(&self, target: &Target) -> Option<i64> {
        match (target.component(), &target.aircraft) {
            (Some(id), _) => {
                let since = self.accounts.ledger.components.get(&id).and_then(|c| c.new.since_us);
                let fitted = self.accounts.fittings(&id).next().map(|f| f.from_us);
                let flown = self.accounts.pack_timeline(&id).and_then(|t| t.first_us());
                since.or_else(|| fitted.into_iter().chain(flown).min())
            }
            (None, Some(name)) => self.accounts.timeline(name).and_then(|t| t.first_us()),
            (None, None) => None,
        }
    }

    /// What called for a task last, and when; now if a time is not known.
    fn trigger(&self, after: &After, target: &Target) -> Option<(Basis, i64)> {
        match after {
            After::Event(event) => {
                let was_there = |aircraft: &str, at: i64| match target.component() {
                    Some(id) => self.accounts.fitted_at(&id, at).is_some_and(|f| f.aircraft == aircraft),
                    None => target.aircraft.as_deref() == Some(aircraft),
                };
                let entered = self.accounts.ledger.events.iter();
                let entered = entered
                    .filter(|e| e.what.event == *event)
                    .map(|e| (e.what.aircraft.as_str(), Some(e.at_us)));
                // At an unknown time no signature is known to be later, so only an answer ends it.
                let measured = self.findings.iter().filter(|f| f.kind.replace('_', " ") == *event);
                let measured = measured.filter(|f| f.at_us.is_some() || !f.answered);
                let measured = measured.map(|f| (f.aircraft.as_str(), f.at_us));
                let all = entered.chain(measured).map(|(a, at)| (a, at.unwrap_or(self.at_us), at.is_some()));
                let all = all.filter(|(a, at, _)| *at <= self.at_us && was_there(a, *at));
                let (at, known) =
                    all.map(|(_, at, known)| (at, known)).reduce(|a, b| (a.0.max(b.0), a.1 && b.1))?;
                Some((Basis::Event(event.clone(), known.then_some(at)), at))
            }
            After::Change(kind) => {
                let aircraft = target.aircraft.as_ref()?;
                let own = target.component().filter(|id| id.kind == *kind);
                let fittings = self.accounts.ledger.fittings.iter().filter(|f| {
                    f.id.kind == *kind
                        && f.aircraft == *aircraft
                        && f.from_us <= self.at_us
                        && own.as_ref().is_none_or(|id| f.id == *id)
                        && (own.is_some() || target.position.as_ref().is_none_or(|p| f.position == *p))
                });
                let at = fittings.map(|f| f.from_us).max()?;
                Some((Basis::Change(kind.clone(), at), at))
            }
        }
    }

    fn since_basis(&self, task: &Task, used: Amount, from_us: Option<i64>) -> Remaining {
        let every = &task.every;
        if every.is_empty() {
            // Called for and not tied to any use.
            return BEFORE_THE_NEXT_FLIGHT;
        }
        Remaining {
            airtime_ms: every.airtime_ms.map(|n| n - used.airtime_ms),
            flights: every.flights.map(|n| n - used.flights),
            calendar_us: every.days.zip(from_us).map(|(n, from)| self.days_left(n, from)),
            ..Remaining::default()
        }
    }

    /// Microseconds until so many days after an instant; no number of days is too many.
    fn days_left(&self, days: i64, from_us: i64) -> i64 {
        from_us.saturating_add(days.saturating_mul(DAY_US)).saturating_sub(self.at_us)
    }

    fn on_grid(
        &self,
        task: &Task,
        before: Amount,
        now: Amount,
        target: &Target,
        from_us: Option<i64>,
    ) -> Remaining {
        // Done a little early, within the tolerance, satisfies the next grid point and not the one before.
        let next = |n: i64, at: i64, tolerance: Option<i64>| {
            let passed = |n: i64| at.saturating_add(tolerance.unwrap_or(0)).div_euclid(n);
            if n <= 0 { 0 } else { passed(n).saturating_add(1).saturating_mul(n) }
        };
        let (every, tolerance) = (&task.every, &task.tolerance);
        let origin = self.beginning(target);
        Remaining {
            airtime_ms: every
                .airtime_ms
                .map(|n| next(n, before.airtime_ms, tolerance.airtime_ms) - now.airtime_ms),
            flights: every.flights.map(|n| next(n, before.flights, tolerance.flights) - now.flights),
            calendar_us: every.days.zip(origin).zip(from_us).map(|((n, origin), from)| {
                let tolerance = tolerance.days.map(|d| d.saturating_mul(DAY_US));
                let next = next(n.saturating_mul(DAY_US), from.saturating_sub(origin), tolerance);
                origin.saturating_add(next).saturating_sub(self.at_us)
            }),
            ..Remaining::default()
        }
    }

    fn until_limit(&self, limit: &Limit, used: Amount) -> Remaining {
        Remaining {
            airtime_ms: limit.airtime_ms.map(|n| n - used.airtime_ms),
            flights: limit.flights.map(|n| n - used.flights),
            calendar_us: limit.until_us.map(|until| until.saturating_sub(self.at_us)),
            ..Remaining::default()
        }
    }

    fn rate(&self, target: &Target) -> Option<Rate> {
        if let Some(id) = target.component()
            && let Some(line) = self.accounts.pack_timeline(&id)
        {
            return Rate::recent(line, self.at_us);
        }
        *self.rates.get(target.aircraft.as_deref()?)?
    }

    fn forecast(&self, target: &Target, remaining: &Remaining) -> Option<Forecast> {
        let rate = self.rate(target);
        let by_use = [
            remaining.airtime_ms.and_then(|ms| rate?.airtime(ms, self.at_us)),
            remaining.flights.and_then(|n| rate?.flights(n, self.at_us)),
            remaining.calendar_us.map(|us| Forecast::certain(self.at_us.saturating_add(us.max(0)))),
        ];
        // Whichever comes first; one that is used up already needs no rate.
        let over = [remaining.airtime_ms, remaining.flights, remaining.millicycles];
        if over.into_iter().flatten().any(|left| left <= 0) {
            return Some(Forecast::certain(self.at_us));
        }
        by_use.into_iter().flatten().min_by_key(|f| f.date_us)
    }

    fn findings_for(&self, task: &Task, target: &Target, signed_us: Option<i64>) -> Vec<usize> {
        let Some(own) = target.aircraft.as_deref().and_then(|name| self.by_aircraft.get(name)) else {
            return Vec::new();
        };
        let concerned = |f: &OpenFinding| {
            let kind = concerns(&f.kind).contains(&task.applies_to.as_str());
            // A motor's finding names its position: the other positions are not meant.
            let elsewhere = f.kind.starts_with("motor_")
                && f.subject != WHOLE_AIRCRAFT
                && match target.position.as_deref() {
                    Some(position) => base(position) != f.subject,
                    None => target.rest && self.holds(target, &f.subject),
                };
            kind && !elsewhere
        };
        let mut found: Vec<usize> = own
            .iter()
            .copied()
            .filter(|i| {
                let f = &self.findings[*i];
                let open = |at: i64| at <= self.at_us && signed_us.is_none_or(|signed| at > signed);
                !f.answered && f.at_us.is_none_or(open) && concerned(f)
            })
            .collect();
        found.sort_by_key(|i| std::cmp::Reverse((self.findings[*i].severity, self.findings[*i].at_us)));
        found
    }

    /// Whether a component in the logbook is where a finding is, and not the rest.
    fn holds(&self, rest: &Target, position: &str) -> bool {
        let place = rest.aircraft.as_deref().zip(rest.kind.as_deref());
        let mut held = place.into_iter().flat_map(|(name, kind)| held(self.accounts, name, kind, self.at_us));
        held.any(|p| base(p) == position)
    }

    fn life_limits(&self) -> Vec<Item> {
        let mut items = Vec::new();
        for (id, component) in &self.accounts.ledger.components {
            let life = &component.new.life;
            if matches!(component.state, State::Retired(_)) || *life == Default::default() {
                continue;
            }
            let fitting = self.accounts.fitted_at(id, self.at_us);
            let target = Target {
                aircraft: fitting.map(|f| f.aircraft.clone()),
                kind: Some(id.kind.clone()),
                position: fitting.map(|f| f.position.clone()),
                serial: Some(id.serial.clone()),
                rest: false,
            };
            let used = self.accounts.component(id, self.at_us);
            let by_days =
                life.days.zip(self.beginning(&target)).map(|(days, from)| self.days_left(days, from));
            let by_date = life.until_us.map(|until| until.saturating_sub(self.at_us));
            let remaining = Remaining {
                airtime_ms: life.airtime_ms.map(|n| n - used.airtime_ms),
                flights: life.flights.map(|n| n - used.flights),
                millicycles: life
                    .cycles
                    .and_then(|n| Some(n.saturating_mul(1000) - millicycles(self.accounts, id, self.at_us)?)),
                cycles_at_least: life.cycles.is_some() && used.charge_unknown > 0,
                calendar_us: by_days.into_iter().chain(by_date).min(),
            };
            let every = Interval { airtime_ms: life.airtime_ms, flights: life.flights, days: life.days };
            let forecast = self.forecast(&target, &remaining);
            let tolerance = Interval::default();
            let status = status(&remaining, &every, life.cycles, &tolerance, forecast, self.at_us);
            items.push(Item {
                task: LIFE_LIMIT.to_owned(),
                look_for: None,
                target,
                status,
                basis: Basis::Life,
                used,
                remaining,
                tolerance,
                forecast,
                findings: Vec::new(),
            });
        }
        items
    }
}
