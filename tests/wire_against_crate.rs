//! Every common message, written by the independent crate `mavlink` with random contents, must come back through
//! our scanner and tables: as the same bytes, and field by field as the values that crate prints.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test may stop at the first surprise")]

mod wire_support;

use arrow_array::cast::AsArray;
use arrow_array::types::{
    ArrowPrimitiveType, Float32Type, Float64Type, Int8Type, Int16Type, Int32Type, Int64Type, UInt8Type,
    UInt16Type, UInt32Type, UInt64Type,
};
use arrow_array::{Array, ArrayRef, RecordBatch};
use fettle::table::{BatchSink, RowTimes, Tables};
use fettle::wire::{Definitions, Field, Frame, Message, Scalar, Scanner};
use mavlink::dialects::common::MavMessage;
use mavlink::{MavlinkVersion, Message as _};
use proptest::prelude::*;
use wire_support::{header, recording, scan, v1, v2};

#[derive(Default)]
struct Batches(Vec<(String, RecordBatch)>);

impl BatchSink for Batches {
    type Error = std::convert::Infallible;

    fn batch(&mut self, message: &Message, batch: RecordBatch) -> Result<(), Self::Error> {
        self.0.push((message.name.clone(), batch));
        Ok(())
    }
}

fn decode(bytes: &[u8]) -> Vec<(String, RecordBatch)> {
    let mut tables = Tables::new(Definitions::builtin(), 1000);
    let mut batches = Batches::default();
    let mut scanner = Scanner::new(Definitions::builtin());
    scanner.scan(bytes, true, &mut |frame: &Frame<'_>| {
        let Ok(_) = tables.append(frame, RowTimes::default(), &mut batches);
    });
    let Ok(()) = tables.finish(&mut batches);
    batches.0
}

/// A payload that the crate can parse: enumerations keep a value it knows, text is text, the rest is random.
fn fill(message: &Message, random: &[u8], zero_tail: usize) -> Vec<u8> {
    let default = MavMessage::default_message_from_id(message.id).unwrap();
    let mut payload = vec![0; 255];
    default.ser(MavlinkVersion::V2, &mut payload);
    payload.truncate(message.full_len);
    for field in message.fields.iter().filter(|field| field.enumeration.is_empty()) {
        for at in field.offset..field.offset + field.len() {
            let byte = random[at % random.len()].wrapping_add(at as u8);
            payload[at] = if field.kind == Scalar::Char { b'a' + byte % 26 } else { byte };
        }
    }
    for field in message.fields.iter().filter(|field| field.enumeration.is_empty()) {
        if field.offset + zero_tail > message.full_len {
            payload[field.offset..field.offset + field.len()].fill(0);
        }
    }
    payload
}

/// The values of one field in row 0, as little-endian bytes and as Rust prints them.
fn values(array: &ArrayRef, field: &Field) -> (Vec<u8>, String) {
    let list = array.as_fixed_size_list_opt().map(|list| list.value(0));
    let elements = list.as_ref().unwrap_or(array);
    match field.kind {
        Scalar::U8 => printed::<UInt8Type, 1>(elements, field, u8::to_le_bytes),
        Scalar::I8 => printed::<Int8Type, 1>(elements, field, i8::to_le_bytes),
        Scalar::U16 => printed::<UInt16Type, 2>(elements, field, u16::to_le_bytes),
        Scalar::I16 => printed::<Int16Type, 2>(elements, field, i16::to_le_bytes),
        Scalar::U32 => printed::<UInt32Type, 4>(elements, field, u32::to_le_bytes),
        Scalar::I32 => printed::<Int32Type, 4>(elements, field, i32::to_le_bytes),
        Scalar::U64 => printed::<UInt64Type, 8>(elements, field, u64::to_le_bytes),
        Scalar::I64 => printed::<Int64Type, 8>(elements, field, i64::to_le_bytes),
        Scalar::F32 => printed::<Float32Type, 4>(elements, field, f32::to_le_bytes),
        Scalar::F64 => printed::<Float64Type, 8>(elements, field, f64::to_le_bytes),
        Scalar::Char => {
            let text = array.as_string::<i32>().value(0).to_owned();
            let mut bytes = text.clone().into_bytes();
            bytes.resize(field.len(), 0);
            (bytes, text)
        }
    }
}

fn printed<T: ArrowPrimitiveType, const N: usize>(
    elements: &ArrayRef,
    field: &Field,
    bytes: impl Fn(T::Native) -> [u8; N],
) -> (Vec<u8>, String) {
    let values = elements.as_primitive::<T>().values();
    assert_eq!(elements.null_count(), 0);
    assert_eq!(values.len(), field.elements());
    let text =
        if field.array.is_some() { format!("{:?}", values.to_vec()) } else { format!("{:?}", values[0]) };
    (values.iter().flat_map(|value| bytes(*value)).collect(), text)
}

fn comes_back(message: &Message, payload: &[u8]) {
    let parsed = MavMessage::parse(MavlinkVersion::V2, message.id, payload)
        .unwrap_or_else(|error| panic!("{}: {error}", message.name));
    let debug = format!("{parsed:?}");
    let mut encodings = vec![(v2(header(3, 4, 9), &parsed), message.full_len)];
    if message.id < 256 {
        encodings.push((v1(header(3, 4, 9), &parsed), message.base_len));
    }
    for (bytes, sent) in encodings {
        let found = scan(&bytes);
        assert_eq!(found.frames.len(), 1, "{}", message.name);
        assert_eq!(found.frames[0].name.as_deref(), Some(message.name.as_str()));
        assert_eq!(found.integrity.bytes_skipped, 0);

        let batches = decode(&bytes);
        let [(_, batch)] = batches.as_slice() else { panic!("one table, one batch") };
        let mut again = Vec::new();
        for field in &message.fields {
            let (bytes, text) = values(batch.column_by_name(&field.name).unwrap(), field);
            again.extend_from_slice(&bytes);
            // The crate prints enumerations by name and renames `type`; text is checked by its bytes.
            let printable =
                field.enumeration.is_empty() && field.kind != Scalar::Char && field.name != "type";
            if printable && (sent == message.full_len || !field.extension) {
                let pair = format!(" {}: {text}", field.name);
                let ends = debug.match_indices(&pair).map(|(at, _)| debug[at + pair.len()..].chars().next());
                assert!(
                    ends.into_iter().any(|next| matches!(next, Some(',' | ' '))),
                    "{}: {pair} is not in {debug}",
                    message.name
                );
            }
        }
        let mut expected = payload[..sent].to_vec();
        expected.resize(message.full_len, 0);
        assert_eq!(again, expected, "{}", message.name);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, max_shrink_iters: 50, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn every_common_message_comes_back(
        random in prop::collection::vec(any::<u8>(), 16..256),
        zero_tail in prop_oneof![Just(0usize), 0usize..64],
    ) {
        for (name, _) in MavMessage::all_messages() {
            let message = Definitions::builtin().by_name(name).unwrap();
            comes_back(message, &fill(message, &random, zero_tail));
        }
    }
}

#[test]
fn the_recording_has_the_same_messages_in_both_readers() {
    let bytes = recording();
    let ours: Vec<_> = scan(&bytes)
        .frames
        .into_iter()
        .map(|frame| (frame.message_id, frame.sequence, frame.system_id, frame.component_id, frame.payload))
        .collect();
    // The crate's own reader of raw frames, over our definitions' ids it knows: the common dialect.
    let known: std::collections::HashSet<u32> = MavMessage::all_ids().iter().copied().collect();
    let mut theirs = Vec::new();
    let mut reader = mavlink::MavlinkReader::new(bytes.as_slice());
    while let Ok(raw) = reader.read_any_raw_message::<MavMessage>() {
        let sender = (raw.system_id(), raw.component_id());
        theirs.push((raw.message_id(), raw.sequence(), sender.0, sender.1, raw.payload().to_vec()));
    }
    let common: Vec<_> = ours.iter().filter(|frame| known.contains(&frame.0)).cloned().collect();
    assert!(theirs.len() > 1000);
    assert_eq!(common, theirs);

    let rows: usize = decode(&bytes).iter().map(|(_, batch)| batch.num_rows()).sum();
    assert_eq!(rows, 1426);
}

#[test]
fn important_fields_are_the_crates_fields() {
    use mavlink::dialects::common as crate_;
    let one = |message: &MavMessage, field: &str| {
        let batches = decode(&v2(header(1, 1, 0), message));
        let name = mavlink::Message::message_name(message);
        let definition = Definitions::builtin().by_name(name).unwrap();
        values(batches[0].1.column_by_name(field).unwrap(), definition.field(field).unwrap()).1
    };

    let heartbeat = MavMessage::HEARTBEAT(crate_::HEARTBEAT_DATA {
        custom_mode: 0x0102_0304,
        mavtype: crate_::MavType::MAV_TYPE_OCTOROTOR,
        base_mode: crate_::MavModeFlag::MAV_MODE_FLAG_SAFETY_ARMED,
        ..Default::default()
    });
    assert_eq!(one(&heartbeat, "custom_mode"), "16909060");
    assert_eq!(one(&heartbeat, "type"), "14");
    assert_eq!(one(&heartbeat, "base_mode"), "128");

    let landed = MavMessage::EXTENDED_SYS_STATE(crate_::EXTENDED_SYS_STATE_DATA {
        landed_state: crate_::MavLandedState::MAV_LANDED_STATE_IN_AIR,
        ..Default::default()
    });
    assert_eq!(one(&landed, "landed_state"), "2");

    let battery = MavMessage::BATTERY_STATUS(crate_::BATTERY_STATUS_DATA {
        voltages: [4101, 4102, 4103, 65535, 65535, 65535, 65535, 65535, 65535, 65535],
        voltages_ext: [0, 0, 0, 9],
        current_battery: -1,
        temperature: i16::MAX,
        ..Default::default()
    });
    assert_eq!(
        one(&battery, "voltages"),
        "[4101, 4102, 4103, 65535, 65535, 65535, 65535, 65535, 65535, 65535]"
    );
    assert_eq!(one(&battery, "voltages_ext"), "[0, 0, 0, 9]");
    assert_eq!(one(&battery, "current_battery"), "-1");
    assert_eq!(one(&battery, "temperature"), "32767");

    let rotors = MavMessage::ESC_STATUS(crate_::ESC_STATUS_DATA {
        index: 4,
        rpm: [5100, -5200, 0, 5300],
        current: [11.5, 0.0, 12.25, 1.0],
        ..Default::default()
    });
    assert_eq!(one(&rotors, "rpm"), "[5100, -5200, 0, 5300]");
    assert_eq!(one(&rotors, "current"), "[11.5, 0.0, 12.25, 1.0]");
    assert_eq!(one(&rotors, "index"), "4");

    let outputs = MavMessage::SERVO_OUTPUT_RAW(crate_::SERVO_OUTPUT_RAW_DATA {
        time_usec: 4_000_000_000,
        servo1_raw: 1200,
        servo16_raw: 1999,
        ..Default::default()
    });
    assert_eq!(one(&outputs, "time_usec"), "4000000000");
    assert_eq!(one(&outputs, "servo1_raw"), "1200");
    assert_eq!(one(&outputs, "servo16_raw"), "1999");
}
