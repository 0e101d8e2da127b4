//! The definition table against figures computed elsewhere and against the independent crate.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

use fettle::wire::Definitions;
use mavlink::Message as _;
use mavlink::dialects::common::MavMessage;

/// Name, id, CRC_EXTRA, base and full length; computed by an independent script from the published XML.
const LISTED: [(&str, u32, u8, usize, usize); 24] = [
    ("HEARTBEAT", 0, 50, 9, 9),
    ("SYS_STATUS", 1, 124, 31, 43),
    ("SYSTEM_TIME", 2, 137, 12, 12),
    ("GPS_RAW_INT", 24, 24, 30, 52),
    ("RAW_IMU", 27, 144, 26, 29),
    ("ATTITUDE", 30, 39, 28, 28),
    ("LOCAL_POSITION_NED", 32, 185, 28, 28),
    ("GLOBAL_POSITION_INT", 33, 104, 28, 28),
    ("SERVO_OUTPUT_RAW", 36, 222, 21, 37),
    ("RC_CHANNELS", 65, 118, 42, 42),
    ("HIGHRES_IMU", 105, 93, 62, 63),
    ("RADIO_STATUS", 109, 185, 9, 9),
    ("BATTERY_STATUS", 147, 154, 36, 54),
    ("AUTOPILOT_VERSION", 148, 178, 60, 78),
    ("ESTIMATOR_STATUS", 230, 163, 42, 42),
    ("VIBRATION", 241, 90, 32, 32),
    ("EXTENDED_SYS_STATE", 245, 130, 2, 2),
    ("STATUSTEXT", 253, 83, 51, 54),
    ("FLIGHT_INFORMATION", 264, 49, 28, 32),
    ("ESC_INFO", 290, 251, 46, 46),
    ("ESC_STATUS", 291, 10, 57, 57),
    ("SMART_BATTERY_INFO", 370, 75, 87, 109),
    ("BATTERY_INFO", 372, 26, 140, 140),
    ("ACTUATOR_OUTPUT_STATUS", 375, 251, 140, 140),
];

#[test]
fn agrees_with_the_listed_lengths_and_checksums() {
    for (name, id, crc_extra, base_len, full_len) in LISTED {
        let message = Definitions::builtin().by_name(name).unwrap();
        let ours = (message.id, message.crc_extra, message.base_len, message.full_len);
        assert_eq!(ours, (id, crc_extra, base_len, full_len), "{name}");
    }
}

#[test]
fn holds_every_published_message_and_enumeration() {
    // Counted in the XML of mavlink 0.21 by an independent script: 392 ids, five of them defined twice.
    let definitions = Definitions::builtin();
    assert_eq!(definitions.messages().len(), 397);
    let fields: usize = definitions.messages().iter().map(|message| message.fields.len()).sum();
    assert_eq!(fields, 3053);
    for id in [180, 181, 182, 183, 184] {
        let [one, other] = definitions.by_id(id) else { panic!("{id}: two dialects define it") };
        assert_ne!(one.crc_extra, other.crc_extra);
    }
    for message in definitions.messages() {
        assert!(definitions.by_id(message.id).iter().any(|candidate| candidate.slot == message.slot));
        assert_eq!(definitions.messages()[message.slot], *message);
        for field in message.fields.iter().filter(|field| !field.enumeration.is_empty()) {
            assert!(definitions.enumeration(&field.enumeration).is_some(), "{}", field.enumeration);
        }
    }
    assert!(definitions.by_id(0x00FF_FFFF).is_empty());
}

#[test]
fn names_enumeration_values() {
    // Published definitions, minimal.xml.
    let types = Definitions::builtin().enumeration("MAV_TYPE").unwrap();
    assert_eq!(types.entry(2), Some("MAV_TYPE_QUADROTOR"));
    assert_eq!(types.entry(14), Some("MAV_TYPE_OCTOROTOR"));
    assert!(Definitions::builtin().enumeration("MAV_MODE_FLAG").unwrap().bitmask);
}

#[test]
fn agrees_with_the_crate_mavlink_on_every_common_message() {
    assert!(MavMessage::all_messages().len() > 200);
    for (name, id) in MavMessage::all_messages() {
        let message = Definitions::builtin().by_name(name).unwrap();
        assert_eq!((message.id, message.crc_extra), (*id, MavMessage::extra_crc(*id)), "{name}");
    }
}

#[test]
fn refuses_a_damaged_table_with_the_line() {
    for (table, line) in [
        ("M\tcommon\tx\tA\n", 1),
        ("M\tcommon\t1\tA\nF\tuint8_t\t\ta\t\t\t\n", 2),
        ("M\tcommon\t1\tA\nF\tfloat\t100\ta\t\t\t\t\n", 2),
        ("# heading\nQ\n", 2),
        ("M\tcommon\t1\tA\nF\tint\t\ta\t\t\t\t\n", 2),
    ] {
        assert_eq!(Definitions::parse(table).unwrap_err().line, line, "{table}");
    }
}

#[test]
fn is_read_in_a_few_milliseconds() {
    let table = include_str!("../schemas/mavlink.tsv");
    let fastest = (0..20)
        .map(|_| {
            let start = std::time::Instant::now();
            assert_eq!(Definitions::parse(table).unwrap().messages().len(), 397);
            start.elapsed()
        })
        .min()
        .unwrap();
    println!("read in {fastest:?}");
    // The aim is 5 ms in a release build; a test build on a busy machine gets four times as long.
    assert!(fastest.as_millis() < 20, "{fastest:?}");
}
