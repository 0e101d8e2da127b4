//! Statistics and small linear algebra; no domain words.
//!
//! - [`robust`]: median, Hodges–Lehmann centre, MAD, quantile, modified z
//! - [`mod@mean`]: mean, standard deviation, standard error of an autocorrelated mean
//! - [`dense`]: small linear systems, pseudo-inverse

pub mod dense;
pub mod mean;
pub mod robust;
#[cfg(test)]
pub(crate) mod testing;

pub use mean::{autocorrelated_error, mean, sd};
pub use robust::{hodges_lehmann, mad, median, modified_z, quantile};
