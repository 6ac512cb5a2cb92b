//! A robust regression of a feed's changes on those of the circuits.
//!
//! Loads without a CT move the feed too: to the regression they are outliers, some of them huge. So rows
//! are weighted as if the rest were spread by Student's law with few degrees of freedom, which gives a row
//! that fits nothing next to no weight (iterated least squares). A weak prior keeps what the data does not
//! tell (two CTs that always move alike) where the map has it, with the width of not knowing.
//!
//! Source of the method: iteratively reweighted least squares for a t-distributed error, common practice in
//! robust statistics, from memory.

use nalgebra::{Cholesky, DMatrix, DVector};

/// Degrees of freedom of the rest's law: heavy tails, and still a mean that can be estimated.
const NU: f64 = 2.0;
/// Rounds of weighting; it settles within ten.
const ROUNDS: usize = 25;
/// Width of the prior: a coefficient is −2 to 2 in all that a map can get wrong.
const PRIOR: f64 = 2.0;
/// A change of the circuits is itself known to about this part: CTs of class 1 and starting currents.
const PART: f64 = 0.015;

/// A change counts from so many deviations of its noise on (`gather`).
const NOISES: f64 = 6.0;

/// What is noise to this part tells nothing any more.
const BLURRED: f64 = 0.95;

/// Coefficients with their uncertainty.
#[derive(Clone, Debug)]
pub struct Fit {
    /// Estimates.
    pub mean: DVector<f64>,
    /// Inverse of their covariance.
    pub information: DMatrix<f64>,
    /// For each column: the weight of rows in which it moved, in whole rows.
    pub support: Vec<f64>,
    /// For each column: the part of its changes that may be its meter's own noise. A regression comes out too
    /// small by as much (errors in variables, common knowledge of statistics).
    pub blur: Vec<f64>,
    /// Deviation of the rest in W.
    pub rest_w: f64,
}

/// Rows of changes: `x` has `columns` values a row.
#[derive(Clone, Debug, Default)]
pub struct Rows {
    /// How many circuits' channels.
    pub columns: usize,
    /// Row after row.
    pub x: Vec<f64>,
    /// The feed's change, one a row.
    pub y: Vec<f64>,
    /// By column: a change above this is one.
    pub floor: Vec<f64>,
}

impl Rows {
    /// How many rows.
    pub fn len(&self) -> usize {
        self.y.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.y.is_empty()
    }

    fn row(&self, index: usize) -> &[f64] {
        &self.x[index * self.columns..(index + 1) * self.columns]
    }
}

/// Fits `y = x · b`, with `prior` as the mean of a weak prior for `b`.
pub fn fit(rows: &Rows, prior: &DVector<f64>) -> Fit {
    let k = rows.columns;
    let weak = DMatrix::identity(k, k) / (PRIOR * PRIOR);
    let mut mean = prior.clone();
    let mut information = weak.clone();
    let mut weights = vec![1.0; rows.len()];
    let own: Vec<f64> =
        (0..rows.len()).map(|n| rows.row(n).iter().map(|x| (PART * x).powi(2)).sum::<f64>()).collect();
    let mut rest: Vec<f64> = rows.y.clone();
    let mut scale = spread(&rest, None).max(1.0);
    // A start that outliers cannot pull away: many rounds with a law that shrinks to its final width.
    for round in 0..ROUNDS {
        if rows.is_empty() {
            break;
        }
        let widen = if round < 6 { 8.0_f64.powf(1.0 - round as f64 / 6.0) } else { 1.0 };
        let wide = scale * widen;
        let mut normal = weak.clone();
        let mut right = &weak * prior;
        for n in 0..rows.len() {
            let variance = wide * wide + own[n];
            weights[n] = (NU + 1.0) / (NU + rest[n] * rest[n] / variance) / variance;
            let row = rows.row(n);
            accumulate(&mut normal, &mut right, row, rows.y[n], weights[n]);
        }
        fill(&mut normal);
        let Some(solved) = Cholesky::new(normal.clone()) else { break };
        let next = solved.solve(&right);
        let moved = (&next - &mean).amax();
        mean = next;
        information = normal;
        for (n, rest) in rest.iter_mut().enumerate() {
            *rest = rows.y[n] - dot(rows.row(n), &mean);
        }
        scale = spread(&rest, Some(&own)).max(0.5);
        if round > 8 && moved < 1e-4 {
            break;
        }
    }
    // What the law's tails cost: its information is (ν + 1) / (ν + 3) of what the weights add up to.
    let information = &information * ((NU + 1.0) / (NU + 3.0));
    let full: Vec<f64> =
        (0..rows.len()).map(|n| weights[n] * (scale * scale + own[n]) * NU / (NU + 1.0)).collect();
    let support = (0..k)
        .map(|c| {
            let moved = (0..rows.len()).filter(|n| rows.row(*n)[c].abs() > rows.floor[c]);
            moved.map(|n| full[n].min(1.0)).sum()
        })
        .collect();
    let blur = (0..k).map(|c| blur(rows, &weights, c)).collect();
    Fit { mean, information, support, blur, rest_w: scale }
}

/// The part of a column's squared changes that its noise explains. Twice the square of its deviation, since the
/// smallest changes are left out of the rows: what is there of pure noise is the larger part of it.
fn blur(rows: &Rows, weights: &[f64], column: usize) -> f64 {
    // Where nothing moved there is no floor either.
    let floor = rows.floor.get(column).copied().unwrap_or(0.0);
    let noise = 2.0 * (floor / NOISES).powi(2);
    let moved = (0..rows.len()).map(|n| (weights[n], rows.row(n)[column])).filter(|(_, x)| *x != 0.0);
    let (all, own) = moved.fold((0.0, 0.0), |(all, own), (w, x)| (all + w * x * x, own + w * noise));
    if all > 0.0 { (own / all).min(BLURRED) } else { 0.0 }
}

fn dot(row: &[f64], b: &DVector<f64>) -> f64 {
    row.iter().zip(b.iter()).map(|(x, b)| x * b).sum()
}

/// Adds one weighted row to the upper half of the normal equations. Most circuits rest in most rows.
fn accumulate(normal: &mut DMatrix<f64>, right: &mut DVector<f64>, row: &[f64], y: f64, weight: f64) {
    for (i, x) in row.iter().enumerate().filter(|(_, x)| **x != 0.0) {
        let weighted = weight * x;
        right[i] += weighted * y;
        for (j, other) in row.iter().enumerate().skip(i).filter(|(_, x)| **x != 0.0) {
            normal[(i, j)] += weighted * other;
        }
    }
}

fn fill(normal: &mut DMatrix<f64>) {
    for i in 0..normal.nrows() {
        for j in 0..i {
            normal[(i, j)] = normal[(j, i)];
        }
    }
}

/// A robust deviation of what is left: the median magnitude times 1.4826, over the rows that are quiet
/// enough to tell.
fn spread(rest: &[f64], own: Option<&[f64]>) -> f64 {
    let mut sizes: Vec<f64> = match own {
        None => rest.iter().map(|r| r.abs()).collect(),
        Some(own) => {
            rest.iter().zip(own).map(|(r, own)| (r * r - own).max(0.0).sqrt().max(0.3 * r.abs())).collect()
        }
    };
    if sizes.is_empty() {
        return 1.0;
    }
    let middle = sizes.len() / 2;
    let (_, median, _) = sizes.select_nth_unstable_by(middle, f64::total_cmp);
    1.4826 * *median
}

/// Several fits of the same coefficients as one, each with a floor on how far its estimates can be trusted.
/// `None` stands for a coefficient that a fit does not have.
pub fn combine(fits: &[(Fit, f64)]) -> Option<Fit> {
    let (first, _) = fits.first()?;
    let k = first.mean.len();
    let mut information = DMatrix::zeros(k, k);
    let mut weighted = DVector::zeros(k);
    let (mut support, mut blur) = (vec![0.0; k], vec![1.0_f64; k]);
    let mut rest_w = f64::INFINITY;
    for (fit, floor) in fits {
        let covariance = Cholesky::new(fit.information.clone())?.inverse();
        // What is too small by a part of the truth is off by more than that part of itself. And of a few rows some
        // may be what a load without a CT did at the time: weights tell that only among many.
        let lost = |c: usize| {
            let blurred = fit.blur[c] / (1.0 - fit.blur[c]) * fit.mean[c];
            let scant = fit.support[c].powi(-2).min(PRIOR);
            floor * floor + blurred * blurred + scant * scant
        };
        let floored = covariance + DMatrix::from_diagonal(&DVector::from_fn(k, |c, _| lost(c)));
        let trusted = Cholesky::new(floored)?.inverse();
        weighted += &trusted * &fit.mean;
        information += trusted;
        for (sum, own) in support.iter_mut().zip(&fit.support) {
            *sum += own;
        }
        blur.iter_mut().zip(&fit.blur).for_each(|(least, own)| *least = least.min(*own));
        rest_w = rest_w.min(fit.rest_w);
    }
    let mean = Cholesky::new(information.clone())?.solve(&weighted);
    Some(Fit { mean, information, support, blur, rest_w })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A small generator of numbers in −1..1 (splitmix64), so that no test depends on chance.
    fn numbers(seed: u64) -> impl FnMut() -> f64 {
        let mut state = seed;
        move || {
            state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut z = state;
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
        }
    }

    #[test]
    fn without_a_row_the_prior_is_all_there_is() {
        let fitted = fit(&Rows { columns: 2, ..Rows::default() }, &DVector::from_vec(vec![1.0, 0.0]));
        assert_eq!(fitted.mean.as_slice(), [1.0, 0.0]);
        assert_eq!((fitted.support, fitted.blur), (vec![0.0; 2], vec![0.0; 2]));
    }

    #[test]
    fn coefficients_come_out_among_loads_without_a_ct() {
        let mut next = numbers(7);
        let truth = [1.0, -1.0, 2.0, 0.0];
        let mut rows = Rows { columns: 4, floor: vec![10.0; 4], ..Rows::default() };
        for n in 0..160 {
            let mut row = [0.0; 4];
            row[n % 4] = 300.0 * next();
            row[(n / 4) % 4] += 80.0 * next();
            let outlier = if n % 3 == 0 { 2_000.0 * next() } else { 0.0 };
            rows.y.push(row.iter().zip(truth).map(|(x, b)| x * b).sum::<f64>() + outlier + 2.0 * next());
            rows.x.extend(row);
        }
        let fit = fit(&rows, &DVector::from_element(4, 1.0));
        let covariance = Cholesky::new(fit.information.clone()).unwrap().inverse();
        for (n, truth) in truth.iter().enumerate() {
            let width = covariance[(n, n)].sqrt();
            assert!((fit.mean[n] - truth).abs() < 0.03, "{} {truth}", fit.mean[n]);
            assert!(width < 0.02 && fit.support[n] > 20.0, "{width} {}", fit.support[n]);
        }
    }

    #[test]
    fn what_the_data_does_not_tell_stays_where_the_map_has_it() {
        let mut rows = Rows { columns: 3, floor: vec![10.0; 3], ..Rows::default() };
        for n in 0..50 {
            let x = if n % 2 == 0 { 500.0 } else { -500.0 };
            // The first two always move alike, and half of their sum is what the feed sees; the third never moves.
            rows.x.extend([x, x, 0.0]);
            rows.y.push(x);
        }
        let prior = DVector::from_vec(vec![1.0, 0.0, 1.0]);
        let fit = fit(&rows, &prior);
        assert!((&fit.mean - &prior).amax() < 0.01, "{}", fit.mean);
        let covariance = Cholesky::new(fit.information).unwrap().inverse();
        assert!(covariance[(0, 0)] > 1.0 && covariance[(2, 2)] > 1.0);
        let sum = covariance[(0, 0)] + covariance[(1, 1)] + 2.0 * covariance[(0, 1)];
        assert!(sum < 0.01, "{sum}");
    }

    #[test]
    fn several_fits_weigh_by_what_they_know() {
        let one = |mean: f64, information: f64| Fit {
            mean: DVector::from_element(1, mean),
            information: DMatrix::from_element(1, 1, information),
            support: vec![1e6],
            blur: vec![0.0],
            rest_w: 1.0,
        };
        let both = combine(&[(one(1.0, 100.0), 0.0), (one(2.0, 1e9), 0.1)]).unwrap();
        assert!((both.mean[0] - 1.5).abs() < 1e-6, "{}", both.mean[0]);
        assert_eq!(both.support, [2e6]);
        // What rests on one row gives way to what rests on many.
        let scant = Fit { support: vec![1.0], ..one(2.0, 1e9) };
        let both = combine(&[(one(1.0, 100.0), 0.0), (scant, 0.0)]).unwrap();
        assert!((both.mean[0] - 1.0).abs() < 0.02, "{}", both.mean[0]);
        assert!(combine(&[]).is_none());
    }
}
