//! What a maintenance tracker wants to hear: one usage event for each flight and component, one inspection
//! event for each signature and target. Plain structs; a feed gives them ids and revisions.

use super::entry::{Sign, SignedTarget};
use super::{Accounts, Amount, ComponentId, Flown, Ledger, Source};

/// One component in one flight.
#[derive(Debug, Clone, PartialEq)]
pub struct UsageEvent<'a> {
    /// The flight.
    pub flight: &'a Flown,
    /// The component.
    pub component: &'a ComponentId,
    /// The maker's part number.
    pub part_number: Option<&'a str>,
    /// Where it was; `None` for a pack told by its serial.
    pub position: Option<&'a str>,
    /// What it used: the whole flight, or a part if it was fitted or removed in the air.
    pub amount: Amount,
    /// Why the flight counts for it.
    pub source: Source,
}

/// One signature on one target.
#[derive(Debug, Clone, PartialEq)]
pub struct InspectionEvent<'a> {
    /// The original journal entry.
    pub entry: i64,
    /// When it was done, Unix microseconds.
    pub at_us: i64,
    /// The whole signature.
    pub sign: &'a Sign,
    /// On what.
    pub target: &'a SignedTarget,
}

/// Usage events up to an instant, by component, then liftoff; one a flight and component. For every component
/// they add up with its opening balance to its usage.
pub fn usage_events<'a>(accounts: &Accounts<'a>, at_us: i64) -> Vec<UsageEvent<'a>> {
    let ledger = accounts.ledger;
    let mut events: Vec<UsageEvent<'a>> = Vec::new();
    for (id, component) in &ledger.components {
        for share in accounts.shares(id, at_us) {
            // Off and on again in the air: two shares of one flight.
            if let Some(last) = events.last_mut()
                && last.component == id
                && last.flight.flight_id == share.flight.flight_id
            {
                last.amount += share.amount;
                continue;
            }
            events.push(UsageEvent {
                flight: share.flight,
                component: id,
                part_number: component.new.part_number.as_deref(),
                position: share.position,
                amount: share.amount,
                source: share.source,
            });
        }
    }
    events
}

/// Inspection events, by time.
pub fn inspection_events(ledger: &Ledger) -> Vec<InspectionEvent<'_>> {
    let all = ledger.signs.iter().flat_map(|dated| {
        let (entry, at_us, sign) = (dated.entry, dated.at_us, &dated.what);
        sign.targets.iter().map(move |target| InspectionEvent { entry, at_us, sign, target })
    });
    all.collect()
}
