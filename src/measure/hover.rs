//! Steady hover.

/// A stretch of boot time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// First instant, in milliseconds since boot.
    pub start_ms: i64,
    /// Last instant, in milliseconds since boot.
    pub end_ms: i64,
}

/// Where in a flight the aircraft hovered steadily.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct HoverSummary {
    /// The stretches, in order, none shorter than two seconds.
    pub spans: Vec<Span>,
    /// Their total length in seconds.
    pub seconds: f64,
    /// Which criteria could not be checked because the log lacks the series, or why there is no hover.
    pub notes: Vec<String>,
}
