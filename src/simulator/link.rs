//! Messages → bytes: sequence numbers per sender, MAVLink 1 or 2 frames by the independent crate
//! `mavlink`, capture stamps, and frames lost on the way.

use std::collections::BTreeMap;

use mavlink::dialects::common::MavMessage;
use mavlink::{MAVLinkV1MessageRaw, MAVLinkV2MessageRaw, MavHeader, Message};

use super::random::Random;
use super::scenario::Scenario;
use super::streams::{Container, Protocol};

/// Where the bytes go.
pub trait Sink {
    /// What can go wrong there.
    type Error;
    /// Takes `bytes` whole.
    fn put(&mut self, bytes: &[u8]) -> Result<(), Self::Error>;
}

impl Sink for Vec<u8> {
    type Error = std::convert::Infallible;
    fn put(&mut self, bytes: &[u8]) -> Result<(), Self::Error> {
        self.extend_from_slice(bytes);
        Ok(())
    }
}

/// A writer as a sink.
pub struct Written<W>(pub W);

impl<W: std::io::Write> Sink for Written<W> {
    type Error = std::io::Error;
    fn put(&mut self, bytes: &[u8]) -> Result<(), Self::Error> {
        self.0.write_all(bytes)
    }
}

/// The recording end of the telemetry link.
pub struct Link<'a, S> {
    sink: &'a mut S,
    protocol: Protocol,
    container: Container,
    loss: f64,
    random: Random,
    sequence: BTreeMap<(u8, u8), u8>,
    last_stamp_us: u64,
    /// Bytes written.
    pub bytes: u64,
    /// Frames written.
    pub frames: u64,
}

impl<'a, S: Sink> Link<'a, S> {
    /// A link as `scenario` has it.
    pub fn new(scenario: &Scenario, sink: &'a mut S) -> Self {
        Self {
            sink,
            protocol: scenario.protocol,
            container: scenario.container,
            loss: scenario.frame_loss,
            random: Random::new(scenario.seed ^ 0x11A4),
            sequence: BTreeMap::new(),
            last_stamp_us: 0,
            bytes: 0,
            frames: 0,
        }
    }

    /// Sends one message from (system, component), recorded a link delay after `unix_s`.
    pub fn send(&mut self, sender: (u8, u8), message: &MavMessage, unix_s: f64) -> Result<(), S::Error> {
        if self.protocol == Protocol::V1 && message.message_id() > 255 {
            return Ok(());
        }
        let counter = self.sequence.entry(sender).or_insert(0);
        let header = MavHeader { system_id: sender.0.into(), component_id: sender.1, sequence: *counter };
        *counter = counter.wrapping_add(1);
        let delay_s = self.random.between(0.02, 0.08);
        if self.loss > 0.0 && self.random.between(0.0, 1.0) < self.loss {
            return Ok(());
        }
        if self.container == Container::Timestamped {
            let stamp = (((unix_s + delay_s) * 1e6).round() as u64).max(self.last_stamp_us);
            self.last_stamp_us = stamp;
            self.put(&stamp.to_be_bytes())?;
        }
        self.frames += 1;
        match self.protocol {
            Protocol::V1 => {
                let mut raw = MAVLinkV1MessageRaw::new();
                raw.serialize_message(header, message);
                self.put(raw.raw_bytes())
            }
            Protocol::V2 => {
                let mut raw = MAVLinkV2MessageRaw::new();
                raw.serialize_message(header, message);
                self.put(raw.raw_bytes())
            }
        }
    }

    fn put(&mut self, bytes: &[u8]) -> Result<(), S::Error> {
        self.bytes += bytes.len() as u64;
        self.sink.put(bytes)
    }
}
