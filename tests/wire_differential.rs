//! The scanner against the reader of the independent crate `mavlink` on streams that are valid, damaged or made
//! to mislead: what that reader takes for a frame is one for ours too, byte for byte. Where the two differ, one
//! of the named rules says why, and every rule has to be met in a run, so that none is an idle excuse.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test may stop at the first surprise")]

#[path = "wire_support/streams.rs"]
mod streams;
mod wire_support;

use std::cell::RefCell;
use std::collections::BTreeMap;

use fettle::wire::{Definitions, Message, layout, stamp};
use mavlink::dialects::common::MavMessage;
use mavlink::{MAVLinkMessageRaw, MavlinkReader, MavlinkVersion, Message as _};
use proptest::prelude::*;
use proptest::test_runner::TestRunner;
use streams::{damage, damaged, frame, honest, trap};
use wire_support::{Owned, recording, scan};

/// Why a frame of one reader is none of the other's. The quotes are from the project's notes on the protocol.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Rule {
    /// "v1 has no extensions: its payload must have the base length, though some senders are wrong." The crate
    /// takes any length; ours takes the base length up to that of all fields.
    V1Length,
    /// "An unknown message id cannot be checked by CRC: count it as unknown only when the bytes after it start
    /// another plausible frame." The crate checks ids outside its dialect with CRC_EXTRA 0.
    ForeignId,
    /// "Only a good CRC makes a frame": ours knows all published dialects, and passes on an undefined message
    /// before a good one; so it takes a frame that the crate does not know and finds none inside.
    Covered,
    /// "A false magic byte in noise or payload is common." A frame in noise that no frame follows and that
    /// holds a good one is taken for such a false start.
    Doubted,
    /// "Frames preceded by 8-byte big-endian µs stamps": a marker among the bytes of a stamp starts nothing.
    InStamp,
}

type Tally = BTreeMap<Option<Rule>, usize>;

fn end(frame: &Owned) -> u64 {
    let wide = frame.system_id > 255;
    let around = if frame.version == 1 { 8 } else { 12 + 13 * u64::from(frame.signed) + 3 * u64::from(wide) };
    frame.offset + around + frame.payload.len() as u64
}

/// The frames that the crate reads. It does not tell where: at the first place behind the one before that has
/// the same bytes, since it judges a place by its bytes alone.
fn theirs(bytes: &[u8]) -> Vec<(Owned, u64)> {
    let mut reader = MavlinkReader::new(bytes);
    let (mut frames, mut from) = (Vec::new(), 0);
    while let Ok(frame) = reader.read_any_raw_message::<MavMessage>() {
        let (raw, signed) = match &frame {
            MAVLinkMessageRaw::V1(frame) => (frame.raw_bytes(), false),
            MAVLinkMessageRaw::V2(frame) => (frame.raw_bytes(), frame.incompatibility_flags() & 1 != 0),
        };
        let at = from + bytes[from..].windows(raw.len()).position(|place| place == raw).unwrap();
        from = at + raw.len();
        let owned = Owned {
            offset: at as u64,
            capture_us: None,
            version: if frame.version() == MavlinkVersion::V1 { 1 } else { 2 },
            sequence: frame.sequence(),
            system_id: frame.system_id(),
            component_id: frame.component_id(),
            message_id: frame.message_id(),
            payload: frame.payload().to_vec(),
            signed,
            name: None,
        };
        frames.push((owned, from as u64));
    }
    frames
}

/// Whether a version 1 sender could mean this length.
fn possible(message: &Message, version: u8, len: usize) -> bool {
    version != 1 || (message.base_len..=message.full_len).contains(&len)
}

/// Whether a good frame begins here; no answer for a frame that nobody defines, but its length.
fn good(bytes: &[u8], at: usize) -> Result<bool, usize> {
    let Ok((_, layout)) = layout::frame(&bytes[at..]) else { return Ok(false) };
    let candidates = Definitions::builtin().by_id(layout.message_id);
    if candidates.is_empty() {
        return Err(layout.raw.len());
    }
    Ok(candidates.iter().any(|message| {
        possible(message, layout.version, layout.payload.len())
            && mavlink::calculate_crc(layout.covered, message.crc_extra) == layout.checksum
    }))
}

/// Whether a good frame begins here, stamped or not, perhaps behind some that nobody defines.
fn followed(bytes: &[u8], mut at: usize) -> bool {
    loop {
        at += if stamp::read(&bytes[at..]).is_some() { stamp::STAMP_LEN } else { 0 };
        match good(bytes, at) {
            Ok(good) => return good,
            Err(len) => at += len,
        }
    }
}

/// Whether the crate knows this message of ours.
fn common(frame: &Owned) -> bool {
    frame.name.as_deref().is_some_and(|name| MavMessage::message_id_from_name(name).is_some())
}

/// The rule by which ours does not have this frame of the crate.
fn excuse(bytes: &[u8], frame: &Owned, until: u64, ours: &[Owned], theirs: &[(Owned, u64)]) -> Option<Rule> {
    let place = frame.offset..until;
    let candidates = Definitions::builtin().by_id(frame.message_id);
    let len = frame.payload.len();
    if !MavMessage::all_ids().contains(&frame.message_id) {
        return Some(Rule::ForeignId);
    }
    if !candidates.iter().any(|message| possible(message, frame.version, len)) {
        return Some(Rule::V1Length);
    }
    let covering = ours.iter().find(|ours| ours.offset < place.start && end(ours) > place.start);
    if let Some(covering) = covering {
        // Theirs has to have a reason for not having that one: it does not know it, or was inside another.
        let inside = theirs.iter().any(|(other, until)| {
            (other.offset + 1..*until).contains(&covering.offset)
                && !ours.iter().any(|f| f.offset == other.offset)
        });
        return (inside || !common(covering)).then_some(Rule::Covered);
    }
    let stamped = |ours: &&Owned| {
        ours.capture_us.is_some() && (place.start + 1..place.start + 9).contains(&ours.offset)
    };
    let behind = |at: u64| at == 0 || ours.iter().any(|ours| end(ours) == at);
    if ours.iter().find(stamped).is_some_and(|stamped| behind(stamped.offset - 8)) {
        return Some(Rule::InStamp);
    }
    // The one inside may be doubted in its turn.
    let divided = (place.start as usize + 1..until as usize).any(|at| good(bytes, at) == Ok(true));
    (divided && !behind(place.start) && !followed(bytes, until as usize)).then_some(Rule::Doubted)
}

/// Compares both readers on a stream; behind it come zeros, so that no claim of a head reaches beyond the end:
/// there the crate waits, and never looks at the bytes behind that head.
fn compare(stream: &[u8]) -> Result<Tally, String> {
    let bytes = [stream, &[0; 300]].concat();
    let (ours, theirs) = (scan(&bytes).frames, theirs(&bytes));
    let mut tally = Tally::new();
    for (frame, until) in &theirs {
        let rule = match ours.iter().find(|ours| ours.offset == frame.offset) {
            Some(found) => {
                let content = Owned { capture_us: None, name: None, ..found.clone() };
                if content != *frame || end(found) != *until {
                    return Err(format!("ours {found:?} is not theirs {frame:?}"));
                }
                None
            }
            None => match excuse(&bytes, frame, *until, &ours, &theirs) {
                Some(rule) => Some(rule),
                None => return Err(format!("ours lacks {frame:?}; it has {ours:?}")),
            },
        };
        *tally.entry(rule).or_default() += 1;
    }
    for frame in &ours {
        let message = frame.name.as_deref().map(|name| Definitions::builtin().by_name(name).unwrap());
        let allowed = match message {
            Some(message) => possible(message, frame.version, frame.payload.len()),
            None => followed(&bytes, end(frame) as usize),
        };
        if !allowed {
            return Err(format!("{:?} or {:?} does not allow {frame:?}", Rule::V1Length, Rule::ForeignId));
        }
    }
    // The other direction: nothing is invented. A frame of the common dialect that the crate lacks lies inside
    // one that only the crate has. This leans on version 0.21, which goes on one byte after a false start too.
    for frame in ours.iter().filter(|frame| common(frame)) {
        let had = theirs.iter().any(|(theirs, until)| {
            theirs.offset == frame.offset
                || (theirs.offset < end(frame)
                    && frame.offset < *until
                    && !ours.iter().any(|f| f.offset == theirs.offset))
        });
        if !had {
            return Err(format!("theirs lacks {frame:?}"));
        }
    }
    Ok(tally)
}

/// Compares the readers on many streams and returns the frames both have and those under each rule.
#[allow(clippy::print_stdout, reason = "the figures, for who asks the test for its output")]
fn compare_all(cases: u32, streams: impl Strategy<Value = Vec<u8>>) -> Tally {
    let whole = RefCell::new(Tally::new());
    let config = ProptestConfig { cases, failure_persistence: None, ..ProptestConfig::default() };
    let run = TestRunner::new(config).run(&streams, |stream| {
        for (rule, count) in compare(&stream).map_err(TestCaseError::fail)? {
            *whole.borrow_mut().entry(rule).or_default() += count;
        }
        Ok(())
    });
    run.unwrap_or_else(|failure| panic!("{failure}"));
    println!("{:?}", whole.borrow());
    whole.into_inner()
}

#[test]
fn what_the_crate_reads_ours_reads_or_a_rule_says_why_not() {
    let piece = prop_oneof![4 => honest(), 3 => trap()];
    let streams = (prop::collection::vec(piece, 1..24), prop::collection::vec(damage(), 0..6))
        .prop_map(|(pieces, all)| damaged(pieces.concat(), &all));
    let tally = compare_all(1500, streams);
    assert!(tally[&None] > 5000, "{tally:?}");
    for rule in [Rule::V1Length, Rule::ForeignId, Rule::Covered, Rule::Doubted, Rule::InStamp] {
        assert!(tally.contains_key(&Some(rule)), "{rule:?} was never met: {tally:?}");
    }
}

#[test]
fn frames_back_to_back_need_no_rule() {
    let tally = compare_all(100, prop::collection::vec(honest(), 1..60).prop_map(|frames| frames.concat()));
    assert_eq!(tally.len(), 1, "{tally:?}");
}

#[test]
fn the_damaged_recording_reads_alike() {
    // Its senders are honest: few of its frames may fall under a rule, however it is damaged.
    let log = recording();
    let streams = prop::collection::vec(damage(), 1..300).prop_map(move |all| damaged(log.clone(), &all));
    let tally = compare_all(24, streams);
    let excused: usize = tally.iter().filter(|(rule, _)| rule.is_some()).map(|(_, count)| count).sum();
    assert!(tally[&None] > 24 * 800 && excused < 24, "{tally:?}");
}

#[test]
fn streams_of_markers_and_heads_hold_no_frame_for_either() {
    let head = |version, id| frame(version, 0, 7, id, 0, &[0; 255])[..10].to_vec();
    let patterns =
        [vec![0xFD], vec![0xFE], vec![0xFE, 0xFF], vec![0xFD, 0xFF, 0], head(1, 30), head(2, 30), head(2, 0)];
    for pattern in patterns {
        let stream: Vec<u8> = pattern.iter().copied().cycle().take(64 << 10).collect();
        assert_eq!(compare(&stream), Ok(Tally::new()), "{pattern:?}");
        assert_eq!(scan(&[&stream[..], &[0; 300]].concat()).frames, [], "{pattern:?}");
    }
}
