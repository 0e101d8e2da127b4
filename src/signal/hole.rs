//! Times without any message. Nothing is known of them: no method interpolates across one, and none takes its length
//! for evidence.
//!
//! A hole is (last instant before, first instant behind) in milliseconds since boot; lists of them are in order.

/// The holes that lie between two instants, in whole or in part; of one instant, the hole around it.
pub fn within(holes: &[(i64, i64)], from_ms: i64, to_ms: i64) -> &[(i64, i64)] {
    if to_ms < from_ms {
        return &[];
    }
    let first = holes.partition_point(|hole| hole.1 <= from_ms);
    let behind = holes.partition_point(|hole| hole.0 < to_ms);
    holes.get(first..behind.max(first)).unwrap_or_default()
}

/// How much of the time between two instants is holes, in milliseconds.
pub fn length_ms(holes: &[(i64, i64)], from_ms: i64, to_ms: i64) -> i64 {
    within(holes, from_ms, to_ms).iter().map(|hole| hole.1.min(to_ms) - hole.0.max(from_ms)).sum()
}

/// How far one can look back from `from_ms` and ahead from `to_ms` without looking across a hole.
pub fn clear_around(holes: &[(i64, i64)], from_ms: i64, to_ms: i64) -> (i64, i64) {
    let before = holes.partition_point(|hole| hole.1 <= from_ms);
    let behind = holes.partition_point(|hole| hole.0 < to_ms);
    let back = before.checked_sub(1).and_then(|i| holes.get(i)).map_or(i64::MIN, |hole| hole.1);
    (back, holes.get(behind).map_or(i64::MAX, |hole| hole.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOLES: [(i64, i64); 2] = [(10, 20), (50, 80)];

    #[test]
    fn a_hole_counts_where_it_overlaps_and_not_where_it_touches() {
        assert_eq!(within(&HOLES, 20, 50), []);
        assert_eq!(within(&HOLES, 19, 51), HOLES);
        assert_eq!(within(&HOLES, 60, 70), [(50, 80)]);
        assert_eq!(within(&HOLES, 70, 60), [], "an empty interval has none");
        assert_eq!(within(&HOLES, 60, 60), [(50, 80)]);
        assert_eq!(within(&HOLES, 50, 50), []);
        assert_eq!(length_ms(&HOLES, 15, 60), 5 + 10);
        assert_eq!(length_ms(&HOLES, 0, 100), 40);
    }

    #[test]
    fn one_looks_as_far_as_the_next_hole() {
        assert_eq!(clear_around(&HOLES, 30, 40), (20, 50));
        assert_eq!(clear_around(&HOLES, 20, 50), (20, 50));
        assert_eq!(clear_around(&HOLES, 5, 40), (i64::MIN, 50));
        assert_eq!(clear_around(&HOLES, 30, 90), (20, i64::MAX));
    }
}
