//! Components and fittings as tables. They are brought to what the journal means by removing what is no
//! longer true and adding what is new, so that an entry costs little; the constraints judge every row added.

use crate::usage::{ComponentId, Fitting, Ledger};
use rusqlite::{Connection, params};
use std::collections::{BTreeMap, BTreeSet, HashMap};

type ComponentRow = (String, String, Option<String>, String, i64);
type FittingRow = (String, String, String, String, i64, Option<i64>, i64, Option<i64>);

/// What the tables should hold.
fn wanted(ledger: &Ledger) -> (BTreeSet<ComponentRow>, BTreeSet<FittingRow>) {
    let component = |(id, c): (&ComponentId, &crate::usage::Component)| {
        (id.kind.clone(), id.serial.clone(), c.new.part_number.clone(), c.state.word().to_owned(), c.entry)
    };
    let fitting = |f: &Fitting| {
        (
            f.id.kind.clone(),
            f.id.serial.clone(),
            f.aircraft.clone(),
            f.position.clone(),
            f.from_us,
            f.to_us,
            f.fit_entry,
            f.remove_entry,
        )
    };
    (ledger.components.iter().map(component).collect(), ledger.fittings.iter().map(fitting).collect())
}

fn held(db: &Connection) -> rusqlite::Result<(BTreeSet<ComponentRow>, BTreeSet<FittingRow>)> {
    let mut statement = db.prepare_cached("SELECT kind, serial, part_number, state, entry FROM component")?;
    let components = statement
        .query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?)))?
        .collect::<Result<_, _>>()?;
    let mut statement = db.prepare_cached(
        "SELECT f.kind, c.serial, f.aircraft, f.position, f.from_utc_us, f.to_utc_us, f.fit_entry, \
         f.remove_entry FROM fitting f JOIN component c ON c.id = f.component",
    )?;
    let fittings = statement
        .query_map([], |r| {
            Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?, r.get(5)?, r.get(6)?, r.get(7)?))
        })?
        .collect::<Result<_, _>>()?;
    Ok((components, fittings))
}

/// Brings the tables to the ledger's state; called inside a transaction.
pub fn write(db: &Connection, ledger: &Ledger) -> rusqlite::Result<()> {
    let (components, fittings) = wanted(ledger);
    let (old_components, old_fittings) = held(db)?;
    let mut ids: HashMap<(String, String), i64> = HashMap::new();
    let mut statement = db.prepare_cached("SELECT kind, serial, id FROM component")?;
    for row in statement.query_map([], |r| Ok(((r.get(0)?, r.get(1)?), r.get(2)?)))? {
        let (key, id) = row?;
        ids.insert(key, id);
    }
    let mut gone = db.prepare_cached("DELETE FROM fitting WHERE component = ?1 AND fit_entry = ?2")?;
    for row in old_fittings.difference(&fittings) {
        gone.execute(params![ids.get(&(row.0.clone(), row.1.clone())), row.6])?;
    }
    let kept: BTreeMap<(&str, &str), &ComponentRow> =
        components.iter().map(|c| ((c.0.as_str(), c.1.as_str()), c)).collect();
    let mut gone = db.prepare_cached("DELETE FROM component WHERE kind = ?1 AND serial = ?2")?;
    for row in old_components.iter().filter(|c| !kept.contains_key(&(c.0.as_str(), c.1.as_str()))) {
        gone.execute(params![row.0, row.1])?;
    }
    let mut add = db.prepare_cached(
        "INSERT INTO component (kind, serial, part_number, state, entry) VALUES (?1, ?2, ?3, ?4, ?5) \
         ON CONFLICT (kind, serial) DO UPDATE SET part_number = excluded.part_number, \
         state = excluded.state, entry = excluded.entry RETURNING id",
    )?;
    for row in components.difference(&old_components) {
        let id = add.query_row(params![row.0, row.1, row.2, row.3, row.4], |r| r.get(0))?;
        ids.insert((row.0.clone(), row.1.clone()), id);
    }
    let mut add = db.prepare_cached(
        "INSERT INTO fitting (component, kind, aircraft, position, from_utc_us, to_utc_us, fit_entry, \
         remove_entry) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
    )?;
    for row in fittings.difference(&old_fittings) {
        let id = ids.get(&(row.0.clone(), row.1.clone()));
        add.execute(params![id, row.0, row.2, row.3, row.4, row.5, row.6, row.7])?;
    }
    Ok(())
}

/// True if the tables hold what the journal means.
///
/// # Errors
/// SQLite's refusal.
pub fn agrees(db: &Connection, ledger: &Ledger) -> rusqlite::Result<bool> {
    Ok(held(db)? == wanted(ledger))
}
