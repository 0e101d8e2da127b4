//! Who flew in which boot session: aircraft that share a system id can follow one another in one log.

use super::{BootSession, Vehicle};
use crate::wire::payload::{u8_at, u64_at};

/// An identity told so few frames before a boot session begins is that session's: its stamps confirm it later.
const BEFORE_FRAMES: u64 = 64;

/// An identity that is not that of the boot session in which it was told.
#[derive(Debug, Clone, Default)]
pub(super) struct Told {
    other: Option<(String, u64)>,
    /// It stayed in that session.
    mixed: bool,
}

impl Told {
    /// Notes an identity, told in the sender's `frames`th frame.
    pub fn note(&mut self, uid: String, session: Option<&mut BootSession>, frames: u64) {
        match session {
            Some(session) if session.autopilot_uid.as_ref().is_none_or(|own| *own == uid) => {
                (session.autopilot_uid, session.uid_told) = (Some(uid), true);
            }
            _ => {
                self.settle();
                self.other = Some((uid, frames));
            }
        }
    }

    /// A boot session that begins with the sender's `frames`th frame.
    pub fn begin(&mut self, frames: u64) -> BootSession {
        let other = self.other.take_if(|(_, told)| frames.saturating_sub(*told) <= BEFORE_FRAMES);
        self.settle();
        let (uid_told, autopilot_uid) = (other.is_some(), other.map(|(uid, _)| uid));
        BootSession { autopilot_uid, uid_told, ..BootSession::default() }
    }

    fn settle(&mut self) {
        self.mixed |= self.other.take().is_some();
    }

    /// Gives every session of `vehicle` an identity, and says what is not certain about it.
    pub fn finish(mut self, vehicle: &mut Vehicle) -> Option<String> {
        if let (Some((uid, _)), [only]) = (&self.other, vehicle.boots.as_mut_slice())
            && only.autopilot_uid.is_none()
        {
            (only.autopilot_uid, only.uid_told) = (Some(uid.clone()), true);
            self.other = None;
        }
        self.settle();
        let mut told: Vec<&String> = vehicle.boots.iter().filter_map(|b| b.autopilot_uid.as_ref()).collect();
        told.dedup();
        let several = told.len() > 1;
        let untold = vehicle.boots.iter().filter(|boot| !boot.uid_told).count();
        // Who told nothing is who told it before, else who did next.
        let mut latest = told.first().map(|uid| (*uid).clone());
        for boot in &mut vehicle.boots {
            latest = boot.autopilot_uid.take().or(latest);
            boot.autopilot_uid.clone_from(&latest);
        }
        let system_id = vehicle.system_id;
        match (self.mixed, several && untold > 0) {
            (true, _) => Some(format!(
                "system {system_id}: autopilots of several aircraft speak in one boot session; which of them flew is not certain"
            )),
            (false, true) => Some(format!(
                "system {system_id}: autopilots of several aircraft speak in this log; {untold} boot session(s) without a \
                 hardware identity are taken for the aircraft of the one before"
            )),
            _ => None,
        }
    }
}

/// `uid2` where it is not all zero, else `uid`, else nothing.
pub(super) fn uid_text(payload: &[u8], uid: usize, uid2: usize) -> Option<String> {
    let mut digits: String = (0..18).map(|i| format!("{:02x}", u8_at(payload, uid2 + i))).collect();
    if digits.bytes().all(|b| b == b'0') {
        digits = format!("{:x}", u64_at(payload, uid));
    }
    let digits = digits.trim_start_matches('0');
    (!digits.is_empty()).then(|| format!("0x{digits}"))
}
