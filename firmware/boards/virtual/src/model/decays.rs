//! Two coupled decays taken apart: what the electrical and the thermal network have in common.

/// A matrix of two rows and columns.
pub(crate) type Matrix = [[f64; 2]; 2];

/// Splits `rest` into the matrix's two decays: rate and share of each. The matrix is similar to a symmetric one, so the
/// rates are real.
pub(crate) fn decays(matrix: Matrix, rest: [f64; 2]) -> [(f64, [f64; 2]); 2] {
    let [[a, b], [c, d]] = matrix;
    if b * c <= 0.0 {
        return [(a, [rest[0], 0.0]), (d, [0.0, rest[1]])];
    }
    let middle = f64::midpoint(a, d);
    let spread = ((a - d) / 2.0).hypot((b * c).sqrt());
    let (slow, fast) = (middle + spread, middle - spread);
    // Eigenvectors (b, rate - a); their first components are equal, so the shares follow from the second.
    let share_slow = (rest[1] - rest[0] * (fast - a) / b) / ((slow - fast) / b);
    let share_fast = rest[0] - share_slow;
    [
        (slow, [share_slow, share_slow * (slow - a) / b]),
        (fast, [share_fast, share_fast * (fast - a) / b]),
    ]
}
