//! Mean, spread, and the standard error of a mean whose samples are not independent.
//!
//! # Method
//! Variance of the mean of a stationary series: s²/n · (1 + 2 Σ ρ_k), the sum cut where the estimated
//! autocorrelation first falls under `CUT`.
//! # Source
//! Any text on time series; the cut at the first small ρ is common practice, no published source.

/// The sum of autocorrelations stops at the first one below this.
const CUT: f64 = 0.05;

/// Arithmetic mean; `None` of nothing.
pub fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Sample standard deviation, divisor n − 1; `None` under two values.
pub fn sd(values: &[f64]) -> Option<f64> {
    if values.len() < 2 {
        return None;
    }
    let centre = mean(values)?;
    let squares: f64 = values.iter().map(|v| (v - centre).powi(2)).sum();
    Some((squares / (values.len() - 1) as f64).sqrt())
}

/// Standard error of the mean of evenly sampled values that may be correlated in time; `None` under four.
pub fn autocorrelated_error(values: &[f64]) -> Option<f64> {
    let n = values.len();
    if n < 4 {
        return None;
    }
    let centre = mean(values)?;
    let power: f64 = values.iter().map(|v| (v - centre).powi(2)).sum();
    if power <= 0.0 {
        return Some(0.0);
    }
    let mut inflation = 1.0;
    for lag in 1..=n / 4 {
        let product: f64 = values.iter().zip(&values[lag..]).map(|(a, b)| (a - centre) * (b - centre)).sum();
        let rho = product / power;
        if rho < CUT {
            break;
        }
        inflation += 2.0 * rho;
    }
    Some((power / (n - 1) as f64 / n as f64 * inflation).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::testing::Random;

    /// AR(1) with φ = 0.9: the variance of the mean is (1 + φ)/(1 − φ) = 19 times the independent one
    /// (textbook result).
    #[test]
    fn the_error_of_a_correlated_mean_is_that_of_many_repeats() {
        let (mut random, mut means, mut errors) = (Random::new(7), Vec::new(), Vec::new());
        for _ in 0..300 {
            let mut x = random.normal() / (1.0f64 - 0.81).sqrt();
            let series: Vec<f64> = (0..1000)
                .map(|_| {
                    x = 0.9 * x + random.normal();
                    x
                })
                .collect();
            means.push(mean(&series).unwrap());
            errors.push(autocorrelated_error(&series).unwrap());
        }
        let (seen, said) = (sd(&means).unwrap(), mean(&errors).unwrap());
        let exact = (19.0f64 / 1000.0 / (1.0 - 0.81)).sqrt();
        assert!((seen / exact - 1.0).abs() < 0.15, "{seen} {exact}");
        assert!((said / seen - 1.0).abs() < 0.15, "{said} {seen}");
    }
}
