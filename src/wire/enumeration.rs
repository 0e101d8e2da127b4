//! The published enumerations: names of values, for what people read.

/// One enumeration, entries merged over all dialects.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Enumeration {
    /// Name, such as `MAV_TYPE`.
    pub name: String,
    /// Whether values are bits to be combined.
    pub bitmask: bool,
    /// Values with their names, in published order.
    pub entries: Vec<(u64, String)>,
}

impl Enumeration {
    /// The name of a value.
    #[must_use]
    pub fn entry(&self, value: u64) -> Option<&str> {
        self.entries.iter().find(|(known, _)| *known == value).map(|(_, name)| name.as_str())
    }
}
