//! Every aircraft's and component's usage, the flights behind it, and what could not be attributed.
//!
//! A component's usage is its opening balance and what its aircraft flew while it was fitted. Battery packs
//! are told apart by the serial number in the log: a flight whose log names its packs, or for which a
//! person named them, counts for these; any other for the pack that was fitted.

use super::entry::{BATTERY, Exclude};
use super::ledger::Dated;
use super::timeline::Timeline;
use super::{Amount, ComponentId, Fitting, Flown, Ledger};
use std::collections::{BTreeMap, HashMap, HashSet};

/// The flights and the ledger joined, ready to be asked about any instant.
pub struct Accounts<'a> {
    /// The ledger.
    pub ledger: &'a Ledger,
    aircraft: BTreeMap<&'a str, Lines<'a>>,
    packs: HashMap<&'a ComponentId, Timeline<'a>>,
    /// Which pack flew on which aircraft, since when.
    pack_aircraft: HashMap<(&'a ComponentId, &'a str), i64>,
    named: HashMap<(&'a str, &'a str), (Option<i64>, Source)>,
    fittings: HashMap<&'a ComponentId, Vec<&'a Fitting>>,
    /// Flights whose log tells no UTC: they count for no component.
    pub unattributed: Vec<&'a Flown>,
    /// Serial numbers that logs name but the logbook does not know, with the number of flights.
    pub unknown_packs: BTreeMap<&'a str, usize>,
    /// Pairs of flights of one aircraft that overlap: perhaps one flight recorded twice.
    pub overlapping: Vec<(&'a Flown, &'a Flown)>,
    /// Flights that do not count because another recording of them was excluded.
    pub excluded_as: Vec<(&'a Flown, &'a Dated<Exclude>)>,
    /// Flights that an entry names packs for or excludes, and that no recording shows under that id.
    pub missing: Vec<Missing<'a>>,
}

/// A flight that an entry speaks of and that there is not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Missing<'a> {
    /// The entry.
    pub entry: i64,
    /// The flight.
    pub flight_id: &'a str,
    /// Whether the entry excludes it; else it names its packs.
    pub excludes: bool,
}

#[derive(Default)]
struct Lines<'a> {
    all: Timeline<'a>,
    /// Flights for which nobody and no log names the packs.
    unnamed: Timeline<'a>,
}

/// Why a flight counts for a component.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// It was fitted, by this entry.
    Fitted(i64),
    /// The log names it.
    Log,
    /// A person named it, by this entry.
    Hand(i64),
}

impl Source {
    /// The word people and programs read.
    pub fn word(self) -> &'static str {
        match self {
            Source::Fitted(_) => "fitted",
            Source::Log => "log",
            Source::Hand(_) => "hand",
        }
    }
}

/// One flight's part in a component's usage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Share<'a> {
    /// The flight.
    pub flight: &'a Flown,
    /// Where the component was; `None` for a pack told by its serial.
    pub position: Option<&'a str>,
    /// How much of it.
    pub amount: Amount,
    /// Why.
    pub source: Source,
}

/// A component fitted or removed while its aircraft was in the air: a card came in late, or the time is
/// wrong. The flight's milliseconds are split exactly there.
#[derive(Debug, Clone, PartialEq)]
pub struct Straddle<'a> {
    /// The flight.
    pub flight: &'a Flown,
    /// The component's fitting.
    pub fitting: &'a Fitting,
    /// The instant in the air.
    pub at_us: i64,
    /// The entry that says so.
    pub entry: i64,
}

impl<'a> Accounts<'a> {
    /// Joins a ledger with flights. Flights that the ledger excludes are left out everywhere.
    pub fn new(ledger: &'a Ledger, flights: &'a [Flown]) -> Self {
        let serials: HashMap<String, &ComponentId> = ledger
            .components
            .keys()
            .filter(|id| id.kind == BATTERY)
            .map(|id| (id.serial.to_lowercase(), id))
            .collect();
        let mut of_aircraft: BTreeMap<&str, Vec<(&Flown, bool)>> = BTreeMap::new();
        let mut of_pack: HashMap<&ComponentId, Vec<(&Flown, Option<i64>)>> = HashMap::new();
        let mut named = HashMap::new();
        let mut unknown_packs: BTreeMap<&str, usize> = BTreeMap::new();
        let (mut unattributed, mut overlapping, mut excluded_as) = (Vec::new(), Vec::new(), Vec::new());
        for flight in flights {
            if let Some(excluded) = said_of(&ledger.excluded, flight) {
                if excluded.what.flight_id != flight.flight_id {
                    excluded_as.push((flight, excluded));
                }
                continue;
            }
            if flight.airborne_us.is_none() {
                unattributed.push(flight);
                continue;
            }
            let by_hand = said_of(&ledger.assigned, flight);
            let mut name = |serial: &'a str, charge: Option<i64>, source| match serials
                .get(&serial.trim().to_lowercase())
            {
                Some(id) => {
                    of_pack.entry(id).or_default().push((flight, charge));
                    named.insert((flight.flight_id.as_str(), id.serial.as_str()), (charge, source));
                }
                None => *unknown_packs.entry(serial).or_default() += 1,
            };
            match by_hand {
                Some(hand) => {
                    for pack in &hand.what.packs {
                        let logged =
                            flight.packs.iter().find(|p| p.serial.eq_ignore_ascii_case(&pack.serial));
                        let charge = pack.charge_mah.or(logged.and_then(|p| p.charge_mah));
                        name(&pack.serial, charge, Source::Hand(hand.entry));
                    }
                }
                None => flight.packs.iter().for_each(|p| name(&p.serial, p.charge_mah, Source::Log)),
            }
            let unnamed = by_hand.is_none() && flight.packs.is_empty();
            of_aircraft.entry(&flight.aircraft).or_default().push((flight, unnamed));
        }
        let mut aircraft = BTreeMap::new();
        for (name, mut own) in of_aircraft {
            own.sort_by_key(|(f, _)| f.airborne_us);
            for pair in own.windows(2) {
                let [(a, _), (b, _)] = pair else { continue };
                if a.airborne_us.zip(b.airborne_us).is_some_and(|(a, b)| b.0 < a.1) {
                    overlapping.push((*a, *b));
                }
            }
            let all = Timeline::new(own.iter().map(|(f, _)| (*f, Some(0))));
            let unnamed = Timeline::new(own.iter().filter(|(_, unnamed)| *unnamed).map(|(f, _)| (*f, None)));
            aircraft.insert(name, Lines { all, unnamed });
        }
        let mut pack_aircraft: HashMap<(&ComponentId, &str), i64> = HashMap::new();
        for (id, flight) in of_pack.iter().flat_map(|(id, own)| own.iter().map(move |(f, _)| (*id, *f))) {
            let Some((from, _)) = flight.airborne_us else { continue };
            let first = pack_aircraft.entry((id, flight.aircraft.as_str())).or_insert(from);
            *first = (*first).min(from);
        }
        let packs = of_pack.into_iter().map(|(id, flights)| (id, Timeline::new(flights))).collect();
        let mut fittings: HashMap<&ComponentId, Vec<&Fitting>> = HashMap::new();
        for fitting in &ledger.fittings {
            fittings.entry(&fitting.id).or_default().push(fitting);
        }
        Accounts {
            ledger,
            aircraft,
            packs,
            pack_aircraft,
            named,
            fittings,
            unattributed,
            unknown_packs,
            overlapping,
            excluded_as,
            missing: missing(ledger, flights),
        }
    }

    /// Aircraft that have flown.
    pub fn aircraft_names(&self) -> impl Iterator<Item = &'a str> + '_ {
        self.aircraft.keys().copied()
    }

    /// What an aircraft used before an instant.
    pub fn aircraft(&self, name: &str, at_us: i64) -> Amount {
        self.aircraft.get(name).map(|l| l.all.until(at_us)).unwrap_or_default()
    }

    /// An aircraft's flights, ready to be asked.
    pub fn timeline(&self, name: &str) -> Option<&Timeline<'a>> {
        self.aircraft.get(name).map(|l| &l.all)
    }

    /// A pack's own flights, ready to be asked: those that name it.
    pub fn pack_timeline(&self, id: &ComponentId) -> Option<&Timeline<'a>> {
        self.packs.get(id)
    }

    /// Whether a flight of this aircraft before an instant names the pack.
    pub fn flies_on(&self, id: &ComponentId, aircraft: &str, at_us: i64) -> bool {
        self.pack_aircraft.get(&(id, aircraft)).is_some_and(|first| *first < at_us)
    }

    /// What a component used before an instant, its opening balance included.
    pub fn component(&self, id: &ComponentId, at_us: i64) -> Amount {
        let opening = self.ledger.components.get(id).map(|c| c.new.opening).unwrap_or_default();
        let named = self.packs.get(id).map(|t| t.until(at_us)).unwrap_or_default();
        let fitted: Amount = self
            .fittings(id)
            .filter_map(|f| Some(self.line(f)?.between(f.from_us, f.to_us.unwrap_or(i64::MAX).min(at_us))))
            .sum();
        opening + named + fitted
    }

    /// A component's fittings, by time.
    pub fn fittings(&self, id: &ComponentId) -> impl Iterator<Item = &'a Fitting> + '_ {
        self.fittings.get(id).into_iter().flatten().copied()
    }

    /// The fitting that holds at an instant.
    pub fn fitted_at(&self, id: &ComponentId, at_us: i64) -> Option<&'a Fitting> {
        self.fittings(id).find(|f| f.from_us <= at_us && f.to_us.is_none_or(|to| at_us < to))
    }

    /// The flights behind [`Accounts::component`], by liftoff; with the opening balance they add up to it.
    pub fn shares(&self, id: &ComponentId, at_us: i64) -> Vec<Share<'a>> {
        let mut shares = Vec::new();
        for fitting in self.fittings(id) {
            let to = fitting.to_us.unwrap_or(i64::MAX).min(at_us);
            let Some(line) = self.line(fitting) else { continue };
            // Nothing tells what a pack that no log names has drawn.
            let charge = (fitting.id.kind != BATTERY).then_some(0);
            shares.extend(line.flights(fitting.from_us, to).map(|flight| Share {
                flight,
                position: Some(fitting.position.as_str()),
                amount: Timeline::part(flight, charge, fitting.from_us, to),
                source: Source::Fitted(fitting.fit_entry),
            }));
        }
        if let Some(line) = self.packs.get(id) {
            shares.extend(line.flights(i64::MIN, at_us).map(|flight| {
                let named = self.named.get(&(flight.flight_id.as_str(), id.serial.as_str()));
                let (charge, source) = named.copied().unwrap_or((None, Source::Log));
                let amount = Timeline::part(flight, charge, i64::MIN, at_us);
                Share { flight, position: None, amount, source }
            }));
        }
        shares.retain(|s| !s.amount.is_zero());
        shares.sort_by(|a, b| {
            (a.flight.airborne_us, &a.flight.flight_id).cmp(&(b.flight.airborne_us, &b.flight.flight_id))
        });
        shares
    }

    /// Fittings and removals that lie in the air, by time.
    pub fn straddles(&self) -> Vec<Straddle<'a>> {
        let mut found = Vec::new();
        for fitting in &self.ledger.fittings {
            let Some(line) = self.line(fitting) else { continue };
            let end = fitting.to_us.zip(fitting.remove_entry);
            for (at_us, entry) in [Some((fitting.from_us, fitting.fit_entry)), end].into_iter().flatten() {
                found.extend(line.around(at_us).map(|flight| Straddle { flight, fitting, at_us, entry }));
            }
        }
        found.sort_by_key(|s| (s.at_us, s.entry));
        found
    }

    fn line(&self, fitting: &Fitting) -> Option<&Timeline<'a>> {
        let lines = self.aircraft.get(fitting.aircraft.as_str())?;
        Some(if fitting.id.kind == BATTERY { &lines.unnamed } else { &lines.all })
    }
}

/// What was said of a flight: under its own id, else last under that of another recording of it.
fn said_of<'l, T>(said: &'l BTreeMap<String, Dated<T>>, flight: &Flown) -> Option<&'l Dated<T>> {
    let other = || flight.also.iter().filter_map(|id| said.get(id)).max_by_key(|d| (d.at_us, d.entry));
    said.get(&flight.flight_id).or_else(other)
}

fn missing<'a>(ledger: &'a Ledger, flights: &[Flown]) -> Vec<Missing<'a>> {
    let packs = ledger.assigned.iter().map(|(id, dated)| (id, dated.entry, false));
    let excluded = ledger.excluded.iter().map(|(id, dated)| (id, dated.entry, true));
    let mut missing: Vec<Missing<'a>> = packs
        .chain(excluded)
        .map(|(id, entry, excludes)| Missing { entry, flight_id: id, excludes })
        .collect();
    if !missing.is_empty() {
        let known: HashSet<&str> = flights
            .iter()
            .flat_map(|f| std::iter::once(&f.flight_id).chain(&f.also))
            .map(String::as_str)
            .collect();
        missing.retain(|m| !known.contains(m.flight_id));
        missing.sort_by_key(|m| m.entry);
    }
    missing
}
