//! Tables: batches, held-back rows, text, house columns.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test may stop at the first surprise")]

use std::convert::Infallible;

use arrow_array::cast::AsArray;
use arrow_array::types::{Int64Type, UInt8Type, UInt16Type, UInt64Type};
use arrow_array::{Array, RecordBatch};
use fettle::table::{BatchSink, RowId, RowTimes, Tables};
use fettle::wire::{Definitions, Frame, Message};

#[derive(Default)]
struct Batches(Vec<RecordBatch>);

impl BatchSink for Batches {
    type Error = Infallible;

    fn batch(&mut self, message: &Message, batch: RecordBatch) -> Result<(), Infallible> {
        assert_eq!(batch.schema(), Tables::schema(message));
        self.0.push(batch);
        Ok(())
    }
}

fn frame<'a>(name: &str, number: usize, payload: &'a [u8]) -> Frame<'a> {
    let message = Definitions::builtin().by_name(name).unwrap();
    Frame {
        offset: number as u64 * 100,
        capture_us: number.is_multiple_of(2).then_some(number as u64),
        version: 2,
        sequence: number as u8,
        system_id: 7,
        component_id: 1,
        message_id: message.id,
        payload,
        raw: &[],
        lost: 0,
        signed: false,
        late: false,
        message: Some(message),
    }
}

fn append(tables: &mut Tables<'_>, frame: &Frame<'_>, latest: Option<i64>, sink: &mut Batches) -> RowId {
    let times = RowTimes { boot: Some(2), boot_ms: Some(5), boot_ms_latest: latest };
    let Ok(row) = tables.append(frame, times, sink);
    row
}

fn latest(batch: &RecordBatch) -> Vec<Option<i64>> {
    batch.column_by_name("boot_ms_latest").unwrap().as_primitive::<Int64Type>().iter().collect()
}

#[test]
fn house_columns_say_where_a_row_comes_from() {
    let (mut tables, mut sink) = (Tables::new(Definitions::builtin(), 10), Batches::default());
    for number in 0..3 {
        append(&mut tables, &frame("EVENT", number, &[9; 40]), Some(6), &mut sink);
    }
    let Ok(()) = tables.finish(&mut sink);
    let batch = &sink.0[0];
    let boots: Vec<_> = batch["boot"].as_primitive::<UInt16Type>().iter().collect();
    assert_eq!(boots, [Some(2); 3]);
    let stamps: Vec<_> = batch["capture_us"].as_primitive::<UInt64Type>().iter().collect();
    assert_eq!(stamps, [Some(0), None, Some(2)]);
    assert_eq!(batch["offset"].as_primitive::<UInt64Type>().values(), &[0, 100, 200]);
    assert_eq!(batch["frame_sequence"].as_primitive::<UInt8Type>().values(), &[0, 1, 2]);
    assert_eq!(batch["sequence"].as_primitive::<UInt16Type>().values(), &[0x0909; 3]);
    assert_eq!(tables.counts(), [(Definitions::builtin().by_name("EVENT").unwrap().slot, 3)]);
}

#[test]
fn columns_are_in_published_order() {
    let message = Definitions::builtin().by_name("HEARTBEAT").unwrap();
    let schema = Tables::schema(message);
    let own: Vec<_> = schema.fields()[8..].iter().map(|field| field.name().as_str()).collect();
    // Published definitions, minimal.xml; on the wire custom_mode comes first.
    assert_eq!(own, ["type", "autopilot", "base_mode", "custom_mode", "system_status", "mavlink_version"]);
    assert_eq!(message.fields[0].name, "custom_mode");
}

#[test]
fn text_is_cut_at_the_first_zero_and_bad_bytes_are_replaced() {
    let (mut tables, mut sink) = (Tables::new(Definitions::builtin(), 10), Batches::default());
    let full = [b'x'; 51];
    for payload in [&b"\x06arm\0rest"[..], &b"\x03\xFFok"[..], &b"\x01"[..], &full[..]] {
        append(&mut tables, &frame("STATUSTEXT", 0, payload), Some(6), &mut sink);
    }
    let Ok(()) = tables.finish(&mut sink);
    let texts = sink.0[0]["text"].as_string::<i32>();
    let texts: Vec<_> = texts.iter().map(|text| text.unwrap().to_owned()).collect();
    assert_eq!(texts, ["arm", "\u{FFFD}ok", "", &"x".repeat(50)]);
}

#[test]
fn a_full_table_becomes_a_batch() {
    let (mut tables, mut sink) = (Tables::new(Definitions::builtin(), 10), Batches::default());
    for number in 0..25 {
        append(&mut tables, &frame("ATTITUDE", number, &[1]), Some(6), &mut sink);
    }
    let Ok(()) = tables.finish(&mut sink);
    assert_eq!(sink.0.iter().map(RecordBatch::num_rows).collect::<Vec<_>>(), [10, 10, 5]);
    let offsets: Vec<u64> = sink
        .0
        .iter()
        .flat_map(|batch| batch["offset"].as_primitive::<UInt64Type>().values().to_vec())
        .collect();
    assert_eq!(offsets, (0..25).map(|number| number * 100).collect::<Vec<_>>());
}

#[test]
fn unresolved_rows_at_the_end_wait_for_their_bound() {
    let (mut tables, mut sink) = (Tables::new(Definitions::builtin(), 10), Batches::default());
    let rows: Vec<_> = (0..10)
        .map(|number| {
            let bound = (number < 7).then_some(number as i64);
            append(&mut tables, &frame("HEARTBEAT", number, &[1]), bound, &mut sink)
        })
        .collect();
    assert_eq!(sink.0.len(), 1);
    assert_eq!(latest(&sink.0[0]), (0..7).map(Some).collect::<Vec<_>>());
    for row in &rows {
        tables.resolve(*row, 99);
    }
    tables.resolve(rows[9], 1000);
    let Ok(()) = tables.finish(&mut sink);
    assert_eq!(latest(&sink.0[1]), [Some(99); 3], "emitted rows stay, the first bound counts");
}

#[test]
fn a_row_that_may_be_of_another_boot_has_no_time() {
    let (mut tables, mut sink) = (Tables::new(Definitions::builtin(), 10), Batches::default());
    let known = append(&mut tables, &frame("HEARTBEAT", 0, &[1]), Some(6), &mut sink);
    let waits = append(&mut tables, &frame("HEARTBEAT", 1, &[1]), None, &mut sink);
    tables.displace(known);
    tables.displace(waits);
    tables.resolve(waits, 99);
    let Ok(()) = tables.finish(&mut sink);
    let boots: Vec<_> = sink.0[0]["boot"].as_primitive::<UInt16Type>().iter().collect();
    assert_eq!((boots, latest(&sink.0[0])), (vec![Some(2), None], vec![Some(6), None]));
    assert_eq!(sink.0[0]["boot_ms"].null_count(), 1);
}

#[test]
fn no_more_than_4096_rows_wait() {
    let (mut tables, mut sink) = (Tables::new(Definitions::builtin(), 1000), Batches::default());
    for number in 0..20_000 {
        append(&mut tables, &frame("HEARTBEAT", number, &[1]), None, &mut sink);
    }
    let emitted: usize = sink.0.iter().map(RecordBatch::num_rows).sum();
    assert!((20_000 - 4096 - 1000..=20_000 - 4096).contains(&emitted), "{emitted}");
    assert!(sink.0.iter().all(|batch| batch.num_rows() <= 1000 + 4096));
    let Ok(()) = tables.finish(&mut sink);
    assert_eq!(sink.0.iter().map(RecordBatch::num_rows).sum::<usize>(), 20_000);
    assert_eq!(sink.0[0]["boot_ms_latest"].null_count(), sink.0[0].num_rows());
}

#[test]
fn a_frame_of_an_unknown_id_is_kept_as_bytes() {
    let (mut tables, mut sink) = (Tables::new(Definitions::builtin(), 1), Batches::default());
    let payload = [7u8; 255];
    let unknown = Frame { message: None, message_id: 16_000_000, ..frame("HEARTBEAT", 0, &payload) };
    append(&mut tables, &unknown, Some(1), &mut sink);
    let Ok(()) = tables.finish(&mut sink);
    let batch = &sink.0[0];
    assert_eq!((batch.schema().metadata["message"].as_str(), batch.num_rows()), ("UNKNOWN", 1));
    let id = batch["message_id"].as_any().downcast_ref::<arrow_array::UInt32Array>().unwrap();
    assert_eq!(id.value(0), 16_000_000);
    let length = batch["length"].as_any().downcast_ref::<arrow_array::UInt8Array>().unwrap();
    assert_eq!(length.value(0), 255);
    let list = batch["payload"].as_any().downcast_ref::<arrow_array::FixedSizeListArray>().unwrap().value(0);
    let bytes = list.as_any().downcast_ref::<arrow_array::UInt8Array>().unwrap();
    assert_eq!(bytes.values()[..], payload);
}
