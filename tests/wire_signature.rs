//! Signatures against the independent crate `mavlink`, which signs the frames here, and against values of Python's
//! hashlib.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

mod wire_support;

use fettle::wire::signature::{Key, Signature, Signatures, Verdict};
use mavlink::dialects::common::{HEARTBEAT_DATA, MavMessage};
use mavlink::{MAVLinkV2MessageRaw, SigningConfig, SigningData};

const SECRET: [u8; 32] = *b"an invented key of just 32 bytes";

/// The first six bytes of the hash as hashlib gives it.
const HASHLIB: [u8; 6] = [0xAC, 0x37, 0xB0, 0x2E, 0x6C, 0x38];

/// Frames signed by the independent crate, its timestamps rising.
fn signed(count: u8, link: u8) -> Vec<Vec<u8>> {
    let data = SigningData::from_config(SigningConfig::new(SECRET, link, true, false));
    (0..count)
        .map(|sequence| {
            let mut raw = MAVLinkV2MessageRaw::new();
            raw.serialize_message_for_signing(
                wire_support::header(1, 1, sequence),
                &MavMessage::HEARTBEAT(HEARTBEAT_DATA::default()),
            );
            data.sign_message(&mut raw);
            assert!(data.verify_signature(&raw));
            raw.raw_bytes().to_vec()
        })
        .collect()
}

#[test]
fn verifies_what_the_independent_crate_signed() {
    let mut judge = Signatures::new(Some(Key::parse(&SECRET).unwrap()));
    for frame in signed(20, 3) {
        assert_eq!(judge.check(&frame, 1, 1), Verdict::Verified);
    }
    let [(link, tally)] = judge.links().collect::<Vec<_>>()[..] else { panic!("one link") };
    assert_eq!((link.system_id, link.component_id, link.link_id, tally.verified), (1, 1, 3, 20));
}

#[test]
fn any_changed_byte_and_any_other_key_is_wrong() {
    let frame = signed(1, 0).remove(0);
    for at in (1..frame.len()).filter(|at| *at != 2) {
        let mut changed = frame.clone();
        changed[at] ^= 1;
        let mut judge = Signatures::new(Some(Key::parse(&SECRET).unwrap()));
        assert_eq!(judge.check(&changed, 1, 1), Verdict::Wrong, "byte {at}");
    }
    let mut judge = Signatures::new(Some(Key::parse(&[7; 32]).unwrap()));
    assert_eq!(judge.check(&frame, 1, 1), Verdict::Wrong);
}

#[test]
fn a_timestamp_that_does_not_rise_is_a_replay() {
    let frames = signed(3, 0);
    let mut judge = Signatures::new(Some(Key::parse(&SECRET).unwrap()));
    let verdicts: Vec<Verdict> = [0, 2, 1, 2].iter().map(|at| judge.check(&frames[*at], 1, 1)).collect();
    assert_eq!(verdicts, [Verdict::Verified, Verdict::Verified, Verdict::Replayed, Verdict::Replayed]);
    // Another link has a clock of its own.
    assert_eq!(judge.check(&signed(1, 1)[0], 1, 1), Verdict::Verified);
    assert_eq!(judge.links().count(), 2);
}

#[test]
fn without_a_key_nothing_is_claimed() {
    let mut judge = Signatures::new(None);
    assert_eq!(judge.check(&signed(1, 0)[0], 1, 1), Verdict::Unverified);
    assert_eq!(judge.check(&wire_support::mixed_frames(1)[0], 1, 1), Verdict::Unsigned);
    assert_eq!((judge.unsigned(), judge.links().next().unwrap().1.unverified), (1, 1));
}

#[test]
fn memory_is_bounded_and_every_frame_is_counted() {
    let frame = signed(1, 0).remove(0);
    let mut judge = Signatures::new(Some(Key::parse(&SECRET).unwrap()));
    for system in 0..3_000 {
        assert_eq!(judge.check(&frame, system, 1), Verdict::Verified);
    }
    // 1,024 links are told apart (value of this crate).
    assert_eq!((judge.links().count(), judge.rest().verified), (1_024, 3_000 - 1_024));
}

#[test]
fn agrees_with_a_value_computed_elsewhere() {
    // python3: f = bytes([0xFD,1,1,0,7,1,1,0,0,0, 0x51, 0x34,0x12]) + bytes([5]) + (123456789).to_bytes(6,'little')
    // f + hashlib.sha256(b'an invented key of just 32 bytes' + f).digest()[:6]
    let mut frame = vec![0xFD, 1, 1, 0, 7, 1, 1, 0, 0, 0, 0x51, 0x34, 0x12, 5];
    frame.extend_from_slice(&123_456_789u64.to_le_bytes()[..6]);
    frame.extend_from_slice(&HASHLIB);
    let signature = Signature::read(&frame).unwrap();
    assert_eq!((signature.link_id, signature.timestamp), (5, 123_456_789));
    assert!(signature.verify(&Key::parse(&SECRET).unwrap(), &frame));
    // date -u -d @1420070400: 2015-01-01; 123456789 × 10 µs later.
    assert_eq!(signature.unix_us(), 1_420_071_634_567_890);
}

#[test]
fn reads_keys_and_says_what_is_no_key() {
    let hex: String = SECRET.iter().map(|byte| format!("{byte:02X}")).collect();
    let key = Key::parse(&SECRET).unwrap();
    assert_eq!(Key::parse(format!(" {}\n", hex.to_lowercase()).as_bytes()).unwrap(), key);
    assert_eq!(Key::parse(hex.as_bytes()).unwrap(), key);
    assert_eq!(format!("{key:?}"), "Key(secret)");
    for bad in [&b""[..], &SECRET[..31], &hex.as_bytes()[..62], &[&hex.as_bytes()[..62], b"zz"].concat()] {
        let error = Key::parse(bad).unwrap_err().to_string();
        assert!(error.contains("64 hexadecimal digits") && !error.contains("invented"), "{error}");
    }
}
