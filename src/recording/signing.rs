//! What the signatures of a log say, in sentences. A signature changes nothing in how a frame is read: a frame that
//! is not signed with the key is decoded and counted like any other, since a recording is evidence and the reader
//! may have the wrong key; its link is marked.

use super::SenderCount;
use crate::wire::signature::{Link, LinkTally, Signatures};
use std::collections::BTreeMap;

/// The links in order, and sentences about them.
pub(super) fn told(
    signatures: &Signatures,
    senders: &[SenderCount],
) -> (Vec<(Link, LinkTally)>, Vec<String>) {
    let links: Vec<(Link, LinkTally)> = signatures.links().map(|(link, tally)| (*link, *tally)).collect();
    let rest = signatures.rest();
    let mut notes = Vec::new();
    let mut systems: BTreeMap<u32, LinkTally> = BTreeMap::new();
    for (link, tally) in &links {
        systems.entry(link.system_id).or_default().add(tally);
    }
    let mut all = rest;
    for (system, tally) in &systems {
        all.add(tally);
        if tally.wrong > 0 {
            notes.push(format!(
                "{} frame(s) of system {system} were not signed with the key given",
                tally.wrong
            ));
        }
        if tally.replayed > 0 {
            notes.push(format!(
                "{} frame(s) of system {system} were signed with the key given, but not later than one before them: \
                 recorded twice, out of order, or played again",
                tally.replayed
            ));
        }
    }
    if rest.signed() > 0 {
        notes.push(format!("{} signed frame(s) came over more links than are told apart", rest.signed()));
    }
    if rest.wrong > 0 {
        notes.push(format!("{} of them were not signed with the key given", rest.wrong));
    }
    if all.verified > 0 {
        notes.push(format!("{} frame(s) were signed with the key given", all.verified));
    }
    if all.unverified > 0 {
        notes.push(format!("{} signed frame(s), not verified: no key given", all.unverified));
    }
    if signatures.has_key() && all.signed() == 0 {
        notes.push("a signing key was given, but no frame is signed".to_owned());
    }
    if rest.signed() == 0 {
        notes.extend(unsigned(&links, senders));
    }
    (links, notes)
}

/// Senders that signed some of their frames and others not.
fn unsigned(links: &[(Link, LinkTally)], senders: &[SenderCount]) -> Vec<String> {
    let mut signed: BTreeMap<(u32, u8), u64> = BTreeMap::new();
    for (link, tally) in links {
        *signed.entry((link.system_id, link.component_id)).or_default() += tally.signed();
    }
    let both = signed.into_iter().filter_map(|((system_id, component_id), signed)| {
        let sender = senders.iter().find(|s| (s.system_id, s.component_id) == (system_id, component_id))?;
        let bare = sender.frames.checked_sub(signed).filter(|bare| *bare > 0)?;
        Some(format!(
            "{bare} frame(s) of system {system_id} component {component_id} carry no signature, {signed} do"
        ))
    });
    both.collect()
}
