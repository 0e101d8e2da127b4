//! Load cycles of a series.
//!
//! # Method
//! Rainflow counting with half cycles: turning points are stacked; while the range before the last is no
//! greater than the last, it is counted, as one cycle, or as half a cycle if it holds the starting point.
//! What is left counts as half cycles.
//! # Source
//! ASTM E1049-85, section 5.4.4.

/// Ranges with their counts (1 or ½), in the order they close.
pub fn rainflow(series: &[f64]) -> Vec<(f64, f64)> {
    let mut found = Vec::new();
    let mut stack: Vec<f64> = Vec::new();
    for point in turning_points(series) {
        stack.push(point);
        while let [.., a, b, c] = stack[..] {
            let (before, last) = ((b - a).abs(), (c - b).abs());
            if last < before {
                break;
            }
            if stack.len() == 3 {
                found.push((before, 0.5));
                stack.remove(0);
            } else {
                found.push((before, 1.0));
                let top = stack.len();
                stack.drain(top - 3..top - 1);
            }
        }
    }
    found.extend(stack.windows(2).map(|w| ((w[1] - w[0]).abs(), 0.5)));
    found
}

/// Relative damage: Σ count · (range / reference)^exponent. An index to compare with, not a life.
pub fn damage(cycles: &[(f64, f64)], reference: f64, exponent: f64) -> f64 {
    cycles.iter().map(|(range, count)| count * (range / reference).powf(exponent)).sum()
}

fn turning_points(series: &[f64]) -> Vec<f64> {
    let mut points: Vec<f64> = Vec::new();
    for value in series.iter().copied().filter(|v| v.is_finite()) {
        if points.last() == Some(&value) {
            continue;
        }
        if let [.., a, b] = points[..]
            && (b - a).signum() == (value - b).signum()
        {
            points.pop();
        }
        points.push(value);
    }
    points
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counted(series: &[f64]) -> Vec<(f64, f64)> {
        let mut sums: Vec<(f64, f64)> = Vec::new();
        for (range, count) in rainflow(series) {
            match sums.iter_mut().find(|(r, _)| (*r - range).abs() < 1e-9) {
                Some((_, sum)) => *sum += count,
                None => sums.push((range, count)),
            }
        }
        sums.sort_by(|a, b| a.0.total_cmp(&b.0));
        sums
    }

    #[test]
    fn the_standards_example_counts_as_printed() {
        // ASTM E1049-85, figure 6: ranges 3, 4, 6, 8, 9 with 0.5, 1.5, 0.5, 1.0, 0.5 cycles.
        let history = [-2.0, 1.0, -3.0, 5.0, -1.0, 3.0, -4.0, 4.0, -2.0];
        assert_eq!(counted(&history), [(3.0, 0.5), (4.0, 1.5), (6.0, 0.5), (8.0, 1.0), (9.0, 0.5)]);
        // (3⁴·½ + 4⁴·1.5 + 6⁴·½ + 8⁴ + 9⁴·½) / 10⁴ = (40.5 + 384 + 648 + 4096 + 3280.5) / 10⁴ = 0.8449.
        assert!((damage(&rainflow(&history), 10.0, 4.0) - 0.8449).abs() < 1e-12);
    }

    #[test]
    fn repeated_and_monotone_values_are_no_turning_points() {
        assert_eq!(counted(&[0.0, 1.0, 1.0, 2.0, 2.0, 0.0]), [(2.0, 1.0)]);
        assert!(rainflow(&[]).is_empty() && rainflow(&[1.0, 1.0]).is_empty());
    }
}
