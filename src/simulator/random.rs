//! Small deterministic random numbers: xoshiro256** seeded by SplitMix64 (Blackman and Vigna, public
//! domain reference code), normal deviates by Box–Muller, and correlated noise as a first-order
//! Gauss–Markov process. The same seed gives the same log on every machine.

/// One stream of random numbers.
#[derive(Debug, Clone)]
pub struct Random {
    state: [u64; 4],
}

impl Random {
    /// A stream that depends on nothing but `seed`.
    pub fn new(seed: u64) -> Self {
        let mut mix = seed;
        let state = std::array::from_fn(|_| {
            mix = mix.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut z = mix;
            z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            z ^ (z >> 31)
        });
        Self { state }
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        let s = &mut self.state;
        let out = s[1].wrapping_mul(5).rotate_left(7).wrapping_mul(9);
        let shifted = s[1] << 17;
        s[2] ^= s[0];
        s[3] ^= s[1];
        s[1] ^= s[2];
        s[0] ^= s[3];
        s[2] ^= shifted;
        s[3] = s[3].rotate_left(45);
        out
    }

    /// Evenly spread in `[low, high)`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        let unit = (self.bits() >> 11) as f64 / (1u64 << 53) as f64;
        low + (high - low) * unit
    }

    /// Normal deviate of mean 0 and standard deviation `sigma`.
    pub fn normal(&mut self, sigma: f64) -> f64 {
        let radius = (-2.0 * (1.0 - self.between(0.0, 1.0)).ln()).sqrt();
        sigma * radius * (std::f64::consts::TAU * self.between(0.0, 1.0)).cos()
    }
}

/// Noise that remembers: standard deviation `sigma`, correlation time `tau_s`.
#[derive(Debug, Clone)]
pub struct Wander {
    sigma: f64,
    tau_s: f64,
    value: f64,
}

impl Wander {
    /// Starts at zero.
    pub fn new(sigma: f64, tau_s: f64) -> Self {
        Self { sigma, tau_s, value: 0.0 }
    }

    /// Moves on by `dt_s` and returns the new value.
    pub fn step(&mut self, dt_s: f64, random: &mut Random) -> f64 {
        let keep = (-dt_s / self.tau_s).exp();
        self.value = keep * self.value + random.normal(self.sigma * (1.0 - keep * keep).sqrt());
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_seed_is_the_only_input() {
        let draw = |seed| {
            let mut random = Random::new(seed);
            (0..4).map(|_| random.bits()).collect::<Vec<_>>()
        };
        assert_eq!(draw(7), draw(7));
        assert_ne!(draw(7), draw(8));
    }

    #[test]
    fn deviates_have_the_moments_asked_for() {
        // Sampling error of 40 000 draws: 0.005 of the mean, 0.0035 of the deviation; allow five of each.
        let mut random = Random::new(1);
        let draws: Vec<f64> = (0..40_000).map(|_| random.normal(1.0)).collect();
        let mean = draws.iter().sum::<f64>() / 40_000.0;
        let variance = draws.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / 40_000.0;
        assert!(mean.abs() < 0.025, "{mean}");
        assert!((variance.sqrt() - 1.0).abs() < 0.018, "{variance}");
    }

    #[test]
    fn wander_keeps_its_spread_at_any_step() {
        for dt in [0.005, 0.1] {
            let (mut random, mut wander) = (Random::new(3), Wander::new(2.0, 0.5));
            let draws: Vec<f64> = (0..60_000).map(|_| wander.step(dt, &mut random)).collect();
            let variance = draws.iter().map(|d| d * d).sum::<f64>() / 60_000.0;
            assert!((variance.sqrt() - 2.0).abs() < 0.25, "dt {dt}: {}", variance.sqrt());
        }
    }
}
