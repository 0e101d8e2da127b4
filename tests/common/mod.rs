//! Helpers shared by the tests: a simulated log through the recorder, without files.
#![allow(dead_code, reason = "each test file uses its own part")]

use fettle::recording::{Recorder, Recording};
use fettle::table::BatchSink;
use fettle::wire::{Definitions, Message};
use std::convert::Infallible;

/// Counts rows and keeps nothing.
#[derive(Default)]
pub struct CountRows(pub usize);

impl BatchSink for CountRows {
    type Error = Infallible;
    fn batch(&mut self, _: &Message, batch: arrow_array::RecordBatch) -> Result<(), Infallible> {
        self.0 += batch.num_rows();
        Ok(())
    }
}

/// Reads bytes in chunks of `chunk`, as a file would be read.
pub fn record(bytes: &[u8], chunk: usize) -> (Recording, usize) {
    let mut rows = CountRows::default();
    let mut recorder = Recorder::new(Definitions::builtin(), true);
    let mut rest: Vec<u8> = Vec::new();
    for part in bytes.chunks(chunk) {
        rest.extend_from_slice(part);
        let used = recorder.feed(&rest, false, &mut rows).unwrap();
        rest.drain(..used);
    }
    recorder.feed(&rest, true, &mut rows).unwrap();
    (recorder.finish(&mut rows).unwrap(), rows.0)
}

/// A named geometry as the simulator builds it.
#[cfg(feature = "simulator")]
pub fn airframe(frame: fettle::simulator::Frame) -> fettle::airframe::Airframe {
    use fettle::airframe::{ThrustCurve, named};
    use fettle::simulator::Frame;
    let name = match frame {
        Frame::QuadX => "quad-x",
        Frame::HexaX => "hexa-x",
        Frame::OctoX => "octo-x",
    };
    let mut airframe = named(name, 0.62, 0.021).unwrap();
    airframe.thrust_curve = ThrustCurve::Expo(0.65);
    for (index, motor) in airframe.motors.iter_mut().enumerate() {
        motor.esc = u8::try_from(index).ok();
    }
    airframe
}

/// The numbers of every flight of a simulated log.
#[cfg(feature = "simulator")]
pub fn numbers(scenario: &fettle::simulator::Scenario) -> Vec<fettle::finding::Numbers> {
    use fettle::finding::Numbers;
    let airframe = airframe(scenario.frame);
    let (recording, _) = record(&fettle::simulator::simulate(scenario).bytes, 1 << 20);
    let sessions = recording.vehicles.iter().flat_map(|v| &v.boots);
    let measured = sessions.flat_map(|s| {
        let flights = fettle::flight::segment(&s.signals, None, s.lag_ms);
        let airframe = &airframe;
        flights.into_iter().map(move |f| {
            let (start_ms, end_ms) = (f.takeoff.best_ms, f.touchdown.best_ms);
            fettle::measure::measure_flight(&s.signals, Some(airframe), start_ms, end_ms)
        })
    });
    measured.map(|m| Numbers::from_measurements(&m.measurements)).collect()
}
