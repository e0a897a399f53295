//! Small symmetric matrices: factor, solve, invert.

use ndarray::Array2;

/// A Cholesky factor `A = L L'`, L lower triangular.
pub(crate) struct Cholesky {
    lower: Array2<f64>,
}

impl Cholesky {
    /// Factors a symmetric matrix, or returns the index of the first pivot that is not positive.
    pub(crate) fn of(matrix: &Array2<f64>) -> Result<Cholesky, usize> {
        let n = matrix.nrows();
        let mut lower = Array2::<f64>::zeros((n, n));
        for j in 0..n {
            let pivot = matrix[[j, j]] - (0..j).map(|k| lower[[j, k]] * lower[[j, k]]).sum::<f64>();
            // A pivot that is all rounding is no pivot.
            if pivot.is_nan() || pivot <= 1e-15 * matrix[[j, j]].abs() {
                return Err(j);
            }
            let root = pivot.sqrt();
            lower[[j, j]] = root;
            for i in j + 1..n {
                let sum: f64 = (0..j).map(|k| lower[[i, k]] * lower[[j, k]]).sum();
                lower[[i, j]] = (matrix[[i, j]] - sum) / root;
            }
        }
        Ok(Cholesky { lower })
    }

    /// What is left of the diagonal at `j` once the parameters before it are accounted for.
    pub(crate) fn pivot(&self, j: usize) -> f64 {
        self.lower[[j, j]] * self.lower[[j, j]]
    }

    /// Solves `A x = b`.
    pub(crate) fn solve(&self, b: &[f64]) -> Vec<f64> {
        let n = b.len();
        let mut x = b.to_vec();
        for i in 0..n {
            let sum: f64 = (0..i).map(|k| self.lower[[i, k]] * x[k]).sum();
            x[i] = (x[i] - sum) / self.lower[[i, i]];
        }
        for i in (0..n).rev() {
            let sum: f64 = (i + 1..n).map(|k| self.lower[[k, i]] * x[k]).sum();
            x[i] = (x[i] - sum) / self.lower[[i, i]];
        }
        x
    }

    /// Solves `L' x = b`: standard normal numbers become ones with covariance `A^-1`.
    pub(crate) fn solve_upper(&self, b: &[f64]) -> Vec<f64> {
        let n = b.len();
        let mut x = b.to_vec();
        for i in (0..n).rev() {
            let sum: f64 = (i + 1..n).map(|k| self.lower[[k, i]] * x[k]).sum();
            x[i] = (x[i] - sum) / self.lower[[i, i]];
        }
        x
    }

    /// Logarithm of the root of the determinant of A.
    pub(crate) fn ln_root_determinant(&self) -> f64 {
        self.lower.diag().iter().map(|root| root.ln()).sum()
    }

    /// The inverse of A, exactly symmetric.
    pub(crate) fn inverse(&self) -> Array2<f64> {
        let n = self.lower.nrows();
        let mut inverse = Array2::<f64>::zeros((n, n));
        for j in 0..n {
            let mut unit = vec![0.0; n];
            unit[j] = 1.0;
            for (i, value) in self.solve(&unit).into_iter().enumerate() {
                inverse[[i, j]] = value;
            }
        }
        (&inverse + &inverse.t()) / 2.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::array;

    #[test]
    fn the_inverse_of_a_known_matrix() {
        // By hand: [[2,1],[1,3]] has determinant 5.
        let inverse = Cholesky::of(&array![[2.0, 1.0], [1.0, 3.0]]).unwrap_or_else(|_| panic!()).inverse();
        let expected = array![[0.6, -0.2], [-0.2, 0.4]];
        assert!((&inverse - &expected).iter().all(|d| d.abs() < 1e-15), "{inverse}");
    }

    #[test]
    fn an_indefinite_matrix_is_refused_at_its_pivot() {
        assert_eq!(Cholesky::of(&array![[1.0, 2.0], [2.0, 1.0]]).err(), Some(1));
    }
}
