//! A lithium pack of twelve cells in series: open-circuit voltage by charge, one resistance, small
//! differences between cells. The voltage curve is an invented but typical one.

use super::random::Random;

/// Cells in series.
pub const CELLS: usize = 12;
/// Charge when full, in Ah.
pub const CAPACITY_AH: f64 = 22.0;
/// Resistance of one new cell with its share of leads, in ohms.
const CELL_OHM: f64 = 0.0022;
/// Open-circuit voltage of a cell at charge 0, 0.1, … 1.
const OPEN_V: [f64; 11] = [3.30, 3.62, 3.69, 3.73, 3.76, 3.79, 3.84, 3.91, 3.98, 4.07, 4.18];

/// One pack.
#[derive(Debug, Clone, Default)]
pub struct Battery {
    /// Charge left, 1 when full.
    pub charge: f64,
    /// Current drawn, in A.
    pub current_a: f64,
    /// Drawn since full, in Ah.
    pub consumed_ah: f64,
    /// Voltage of each cell, in V.
    pub cells_v: [f64; CELLS],
    /// Temperature in °C.
    pub temperature_c: f64,
    offsets_v: [f64; CELLS],
    factor: f64,
}

impl Battery {
    /// A full pack with a spread of 3 mV between cells.
    pub fn new(random: &mut Random) -> Self {
        let offsets_v = std::array::from_fn(|_| random.normal(0.003));
        let mut pack = Self { offsets_v, factor: 1.0, ..Self::default() };
        pack.recharge();
        pack
    }

    /// Full again and cool.
    pub fn recharge(&mut self) {
        (self.charge, self.consumed_ah, self.temperature_c) = (0.98, 0.0, 21.0);
        self.step(0.0, 0.0);
    }

    /// Multiplies the resistance of a new pack.
    pub fn set_resistance_factor(&mut self, factor: f64) {
        self.factor = factor;
    }

    /// Resistance of the pack, in ohms.
    pub fn resistance_ohm(&self) -> f64 {
        CELL_OHM * CELLS as f64 * self.factor
    }

    /// Draws `current_a` for `dt_s`.
    pub fn step(&mut self, current_a: f64, dt_s: f64) {
        self.current_a = current_a;
        self.consumed_ah += current_a * dt_s / 3600.0;
        self.charge = (self.charge - current_a * dt_s / 3600.0 / CAPACITY_AH).clamp(0.0, 1.0);
        let heat_w = current_a * current_a * self.resistance_ohm();
        self.temperature_c += (heat_w / 2500.0 - (self.temperature_c - 21.0) / 1200.0) * dt_s;
        let place = self.charge * 10.0;
        let index = (place as usize).min(9);
        let open = OPEN_V[index] + (OPEN_V[index + 1] - OPEN_V[index]) * (place - index as f64);
        for (cell, offset) in self.cells_v.iter_mut().zip(&self.offsets_v) {
            *cell = open + offset - current_a * CELL_OHM * self.factor;
        }
    }

    /// Voltage at the terminals.
    pub fn voltage_v(&self) -> f64 {
        self.cells_v.iter().sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sags_by_current_times_resistance() {
        let mut pack = Battery::new(&mut Random::new(2));
        let rest = pack.voltage_v();
        pack.step(40.0, 0.0);
        assert!((rest - pack.voltage_v() - 40.0 * 0.0264).abs() < 1e-9);
        pack.set_resistance_factor(2.0);
        pack.step(40.0, 0.0);
        assert!((rest - pack.voltage_v() - 40.0 * 0.0528).abs() < 1e-9);
    }

    #[test]
    fn an_hour_at_half_the_capacity_takes_half_the_charge() {
        let mut pack = Battery::new(&mut Random::new(2));
        for _ in 0..3600 {
            pack.step(11.0, 1.0);
        }
        assert!((pack.charge - 0.48).abs() < 1e-9 && (pack.consumed_ah - 11.0).abs() < 1e-9);
    }
}
