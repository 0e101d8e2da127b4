//! Small dense linear algebra: at most a dozen rows, so plain elimination and no library.

/// Pivots smaller than this times the largest element mean "singular".
const SINGULAR: f64 = 1e-10;

/// Solves `a` x = `b` by Gaussian elimination with partial pivoting; `None` if singular.
pub fn solve<const N: usize>(mut a: [[f64; N]; N], mut b: [f64; N]) -> Option<[f64; N]> {
    let scale = a.iter().flatten().fold(0.0f64, |m, v| m.max(v.abs()));
    for column in 0..N {
        let pivot = (column..N).max_by(|&i, &j| a[i][column].abs().total_cmp(&a[j][column].abs()))?;
        a.swap(column, pivot);
        b.swap(column, pivot);
        let pivot_row = a[column];
        let size = pivot_row[column].abs();
        if size.is_nan() || size <= SINGULAR * scale {
            return None;
        }
        for row in column + 1..N {
            let factor = a[row][column] / pivot_row[column];
            a[row].iter_mut().zip(pivot_row).skip(column).for_each(|(a, p)| *a -= factor * p);
            b[row] -= factor * b[column];
        }
    }
    for row in (0..N).rev() {
        let known: f64 = (row + 1..N).map(|k| a[row][k] * b[k]).sum();
        b[row] = (b[row] - known) / a[row][row];
    }
    Some(b)
}

/// Right pseudo-inverse Bᵀ(BBᵀ)⁻¹ of a wide matrix with `N` rows of full rank; as rows, one a column of B.
pub fn pseudo_inverse<const N: usize>(b: &[Vec<f64>; N]) -> Option<Vec<[f64; N]>> {
    let dot = |i: usize, j: usize| b[i].iter().zip(&b[j]).map(|(x, y)| x * y).sum::<f64>();
    // Rows of very different size (thrust, yaw in metres) are scaled to one before elimination.
    let mut size = [0.0; N];
    for (i, s) in size.iter_mut().enumerate() {
        *s = dot(i, i).sqrt();
        if s.is_nan() || *s <= 0.0 {
            return None;
        }
    }
    let mut gram = [[0.0; N]; N];
    for i in 0..N {
        for j in 0..N {
            gram[i][j] = dot(i, j) / (size[i] * size[j]);
        }
    }
    let columns = b.iter().map(Vec::len).min()?;
    (0..columns)
        .map(|motor| {
            let mut column = [0.0; N];
            for i in 0..N {
                column[i] = b[i][motor] / size[i];
            }
            let mut row = solve(gram, column)?;
            for i in 0..N {
                row[i] /= size[i];
            }
            Some(row)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn solves_and_refuses() {
        // By hand: x = 1, y = 2, z = 3.
        let x = solve([[0.0, 2.0, 1.0], [1.0, 1.0, 1.0], [2.0, 0.0, -1.0]], [7.0, 6.0, -1.0]).unwrap();
        for (got, want) in x.iter().zip([1.0, 2.0, 3.0]) {
            assert_relative_eq!(*got, want, epsilon = 1e-12);
        }
        assert_eq!(solve([[1.0, 2.0], [2.0, 4.0]], [1.0, 2.0]), None);
        assert_eq!(solve([[f64::NAN]], [1.0]), None);
    }

    #[test]
    fn pseudo_inverse_is_a_right_inverse_in_the_row_space() {
        let b = [vec![1.0, 1.0, 1.0, 1.0, 1.0], vec![0.3, -0.2, 0.1, 0.5, -0.4]];
        let inverse = pseudo_inverse(&b).unwrap();
        for (i, row) in b.iter().enumerate() {
            for j in 0..2 {
                let product: f64 = row.iter().zip(&inverse).map(|(x, y)| x * y[j]).sum();
                assert_relative_eq!(product, f64::from(u8::from(i == j)), epsilon = 1e-12);
            }
        }
        // Moore-Penrose: B⁺B is symmetric.
        let entry = |i: usize, j: usize| (0..2).map(|k| inverse[i][k] * b[k][j]).sum::<f64>();
        assert_relative_eq!(entry(0, 3), entry(3, 0), epsilon = 1e-12);
    }
}
