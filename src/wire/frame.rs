//! One frame whose checksum was good.

use super::message::Message;

/// One MAVLink frame, still encoded and borrowed from the scanned bytes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame<'a> {
    /// Offset of the marker byte in the recording.
    pub offset: u64,
    /// The recording computer's clock before this frame, µs Unix, where the recording has such stamps.
    pub capture_us: Option<u64>,
    /// Frame layout, 1 or 2.
    pub version: u8,
    /// The sender's frame counter; wraps from 255 to 0.
    pub sequence: u8,
    /// Sending system; above 255 only with the 32-bit extension of the layout.
    pub system_id: u32,
    /// Sending component: autopilot, gimbal, radio. Not a fitted part.
    pub component_id: u8,
    /// Message id.
    pub message_id: u32,
    /// As sent: trailing zero bytes may be missing, unknown newer fields may follow.
    pub payload: &'a [u8],
    /// The whole frame as sent, marker to checksum or signature.
    pub raw: &'a [u8],
    /// Frames of this sender that are missing right before this one, by its counter.
    pub lost: u8,
    /// Whether a signature follows. It is skipped, not checked: the key is not in the recording.
    pub signed: bool,
    /// Read long after it was sent: from what is left of a fragmented datagram that never got whole. It moves no clock.
    pub late: bool,
    /// The definition that the checksum confirmed. `None`: the id is not defined, so nothing could be checked;
    /// such a frame is passed on only because the bytes behind it start another one.
    pub message: Option<&'a Message>,
}
