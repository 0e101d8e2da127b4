//! Flows: one direction between two ports. Frames of different flows never mix.

use std::collections::HashMap;
use std::fmt;
use std::net::SocketAddr;

/// Flows that get a place of their own; the reader keeps a scanner for each. Later ones share one a transport.
const FLOWS: usize = 4096;

/// How the bytes of a flow travelled.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Transport {
    /// Datagrams, in the order captured.
    Udp,
    /// A stream, in order.
    Tcp,
    /// Packets that could not be taken apart, as they are.
    Raw,
    /// Bytes of the file outside any record.
    Outside,
}

/// One direction between two ports.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Flow {
    /// How its bytes travelled.
    pub transport: Transport,
    /// Sender and receiver; `None` where there are none, or where flows share a place.
    pub ends: Option<(SocketAddr, SocketAddr)>,
}

impl fmt::Display for Flow {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let transport = match self.transport {
            Transport::Udp => "UDP",
            Transport::Tcp => "TCP",
            Transport::Raw => "packets not understood",
            Transport::Outside => "bytes outside any record",
        };
        match self.ends {
            Some((source, destination)) => write!(f, "{transport} {source} to {destination}"),
            None => f.write_str(transport),
        }
    }
}

/// Flows by number, in order of appearance.
#[derive(Debug, Default)]
pub(super) struct Flows {
    pub list: Vec<Flow>,
    numbers: HashMap<Flow, u32>,
}

impl Flows {
    /// The number of a flow and whether it shares it.
    pub fn number(&mut self, flow: Flow) -> (u32, bool) {
        if let Some(number) = self.numbers.get(&flow) {
            return (*number, flow.ends.is_none() && flow.transport != Transport::Raw);
        }
        if flow.ends.is_some() && self.list.len() >= FLOWS {
            let (number, _) = self.number(Flow { ends: None, ..flow });
            return (number, true);
        }
        let number = self.list.len() as u32;
        self.list.push(flow);
        self.numbers.insert(flow, number);
        (number, false)
    }
}
