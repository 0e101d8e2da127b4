//! How far each receiver has said it got.

use super::outbox::{OutboxError, database};
use super::target::Target;
use rusqlite::{Connection, OptionalExtension, params};

/// The cursor a receiver has acknowledged; 0 before the first batch.
///
/// # Errors
/// If the database refuses.
pub fn acknowledged(connection: &Connection, target_id: &str) -> Result<i64, OutboxError> {
    let sql = "SELECT acknowledged FROM feed_delivery WHERE target = ?1";
    let found = connection.query_row(sql, [target_id], |row| row.get(0)).optional();
    found.map(Option::unwrap_or_default).map_err(database("read how far the receiver got"))
}

/// Writes that a receiver has everything up to `cursor`; it never goes back.
///
/// # Errors
/// If the database refuses.
pub fn acknowledge(
    connection: &Connection,
    target: &Target,
    cursor: i64,
    now_utc_us: i64,
) -> Result<(), OutboxError> {
    let sql = "INSERT INTO feed_delivery (target, origin, acknowledged, acknowledged_utc_us) \
               VALUES (?1, ?2, ?3, ?4) ON CONFLICT (target) DO UPDATE \
               SET acknowledged = excluded.acknowledged, acknowledged_utc_us = excluded.acknowledged_utc_us \
               WHERE excluded.acknowledged > acknowledged";
    let row = params![target.id(), target.origin(), cursor, now_utc_us];
    connection.execute(sql, row).map(drop).map_err(database("write how far the receiver got"))
}
