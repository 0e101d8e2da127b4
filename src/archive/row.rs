//! The rows of the catalogue. Lists stand as JSON text in one column.

use super::cell::{Cell, Utc};
use arrow_array::{ArrayRef, RecordBatch};
use arrow_schema::{ArrowError, Field, Schema};
use std::sync::Arc;

/// A struct that is one row of a Parquet table.
pub trait TableRow: Sized + Clone + PartialEq + Send {
    /// Folder of the table under `archive/`.
    const TABLE: &'static str;
    /// All rows as one batch.
    ///
    /// # Errors
    /// Never for rows of this crate; Arrow's own check of equal lengths.
    fn to_batch(rows: &[Self]) -> Result<RecordBatch, ArrowError>;
    /// The rows back, or the name of the column that is missing or has another type.
    ///
    /// # Errors
    /// The column's name.
    fn from_batch(batch: &RecordBatch) -> Result<Vec<Self>, &'static str>;
}

macro_rules! table_row {
    ($(#[$doc:meta])* $name:ident in $table:literal { $($(#[$field_doc:meta])* $field:ident: $type:ty,)* }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq)]
        pub struct $name { $($(#[$field_doc])* pub $field: $type,)* }

        impl TableRow for $name {
            const TABLE: &'static str = $table;
            fn to_batch(rows: &[Self]) -> Result<RecordBatch, ArrowError> {
                let fields = vec![$(Field::new(stringify!($field), <$type as Cell>::data_type(), <$type as Cell>::NULLABLE)),*];
                let columns: Vec<ArrayRef> = vec![$(<$type as Cell>::array(rows.iter().map(|r| &r.$field))),*];
                RecordBatch::try_new(Arc::new(Schema::new(fields)), columns)
            }
            fn from_batch(batch: &RecordBatch) -> Result<Vec<Self>, &'static str> {
                $(let mut $field = <$type as Cell>::read(batch, stringify!($field)).ok_or(stringify!($field))?.into_iter();)*
                (0..batch.num_rows())
                    .map(|_| Ok($name { $($field: $field.next().ok_or(stringify!($field))?),* }))
                    .collect()
            }
        }
    };
}

table_row! {
    /// One log.
    LogRow in "logs" {
        /// BLAKE3 of the file, hex.
        log_id: String,
        /// Aircraft it was filed under.
        aircraft: String,
        /// Where it was read from, as given.
        path: String,
        /// Size of the file.
        bytes: i64,
        /// `bare`, `timestamped`, `pcap` or `pcapng`.
        container: String,
        /// Frames with a good checksum.
        frames: i64,
        /// Candidates with a bad checksum.
        frames_bad_crc: i64,
        /// Frames of unknown messages.
        frames_unknown: i64,
        /// Bytes in no frame and no time stamp.
        bytes_skipped: i64,
        /// Frames missing by the senders' own counters.
        sequence_lost: i64,
        /// JSON list of senders.
        vehicles: String,
        /// JSON list of message counts.
        messages: String,
        /// First instant.
        start_utc: Option<Utc>,
        /// Last instant.
        end_utc: Option<Utc>,
        /// Where UTC came from.
        utc_source: String,
        /// Boot sessions over all vehicles.
        boots: i64,
        /// Share of the bytes that are frames and their stamps, or known parts of a capture: how sure it is
        /// that the file is what `container` says.
        confidence: f64,
        /// JSON: counters and clocks of the senders at both ends, by which rotated files are joined.
        ends: String,
        /// JSON list of signed links: frames verified, replayed, wrong and unverified.
        signatures: String,
        /// JSON list of sentences.
        notes: String,
    }
}

table_row! {
    /// One flight.
    FlightRow in "flights" {
        /// First 12 hex digits of BLAKE3(log id, system id, ordinal).
        flight_id: String,
        /// The log.
        log_id: String,
        /// The aircraft.
        aircraft: String,
        /// MAVLink system id.
        system_id: i64,
        /// Flight of this vehicle in this log, from 0.
        ordinal: i64,
        /// Boot session in the log, from 0.
        boot: i64,
        /// Liftoff.
        takeoff_utc: Option<Utc>,
        /// Touchdown.
        touchdown_utc: Option<Utc>,
        /// Liftoff by the first stamps of the boot session, where its UTC was stepped.
        takeoff_utc_by_first: Option<Utc>,
        /// The same by its last stamps.
        takeoff_utc_by_last: Option<Utc>,
        /// Liftoff, milliseconds since boot.
        takeoff_boot_ms: i64,
        /// Touchdown, milliseconds since boot.
        touchdown_boot_ms: i64,
        /// Time off the ground, milliseconds.
        airtime_ms: i64,
        /// Least airtime the evidence allows.
        airtime_min_ms: i64,
        /// Greatest airtime the evidence allows.
        airtime_max_ms: i64,
        /// What it rests on.
        evidence: String,
        /// False if the log starts or ends in the air.
        complete: bool,
        /// Touchdowns.
        landings: i64,
        /// Times the motors were started for it.
        motor_starts: Option<i64>,
        /// Way over ground.
        distance_m: Option<f64>,
        /// Where the aircraft tells no UTC: what it said of its attitude in this boot session, hex, by which another
        /// recording of the session is known.
        boot_sketch: String,
    }
}

table_row! {
    /// One loss of one recording, or several of a kind near each other.
    IntegrityRow in "integrity" {
        /// The recording: its log, or the first of those it was rotated over.
        log_id: String,
        /// `damaged_frame`, `zeros`, `ones`, `cut_frame`, `garbage`, `sequence`, `time_jump`, `silence`, `repeat` or
        /// `container`.
        kind: String,
        /// First byte in the recording.
        offset: i64,
        /// First byte behind it.
        end_offset: i64,
        /// Bytes in no frame.
        bytes: i64,
        /// Frames damaged, missing or read again.
        frames: i64,
        /// Whose clock, and whose frames.
        system_id: Option<i64>,
        /// Component of missing frames.
        component_id: Option<i64>,
        /// Boot session in the recording, from 0.
        boot: Option<i64>,
        /// Last instant before it, milliseconds since boot.
        from_boot_ms: Option<i64>,
        /// First instant behind it.
        to_boot_ms: Option<i64>,
        /// Last instant before it.
        from_utc: Option<Utc>,
        /// First instant behind it.
        to_utc: Option<Utc>,
    }
}

table_row! {
    /// One log of a recording that was rotated over several.
    PartRow in "recordings" {
        /// The recording: its first log.
        recording_id: String,
        /// Place of the log in it, from 0.
        part: i64,
        /// The log.
        log_id: String,
    }
}

table_row! {
    /// One number of one flight.
    MeasureRow in "measures" {
        /// The flight.
        flight_id: String,
        /// The aircraft.
        aircraft: String,
        /// Name.
        measure: String,
        /// What it belongs to.
        subject: String,
        /// Which statistic.
        statistic: String,
        /// The number, if there was enough data.
        value: Option<f64>,
        /// Unit.
        unit: String,
        /// Samples it rests on.
        samples: i64,
        /// From, milliseconds since boot.
        start_boot_ms: i64,
        /// To, milliseconds since boot.
        end_boot_ms: i64,
        /// From.
        start_utc: Option<Utc>,
        /// To.
        end_utc: Option<Utc>,
        /// Why there is no number, or what limits it.
        note: Option<String>,
        /// Version of the methods.
        method_version: i64,
    }
}

table_row! {
    /// One finding.
    FindingRow in "findings" {
        /// First 12 hex digits of BLAKE3(flight id, kind, subject).
        finding_id: String,
        /// The flight.
        flight_id: String,
        /// The aircraft.
        aircraft: String,
        /// Kind.
        kind: String,
        /// Position, axis, direction or `aircraft`.
        subject: String,
        /// `advisory`, `caution` or `warning`.
        severity: String,
        /// What was measured.
        value: f64,
        /// Unit.
        unit: String,
        /// The limit passed.
        limit: Option<f64>,
        /// What earlier flights showed.
        baseline: Option<f64>,
        /// 0..1.
        confidence: f64,
        /// Evidence from.
        evidence_start_utc: Option<Utc>,
        /// Evidence to.
        evidence_end_utc: Option<Utc>,
        /// One sentence.
        summary: String,
        /// JSON list of what to inspect.
        inspect: String,
    }
}

#[cfg(test)]
pub(crate) mod testing {
    use super::FlightRow;

    /// A flight of system 1 in boot session 0, without any instant.
    pub fn flight(takeoff_boot_ms: i64, touchdown_boot_ms: i64) -> FlightRow {
        let airtime_ms = touchdown_boot_ms - takeoff_boot_ms;
        FlightRow {
            flight_id: "f".to_owned(),
            log_id: "l".to_owned(),
            aircraft: "heron".to_owned(),
            system_id: 1,
            ordinal: 0,
            boot: 0,
            takeoff_utc: None,
            touchdown_utc: None,
            takeoff_utc_by_first: None,
            takeoff_utc_by_last: None,
            takeoff_boot_ms,
            touchdown_boot_ms,
            airtime_ms,
            airtime_min_ms: airtime_ms,
            airtime_max_ms: airtime_ms,
            evidence: "landed_state".to_owned(),
            complete: true,
            landings: 1,
            motor_starts: None,
            distance_m: None,
            boot_sketch: String::new(),
        }
    }
}
