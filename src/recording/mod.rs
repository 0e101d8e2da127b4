//! One log from bytes to what the methods need: frames are scanned, decoded into tables for a sink, put
//! on their sender's boot clock, and collected into the signals of each vehicle. Sans I/O: the caller
//! feeds bytes; memory is bounded whatever the log's length.

mod counter;
mod cut;
mod doing;
mod flows;
mod identity;
mod losses;
mod missing;
mod notes;
mod repeats;
mod signing;
pub mod situation;
pub mod sketch;
mod waiting;

use crate::capture::{Capture, CaptureError, Kind};
use crate::clock::{BootClock, Placed, Stamp, UtcBinding, UtcDoubt, UtcSource, UtcVotes};
use crate::flight::Flight;
use crate::measure::Measurement;
use crate::signal::Signals;
use crate::signal::collect::Reader;
use crate::signal::series::{DOUBTED, WAITS};
use crate::table::{BatchSink, RowTimes, Tables};
use crate::wire::payload::u64_at;
use crate::wire::signature::{Key, Link, LinkTally, Signatures};
use crate::wire::{Container, Definitions, Frame, Gap, Integrity, Met, Scanner};
pub use counter::SenderCount;
pub use cut::Cut;
pub use doing::Doing;
use losses::Losses;
pub use losses::{Loss, LossKind};
use missing::Pace;
use repeats::{Repeating, Repeats};
use sketch::Sketch;
use std::collections::{BTreeMap, HashMap};
use waiting::Waiting;

/// Rows a table gathers before it is handed on as one batch.
const ROWS_PER_BATCH: usize = 1_024;
/// Most senders kept apart: all of a usual system. Frames of further ones, which only a made-up stream has, count for
/// the last.
const MAX_SENDERS: usize = 65_536;
/// So few senders are looked for one by one.
const FEW_SENDERS: usize = 16;
/// Shortest silence of a vehicle that is a hole, and how many times longer than its usual step it must be.
const HOLE_MS: i64 = 1_500;
const HOLE_STEPS: i64 = 4;
/// A longer step of the boot clock is a leap, not a silence.
const LEAP_MS: i64 = 600_000;
/// Capture stamps that move against the boot clock by more have jumped; links are late by seconds at worst.
const CAPTURE_JUMP_MS: u64 = 10_000;
/// The component id that the standard gives the autopilot.
const AUTOPILOT_COMPONENT: u8 = 1;

/// One boot session of one vehicle.
#[derive(Debug, Clone, Default)]
pub struct BootSession {
    /// Hardware identity from AUTOPILOT_VERSION, `0x` and lower-case hex digits without leading zeros. A session that
    /// tells none has that of the one before it, else of the next.
    pub autopilot_uid: Option<String>,
    /// It was told in this session.
    pub uid_told: bool,
    /// What the methods read.
    pub signals: Signals,
    /// UTC of this session, if the log tells.
    pub utc: Option<UtcBinding>,
    /// What is doubtful about it.
    pub utc_doubts: Vec<UtcDoubt>,
    /// Greatest lateness of a stamp, in milliseconds.
    pub lag_ms: i64,
    /// First and last instants of the session, in milliseconds since boot.
    pub span_ms: Option<(i64, i64)>,
    /// What it said of its attitude, by which another recording of it is known.
    pub sketch: Sketch,
    /// What the aircraft was doing at both ends.
    pub doing: Doing,
    /// Flights with their numbers, if [`Reduce`] drew them already and emptied the signals.
    pub reduced: Option<Vec<(Flight, Vec<Measurement>)>>,
    votes: UtcVotes,
}

/// Called with system id, hardware identity so far and a boot session that has ended, while more of the log
/// is still to come: it may draw from the session what it needs and empty its signals, so that a log of
/// many boots stays within bounded memory.
pub type Reduce<'r> = Box<dyn FnMut(u32, Option<&str>, &mut BootSession) + 'r>;

/// One vehicle: a system whose autopilot speaks in the log.
#[derive(Debug, Clone)]
pub struct Vehicle {
    /// MAVLink system id.
    pub system_id: u32,
    /// The latest hardware identity that it told; that of each boot session stands there.
    pub autopilot_uid: Option<String>,
    /// Boot sessions in order.
    pub boots: Vec<BootSession>,
}

/// Everything read from one log.
#[derive(Debug, Clone)]
pub struct Recording {
    /// What the bytes were.
    pub container: Container,
    /// What was and was not readable.
    pub integrity: Integrity,
    /// Every sender, by system and component id.
    pub senders: Vec<SenderCount>,
    /// (name, id, count) of every known message, by id.
    pub messages: Vec<(String, u32, u64)>,
    /// The vehicles, by system id.
    pub vehicles: Vec<Vehicle>,
    /// What may be vehicles, but no autopilot's heartbeat says so: too short a file to hold one tells by them which others
    /// it lies between. Nothing is measured of them.
    pub unheard: Vec<Vehicle>,
    /// Every loss with its place, in the order of the recording.
    pub losses: Vec<Loss>,
    /// Signed frames, by link. Frames with a wrong signature are read like all others.
    pub signatures: Vec<(Link, LinkTally)>,
    /// Plain sentences about the log's condition.
    pub notes: Vec<String>,
    /// What stands at both ends of a stream besides whole frames.
    pub cut: Cut,
}

struct Sender {
    count: SenderCount,
    clock: BootClock,
    waiting: Waiting,
    pace: Pace,
    /// Reboots of all senders before its latest frame.
    reboots: u32,
    vehicle: Option<usize>,
    repeating: Repeating,
}

struct VehicleState {
    vehicle: Vehicle,
    told: identity::Told,
    autopilot: usize,
    heartbeats: u64,
    temperature_degc: [f32; 32],
    /// Capture time less boot time, ms, of the latest stamped frame in this boot session.
    capture_offset_ms: Option<i64>,
    /// Running mean of the clock's ordinary steps, ms.
    usual_step_ms: i64,
}

/// Reads one log.
pub struct Recorder<'d> {
    bytes: Bytes<'d>,
    /// The next bytes are the first of a file.
    begins: bool,
    /// Those of files before that the latest does not go on.
    ended: Vec<Bytes<'d>>,
    cut: cut::Ends,
    state: State<'d>,
}

/// How the bytes are taken apart.
enum Bytes<'d> {
    /// Decided by the first bytes.
    Unseen,
    Stream(Box<Scanner<'d>>),
    Capture(Kind, Box<flows::Flows<'d>>),
}

/// Bytes that tell a packet capture from a stream.
const TELLING: usize = 12;

struct State<'d> {
    definitions: &'d Definitions,
    tables: Option<Tables<'d>>,
    reader: Reader,
    senders: Vec<Sender>,
    by_id: HashMap<(u32, u8), usize>,
    last_sender: usize,
    vehicles: Vec<VehicleState>,
    counts: Vec<u64>,
    /// Frames by undefined id.
    unknown: BTreeMap<u32, u64>,
    /// The latest frame had a stamp of the recording computer: only then the next one's is believed, since debris before
    /// a frame can look like one.
    stamped: bool,
    slots: Slots,
    doing: doing::Plan,
    reduce: Option<Reduce<'d>>,
    losses: Losses,
    /// Frames missing that the scanner could not tell.
    sequence_lost: u64,
    repeats: Repeats,
    /// Of all senders.
    reboots: u32,
    signatures: Signatures,
}

#[derive(Debug, Clone, Copy, Default)]
struct Slots {
    system_time: Option<(usize, usize)>,
    gps_raw_int: Option<(usize, usize)>,
    autopilot_version: Option<(usize, usize, usize)>,
    /// ATTITUDE and ATTITUDE_QUATERNION.
    attitude: [usize; 2],
}

impl<'d> Recorder<'d> {
    /// A recorder over `definitions`; `tables` says whether every message is also decoded into tables.
    pub fn new(definitions: &'d Definitions, tables: bool) -> Self {
        let field = |message: &str, name: &str| {
            let message = definitions.by_name(message)?;
            Some((message.slot, message.field(name)?.offset))
        };
        let version = field("AUTOPILOT_VERSION", "uid").zip(field("AUTOPILOT_VERSION", "uid2"));
        let slots = Slots {
            system_time: field("SYSTEM_TIME", "time_unix_usec"),
            gps_raw_int: field("GPS_RAW_INT", "time_usec"),
            attitude: ["ATTITUDE", "ATTITUDE_QUATERNION"]
                .map(|name| definitions.by_name(name).map_or(usize::MAX, |message| message.slot)),
            autopilot_version: version.map(|((slot, uid), (_, uid2))| (slot, uid, uid2)),
        };
        Recorder {
            bytes: Bytes::Unseen,
            begins: true,
            ended: Vec::new(),
            cut: cut::Ends::default(),
            state: State {
                definitions,
                tables: tables.then(|| Tables::new(definitions, ROWS_PER_BATCH)),
                reader: Reader::new(definitions),
                senders: Vec::new(),
                by_id: HashMap::new(),
                last_sender: 0,
                vehicles: Vec::new(),
                counts: vec![0; definitions.messages().len()],
                unknown: BTreeMap::new(),
                stamped: false,
                slots,
                doing: doing::Plan::new(definitions),
                reduce: None,
                losses: Losses::default(),
                sequence_lost: 0,
                repeats: Repeats::default(),
                reboots: 0,
                signatures: Signatures::default(),
            },
        }
    }

    /// The same, with `reduce` called at the end of every boot session that another one follows.
    #[must_use]
    pub fn reducing(mut self, reduce: Reduce<'d>) -> Self {
        self.state.reduce = Some(reduce);
        self
    }

    /// The same, with the signatures of signed frames verified. What they say goes into [`Recording::signatures`];
    /// no frame is dropped for it, with a wrong signature neither. Without a key signed frames are only counted.
    #[must_use]
    pub fn with_key(mut self, key: Key) -> Self {
        self.state.signatures = Signatures::new(Some(key));
        self
    }

    /// Feeds bytes and returns how many were used; the caller keeps the rest and adds to it.
    ///
    /// # Errors
    /// The first error of the sink; nothing more is handed to it after that.
    pub fn feed<S: BatchSink>(&mut self, input: &[u8], last: bool, sink: &mut S) -> Result<usize, S::Error> {
        let definitions = self.state.definitions;
        if self.begins {
            if input.len() < TELLING && !last {
                return Ok(0);
            }
            let bytes = std::mem::replace(&mut self.bytes, Bytes::Unseen);
            self.bytes = match (Capture::recognise(input), bytes) {
                (Some(_), Bytes::Capture(kind, flows)) => Bytes::Capture(kind, flows),
                (told, before) => {
                    self.ended.push(before);
                    told.map_or_else(
                        || Bytes::Stream(Box::new(Scanner::new(definitions))),
                        |kind| Bytes::Capture(kind, Box::new(flows::Flows::new(definitions))),
                    )
                }
            };
            self.begins = false;
        }
        let Recorder { state, cut, .. } = self;
        let mut failed = None;
        let mut take = |met: Met<'_>| match met {
            Met::Frame(frame) if failed.is_none() => failed = state.frame(frame, sink).err(),
            Met::Frame(_) => {}
            Met::Gap(gap) => {
                cut.gap(&gap);
                state.gap(&gap);
            }
        };
        let used = match &mut self.bytes {
            Bytes::Stream(scanner) => scanner.scan_all(input, last, &mut take),
            Bytes::Capture(_, flows) => match flows.feed(input, last, &mut take) {
                Ok(used) => used,
                Err(CaptureError) => {
                    // A capture's marker and too little behind it: nothing was taken yet.
                    let mut scanner = Box::new(Scanner::new(definitions));
                    let used = scanner.scan_all(input, last, &mut take);
                    let before = std::mem::replace(&mut self.bytes, Bytes::Stream(scanner));
                    if matches!(&before, Bytes::Capture(_, flows) if !flows.is_empty()) {
                        self.ended.push(before);
                    }
                    used
                }
            },
            Bytes::Unseen => 0,
        };
        if matches!(self.bytes, Bytes::Stream(_)) {
            self.cut.fed(input, used, last);
        }
        failed.map_or(Ok(used), Err)
    }

    /// Ends a file of the log whose last bytes were fed; the next bytes begin another file of the same recording.
    /// Clocks, counters of flights and tables go on, and so do the flows of packet captures; offsets begin anew.
    pub fn next_part(&mut self) {
        if !self.begins {
            self.begins = true;
            self.state.losses.next_part();
        }
    }

    /// Ends the log: hands the last rows to the sink and returns what was read.
    ///
    /// # Errors
    /// The first error of the sink.
    pub fn finish<S: BatchSink>(mut self, sink: &mut S) -> Result<Recording, S::Error> {
        self.ended.push(self.bytes);
        let state = &mut self.state;
        let mut failed = None;
        let mut take = |met: Met<'_>| match met {
            Met::Frame(frame) if failed.is_none() => failed = state.frame(frame, sink).err(),
            Met::Frame(_) => {}
            Met::Gap(gap) => state.gap(&gap),
        };
        for bytes in &mut self.ended {
            if let Bytes::Capture(_, flows) = bytes {
                flows.finish(&mut take);
            }
        }
        if let Some(error) = failed {
            return Err(error);
        }
        for index in 0..self.state.senders.len() {
            let Some(sender) = self.state.senders.get(index) else { continue };
            match sender.clock.head_ms() {
                // A log can end before the stamp that would show a reboot.
                Some(head) if sender.clock.is_falling() || sender.waiting.stepped() => {
                    self.state.rebooted(index, head);
                }
                Some(head) => self.state.resolve(index, head),
                None => {}
            }
        }
        if let Some(tables) = &mut self.state.tables {
            tables.finish(sink)?;
        }
        let (mut container, mut integrity, mut capture_notes) = (None, Integrity::default(), Vec::new());
        for bytes in &self.ended {
            let kind = match bytes {
                Bytes::Stream(scanner) => {
                    integrity.add(&scanner.integrity());
                    scanner.container()
                }
                Bytes::Capture(kind, flows) => {
                    integrity.add(&flows.integrity());
                    capture_notes.extend(flows.notes());
                    flows.losses().for_each(|loss| self.state.losses.add(loss));
                    if *kind == Kind::Pcap { Container::Pcap } else { Container::PcapNg }
                }
                Bytes::Unseen => continue,
            };
            container.get_or_insert(kind);
        }
        let container = container.unwrap_or(Container::Bare);
        let state = self.state;
        integrity.sequence_lost += state.sequence_lost;
        let mut senders: Vec<SenderCount> = state
            .senders
            .iter()
            .map(|s| SenderCount {
                first_boot_ms: s.count.first_boot_ms.or(s.clock.alone_ms().map(|(first_ms, _)| first_ms)),
                last_boot_ms: s
                    .repeating
                    .last_ms(&s.clock)
                    .or(s.clock.alone_ms().map(|(_, last_ms)| last_ms)),
                before_reboot: s.reboots < state.reboots,
                ..s.count
            })
            .collect();
        senders.sort_by_key(|s| (s.system_id, s.component_id));
        let mut messages: Vec<(String, u32, u64)> = state
            .definitions
            .messages()
            .iter()
            .zip(&state.counts)
            .filter(|(_, count)| **count > 0)
            .map(|(message, count)| (message.name.clone(), message.id, *count))
            .collect();
        messages.sort_by_key(|m| m.1);
        let (heard, unheard): (Vec<_>, Vec<_>) =
            state.vehicles.into_iter().partition(|state| state.heartbeats > 0);
        let unheard = unheard.into_iter().map(|state| state.vehicle).collect();
        let (mut vehicles, mut identities) = (Vec::new(), Vec::new());
        for mut state in heard {
            identities.extend(state.told.finish(&mut state.vehicle));
            for boot in state.vehicle.boots.iter_mut().filter(|b| b.reduced.is_none()) {
                boot.end();
            }
            vehicles.push(state.vehicle);
        }
        vehicles.sort_by_key(|v| v.system_id);
        let mut notes = notes::of(&integrity, &vehicles);
        notes.extend(identities);
        notes.extend(capture_notes);
        notes.extend(notes::undefined(&state.unknown));
        let (signatures, said) = signing::told(&state.signatures, &senders);
        notes.extend(said);
        let (losses, cut) = (state.losses.finish(), self.cut.cut());
        Ok(Recording {
            container,
            integrity,
            senders,
            messages,
            vehicles,
            unheard,
            losses,
            signatures,
            notes,
            cut,
        })
    }
}

impl State<'_> {
    fn frame<S: BatchSink>(&mut self, frame: &Frame<'_>, sink: &mut S) -> Result<(), S::Error> {
        let index = self.sender(frame);
        let stamped = std::mem::replace(&mut self.stamped, frame.capture_us.is_some());
        if frame.signed {
            self.signatures.check(frame.raw, frame.system_id, frame.component_id);
        }
        let Some(slot) = frame.message.map(|m| m.slot) else {
            return self.unknown(frame, index, sink);
        };
        if let Some(count) = self.counts.get_mut(slot) {
            *count += 1;
        }
        if frame.late {
            return self.late(frame, sink);
        }
        let stamp = self.reader.stamp(slot, frame.payload);
        let head_before = self.senders.get(index).and_then(|s| s.clock.head_ms());
        let (mut placed, mut waits_on, mut missing) = (None, index, u64::from(frame.lost));
        if let Some(sender) = self.senders.get_mut(index) {
            if self.repeats.again(frame, stamp, sender) {
                return self.repeated(frame, index, stamp, sink);
            }
            placed = sender.clock.place(stamp);
            if sender.count.first_boot_ms.is_none() || placed.is_some_and(|p| p.anew) {
                sender.count.first_boot_ms = placed.map(|p| p.earliest_ms);
            }
            if let Some(placed) = placed {
                let beyond = sender.missing_before(frame, head_before, placed);
                missing += beyond;
                self.sequence_lost += beyond;
            }
        }
        if placed.is_none() {
            (waits_on, placed) = self.place_by_autopilot(frame.system_id, index);
        }
        if missing > 0 || self.losses.is_open() {
            self.lost(frame, missing, index, head_before, placed);
        }
        if let Some(placed) = placed {
            if placed.rebooted {
                self.reboots = self.reboots.saturating_add(1);
                if let Some(sender) = self.senders.get_mut(index) {
                    sender.reboots = self.reboots;
                }
                self.rebooted(index, head_before.unwrap_or(placed.earliest_ms));
            } else if placed.anew {
                self.resolve(index, head_before.unwrap_or(placed.earliest_ms));
            } else if placed.advanced {
                self.resolve(index, placed.earliest_ms);
            }
        }
        let capture_us = frame.capture_us.filter(|_| stamped);
        self.collect(frame, capture_us, slot, index, placed);
        self.tabulate(frame, placed, waits_on, sink)
    }

    /// A component without a clock of its own is placed between its autopilot's stamps: the sender on whose clock it
    /// waits, and the place.
    fn place_by_autopilot(&mut self, system_id: u32, index: usize) -> (usize, Option<Placed>) {
        let vehicle = self.vehicles.iter().find(|v| v.vehicle.system_id == system_id);
        let waits_on = vehicle.map_or(index, |v| v.autopilot);
        (waits_on, self.senders.get_mut(waits_on).and_then(|s| s.clock.place(Stamp::None)))
    }

    /// A row of its message's table; where it has no upper bound yet, the next stamp of `waits_on` is it.
    fn tabulate<S: BatchSink>(
        &mut self,
        frame: &Frame<'_>,
        placed: Option<Placed>,
        waits_on: usize,
        sink: &mut S,
    ) -> Result<(), S::Error> {
        let Some(tables) = &mut self.tables else { return Ok(()) };
        let times = RowTimes {
            boot: placed.map(|p| p.boot),
            boot_ms: placed.map(|p| p.earliest_ms),
            boot_ms_latest: placed.and_then(|p| p.latest_ms),
        };
        let row = tables.append(frame, times, sink)?;
        if let (Some(Placed { latest_ms: None, .. }), Some(sender)) = (placed, self.senders.get_mut(waits_on))
        {
            sender.waiting.row(row);
        }
        Ok(())
    }

    /// A frame that its sender's clock has long gone beyond: kept in the tables, without a time.
    #[cold]
    fn late<S: BatchSink>(&mut self, frame: &Frame<'_>, sink: &mut S) -> Result<(), S::Error> {
        if let Some(tables) = &mut self.tables {
            tables.append(frame, RowTimes::default(), sink)?;
        }
        Ok(())
    }

    /// A frame of a block that was read before. What waits for its upper bound may be of its beginning.
    #[cold]
    fn repeated<S: BatchSink>(
        &mut self,
        frame: &Frame<'_>,
        index: usize,
        stamp: Stamp,
        sink: &mut S,
    ) -> Result<(), S::Error> {
        self.forget(index);
        let vehicle = self.senders.get(index).and_then(|s| self.vehicles.get(s.vehicle?));
        let autopilot = vehicle.map_or(index, |v| v.autopilot);
        if let Some(clock) = self.senders.get(autopilot).map(|s| &s.clock) {
            let (boot, to_ms) = (clock.head_ms().and(Some(clock.boot())), clock.head_ms());
            let from_ms = match stamp {
                Stamp::BootMs(boot_ms) if autopilot == index => {
                    to_ms.map(|head| head - clock.behind_ms(boot_ms))
                }
                _ => to_ms,
            };
            if frame.lost > 0 {
                self.lost(frame, u64::from(frame.lost), index, to_ms, None);
            }
            let place = Loss::at(LossKind::Repeat, frame.offset, frame.raw.len() as u64);
            let (system_id, component_id) = (Some(frame.system_id), Some(frame.component_id));
            self.losses.add(Loss {
                bytes: 0,
                frames: 1,
                system_id,
                component_id,
                boot,
                from_ms,
                to_ms,
                ..place
            });
        }
        self.late(frame, sink)
    }

    /// Bytes between frames: between the last instant of the vehicle that spoke last and its next.
    #[cold]
    fn gap(&mut self, gap: &Gap) {
        let mut loss = Loss::of_gap(gap);
        if let Some(sender) = self.senders.get(self.last_sender) {
            let vehicle = sender.vehicle.and_then(|v| self.vehicles.get(v));
            let clock = &vehicle.and_then(|v| self.senders.get(v.autopilot)).unwrap_or(sender).clock;
            loss.from_ms = clock.head_ms();
            if loss.from_ms.is_some() {
                loss.system_id = Some(sender.count.system_id);
                loss.boot = Some(clock.boot());
            }
        }
        self.losses.add(loss);
    }

    /// The frame that ends losses before it, or that so many others of its sender are missing before. All times are on the
    /// vehicle's clock, which UTC is bound to; a component's own may be another.
    #[cold]
    fn lost(
        &mut self,
        frame: &Frame<'_>,
        missing: u64,
        index: usize,
        head_before: Option<i64>,
        placed: Option<Placed>,
    ) {
        let vehicle = self.senders.get(index).and_then(|s| self.vehicles.get(s.vehicle?));
        let autopilot = vehicle.map_or(index, |v| v.autopilot);
        let own = autopilot == index;
        if let Some(placed) = placed.filter(|p| own && p.latest_ms.is_some()) {
            self.losses.close(frame.system_id, placed.boot, placed.earliest_ms);
        }
        if missing == 0 {
            return;
        }
        let (boot, from_ms, to_ms) = if own {
            let from_ms = head_before.filter(|_| placed.is_some_and(|p| !p.rebooted && !p.anew));
            (placed.map(|p| p.boot), from_ms, placed.map(|p| p.earliest_ms))
        } else {
            let clock = self.senders.get(autopilot).map(|s| &s.clock);
            let head_ms = clock.and_then(BootClock::head_ms);
            (head_ms.and(clock).map(BootClock::boot), None, head_ms)
        };
        self.losses.add(Loss {
            frames: missing,
            system_id: Some(frame.system_id),
            component_id: Some(frame.component_id),
            boot,
            from_ms,
            to_ms,
            ..Loss::at(LossKind::Sequence, frame.offset, 0)
        });
    }

    /// A frame whose id is not defined: counted, and kept as bytes at its sender's time.
    fn unknown<S: BatchSink>(
        &mut self,
        frame: &Frame<'_>,
        index: usize,
        sink: &mut S,
    ) -> Result<(), S::Error> {
        *self.unknown.entry(frame.message_id).or_default() += 1;
        if frame.late {
            return self.late(frame, sink);
        }
        let own = self.senders.get_mut(index).and_then(|s| s.clock.place(Stamp::None));
        if frame.lost > 0 {
            self.lost(frame, u64::from(frame.lost), index, own.map(|p| p.earliest_ms), own);
        }
        let (waits_on, placed) = match own {
            Some(_) => (index, own),
            None => self.place_by_autopilot(frame.system_id, index),
        };
        self.tabulate(frame, placed, waits_on, sink)
    }

    fn collect(
        &mut self,
        frame: &Frame<'_>,
        capture_us: Option<u64>,
        slot: usize,
        index: usize,
        placed: Option<Placed>,
    ) {
        let is_heartbeat = self.reader.is_autopilot_heartbeat(slot, frame.payload);
        let Some(sender) = self.senders.get_mut(index) else { return };
        if is_heartbeat && sender.vehicle.is_none() {
            // A vehicle whose autopilot has another component id than 1.
            sender.vehicle = Some(self.vehicles.len());
            self.vehicles.push(VehicleState::new(frame.system_id, index));
        }
        let Some(state) = sender.vehicle.and_then(|v| self.vehicles.get_mut(v)) else { return };
        if is_heartbeat && state.autopilot != index && frame.component_id == AUTOPILOT_COMPONENT {
            // Another component's heartbeat was there first: what it said is not the autopilot's.
            *state = VehicleState::new(frame.system_id, index);
        }
        if state.autopilot != index {
            return;
        }
        state.heartbeats += u64::from(is_heartbeat);
        let version = self.slots.autopilot_version.filter(|(version, ..)| *version == slot);
        let uid = version.and_then(|(_, uid, uid2)| identity::uid_text(frame.payload, uid, uid2));
        let frames = sender.count.frames;
        state.vehicle.autopilot_uid = uid.clone().or(state.vehicle.autopilot_uid.take());
        let Some(placed) = placed else {
            if let Some(uid) = uid {
                state.told.note(uid, None, frames);
            }
            return;
        };
        while state.vehicle.boots.len() <= usize::from(placed.boot) {
            let told = state.vehicle.boots.iter().rev().find_map(|boot| boot.autopilot_uid.clone());
            if let (Some(ended), Some(reduce)) = (state.vehicle.boots.last_mut(), &mut self.reduce) {
                ended.end();
                reduce(state.vehicle.system_id, told.as_deref(), ended);
                ended.votes = UtcVotes::default();
            }
            state.vehicle.boots.push(state.told.begin(frames));
            state.capture_offset_ms = None;
        }
        let Some(boot) = state.vehicle.boots.last_mut() else { return };
        if placed.anew {
            // Nothing that lies at a wrong first stamp may count as the beginning or the end of a flight.
            let (autopilot_uid, uid_told) = (boot.autopilot_uid.take(), boot.uid_told);
            *boot = BootSession { autopilot_uid, uid_told, ..BootSession::default() };
            state.capture_offset_ms = None;
        }
        if let Some(uid) = uid {
            state.told.note(uid, Some(boot), frames);
        }
        if self.slots.attitude.contains(&slot) && placed.latest_ms.is_some() {
            boot.sketch.note(frame.payload);
        }
        let stamped = placed.latest_ms.is_some();
        boot.doing.note(&self.doing, slot, frame.payload, placed.earliest_ms, stamped);
        boot.lag_ms = sender.clock.max_lag_ms();
        let (first, last) = boot.span_ms.unwrap_or((placed.earliest_ms, placed.earliest_ms));
        if placed.advanced && !placed.rebooted {
            let step_ms = placed.earliest_ms - last;
            if step_ms > HOLE_MS.max(HOLE_STEPS * state.usual_step_ms) {
                boot.signals.add_hole(last, placed.earliest_ms);
                let kind = if step_ms > LEAP_MS { LossKind::TimeJump } else { LossKind::Silence };
                self.losses.add(Loss {
                    system_id: Some(frame.system_id),
                    boot: Some(placed.boot),
                    from_ms: Some(last),
                    to_ms: Some(placed.earliest_ms),
                    ..Loss::at(kind, frame.offset, 0)
                });
            } else {
                state.usual_step_ms += (step_ms - state.usual_step_ms) / 16;
            }
        }
        boot.span_ms = Some((first.min(placed.earliest_ms), last.max(placed.earliest_ms)));
        if let Some(latest_ms) = placed.latest_ms {
            if let Some((_, at)) = self.slots.system_time.filter(|s| s.0 == slot) {
                boot.votes.vote(UtcSource::SystemTime, u64_at(frame.payload, at), latest_ms);
            }
            if let Some(capture_us) = capture_us {
                let offset_ms =
                    i64::try_from(capture_us / 1000).unwrap_or(i64::MAX).saturating_sub(latest_ms);
                if state.capture_offset_ms.is_some_and(|before| offset_ms.abs_diff(before) > CAPTURE_JUMP_MS)
                {
                    self.losses.add(Loss {
                        system_id: Some(frame.system_id),
                        boot: Some(placed.boot),
                        from_ms: Some(last),
                        to_ms: Some(latest_ms),
                        ..Loss::at(LossKind::TimeJump, frame.offset, 0)
                    });
                }
                state.capture_offset_ms = Some(offset_ms);
                boot.votes.vote(UtcSource::Capture, capture_us, latest_ms);
            }
        } else if let Some((_, at)) = self.slots.gps_raw_int.filter(|s| s.0 == slot) {
            sender.waiting.vote(u64_at(frame.payload, at), placed.earliest_ms);
        }
        let latest_ms = placed.latest_ms.unwrap_or_else(|| {
            sender.waiting.signal();
            if sender.waiting.stepped() { DOUBTED } else { WAITS }
        });
        let times = (placed.earliest_ms, latest_ms);
        self.reader.collect(frame, slot, times, &mut boot.signals, &mut state.temperature_degc);
    }

    fn sender(&mut self, frame: &Frame<'_>) -> usize {
        let is =
            |s: &Sender| s.count.system_id == frame.system_id && s.count.component_id == frame.component_id;
        let known = match self.senders.get(self.last_sender) {
            Some(sender) if is(sender) => Some(self.last_sender),
            _ if self.senders.len() <= FEW_SENDERS => self.senders.iter().position(is),
            _ => self.by_id.get(&(frame.system_id, frame.component_id)).copied(),
        };
        let index = known.unwrap_or_else(|| self.meet(frame));
        if let Some(sender) = self.senders.get_mut(index) {
            sender.count.frames += 1;
            if frame.lost > 0 {
                sender.pace.told(frame.lost);
            }
            if !frame.late {
                sender.count(frame.sequence);
                sender.reboots = self.reboots;
            }
        }
        self.last_sender = index;
        index
    }

    fn meet(&mut self, frame: &Frame<'_>) -> usize {
        let index = self.senders.len();
        if index == MAX_SENDERS {
            return index - 1;
        }
        self.by_id.insert((frame.system_id, frame.component_id), index);
        let mut vehicle = self.vehicles.iter().position(|v| v.vehicle.system_id == frame.system_id);
        if vehicle.is_none() && frame.component_id == AUTOPILOT_COMPONENT {
            vehicle = Some(self.vehicles.len());
            self.vehicles.push(VehicleState::new(frame.system_id, index));
        }
        self.senders.push(Sender {
            count: SenderCount {
                system_id: frame.system_id,
                component_id: frame.component_id,
                frames: 0,
                first_sequence: frame.sequence,
                last_sequence: frame.sequence,
                steps: 0,
                backward: 0,
                sent: 0,
                falls: 0,
                after_reboot: self.reboots > 0,
                before_reboot: false,
                first_boot_ms: None,
                last_boot_ms: None,
            },
            clock: BootClock::default(),
            waiting: Waiting::default(),
            pace: Pace::default(),
            reboots: self.reboots,
            vehicle,
            repeating: Repeating::default(),
        });
        index
    }
}

impl Sender {
    /// Frames missing before one with a stamp beyond those that the scanner told.
    #[inline]
    fn missing_before(&mut self, frame: &Frame<'_>, head_before: Option<i64>, placed: Placed) -> u64 {
        match head_before {
            Some(head_ms) if placed.advanced && !placed.rebooted && !placed.anew => {
                let step_ms = placed.earliest_ms.abs_diff(head_ms);
                if step_ms <= LEAP_MS.unsigned_abs() {
                    return self.pace.step(frame.sequence, self.count.frames, step_ms);
                }
                self.pace.begin(frame.sequence, self.count.frames);
            }
            _ if placed.advanced || placed.rebooted || placed.anew => {
                self.pace.begin(frame.sequence, self.count.frames);
            }
            _ => {}
        }
        0
    }
}

impl BootSession {
    /// Nothing more comes: samples in order, UTC decided.
    fn end(&mut self) {
        self.signals.finish();
        (self.utc, self.utc_doubts) = self.votes.judge();
    }
}

impl VehicleState {
    fn new(system_id: u32, autopilot: usize) -> Self {
        VehicleState {
            vehicle: Vehicle { system_id, autopilot_uid: None, boots: Vec::new() },
            told: identity::Told::default(),
            autopilot,
            heartbeats: 0,
            temperature_degc: [f32::NAN; 32],
            capture_offset_ms: None,
            usual_step_ms: 0,
        }
    }
}
