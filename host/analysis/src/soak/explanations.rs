//! Every way to explain a settling series, weighed: time constants and lag by adaptive cells.
//!
//! The logarithms of time constants and lag span a box, cut into cells. A cell stands for the parameters inside it,
//! weighs its volume times the evidence at its middle, and is halved along each axis as long as that makes a
//! difference. So a sharply defined time constant gets fine cells and a vague one keeps coarse ones, and the sum over
//! all cells is the integral over all parameters.

use std::collections::HashMap;

use super::regression::{Column, Gram};

/// Halvings of an axis at most.
const DEEPEST: u32 = 11;
/// A cell is settled along an axis when halving it changes its evidence by less than this (natural logarithm).
const SMOOTH: f64 = 0.35;
/// Cells looked at further in one pass, per class of explanation, even when they still look poor.
const BEAM: usize = 12;
/// Distance from the best, in natural logarithms, within which every cell is looked at further.
const CLOSE: f64 = 6.0;
/// A class whose best cell stays further behind than this is given up.
const HOPELESS: f64 = 60.0;

/// One axis of the parameter box: geometric from `first` to `last`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Axis {
    pub(crate) first: f64,
    pub(crate) last: f64,
    /// Cells along it to begin with, as a power of two.
    pub(crate) level: u32,
}

impl Axis {
    fn value(&self, place: Place) -> f64 {
        let share = (f64::from(place.index) + 0.5) / f64::from(1_u32 << place.level);
        self.first * (self.last / self.first).powf(share)
    }
}

/// A dyadic interval of an axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
struct Place {
    level: u32,
    index: u32,
}

impl Place {
    fn halves(self) -> [Self; 2] {
        [0, 1].map(|side| Self {
            level: self.level + 1,
            index: 2 * self.index + side,
        })
    }
}

/// One explanation: some exponentials and perhaps a lagged temperature, at the middle of a cell.
#[derive(Clone, Debug)]
pub(crate) struct Explanation {
    /// Columns of the regression: those always there, the exponentials, the lagged temperature.
    pub(crate) columns: Vec<usize>,
    /// Time constants of the exponentials, in seconds.
    pub(crate) time_constants_s: Vec<f64>,
    /// Lag behind the temperature, in seconds.
    pub(crate) lag_s: Option<f64>,
    /// Logarithm of prior probability of the cell.
    pub(crate) log_prior: f64,
    /// Logarithm of evidence times prior, under the noise last judged with.
    pub(crate) score: f64,
    places: Vec<Place>,
    settled: Vec<bool>,
    class: usize,
}

/// The columns of one series and how to make more of them.
pub(crate) struct Space<'a> {
    pub(crate) columns: Vec<Column>,
    pub(crate) always: usize,
    pub(crate) exponential: Axis,
    pub(crate) lag: Option<Axis>,
    /// Makes the column of an exponential of the given time constant.
    pub(crate) make_exponential: Box<dyn Fn(f64) -> Column + 'a>,
    /// Makes the column of the temperature at the given lag.
    pub(crate) make_lagged: Box<dyn Fn(f64) -> Column + 'a>,
    known: HashMap<(bool, Place), (usize, f64)>,
    /// Cells judged at most in one search.
    pub(crate) limit: usize,
}

/// Prior probability of none, one and two exponentials. Hardly anything that is switched on does not settle, and a
/// board seldom has a single time constant, even where a single one is all that shows.
const EXPONENTIALS: [f64; 3] = [0.15, 0.47, 0.38];
/// Least ratio of two time constants that count as two.
const APART: f64 = 1.8;

impl<'a> Space<'a> {
    pub(crate) fn new(
        columns: Vec<Column>,
        exponential: Axis,
        lag: Option<Axis>,
        make_exponential: Box<dyn Fn(f64) -> Column + 'a>,
        make_lagged: Box<dyn Fn(f64) -> Column + 'a>,
        limit: usize,
    ) -> Self {
        let always = columns.len();
        Self {
            columns,
            always,
            exponential,
            lag,
            make_exponential,
            make_lagged,
            known: HashMap::new(),
            limit,
        }
    }

    fn column(&mut self, is_lag: bool, place: Place) -> (usize, f64) {
        if let Some(&known) = self.known.get(&(is_lag, place)) {
            return known;
        }
        let (value, column) = match self.lag.filter(|_| is_lag) {
            Some(axis) => {
                let lag = axis.value(place);
                (lag, (self.make_lagged)(lag))
            }
            None => {
                let tau = self.exponential.value(place);
                (tau, (self.make_exponential)(tau))
            }
        };
        self.columns.push(column);
        let entry = (self.columns.len() - 1, value);
        self.known.insert((is_lag, place), entry);
        entry
    }

    /// The explanation at `places`; `None` when its two time constants are one.
    fn explanation(
        &mut self,
        class: usize,
        places: Vec<Place>,
        settled: Vec<bool>,
        log_prior: f64,
    ) -> Option<Explanation> {
        let exponentials = class % 3;
        let mut columns: Vec<usize> = (0..self.always).collect();
        let mut time_constants_s = Vec::with_capacity(exponentials);
        let mut lag_s = None;
        for (axis, &place) in places.iter().enumerate() {
            let (column, value) = self.column(axis >= exponentials, place);
            columns.push(column);
            if axis < exponentials {
                time_constants_s.push(value);
            } else {
                lag_s = Some(value);
            }
        }
        if exponentials == 2 && time_constants_s[1] < APART * time_constants_s[0] {
            return None;
        }
        Some(Explanation {
            columns,
            time_constants_s,
            lag_s,
            log_prior,
            score: f64::NAN,
            places,
            settled,
            class,
        })
    }

    /// All cells of all classes at the coarsest level, their prior probabilities adding to one.
    fn coarsest(&mut self) -> Vec<Explanation> {
        let mut all = Vec::new();
        let line = |axis: Axis| {
            (0..1_u32 << axis.level).map(move |index| Place {
                level: axis.level,
                index,
            })
        };
        let classes: &[(usize, f64)] = if self.lag.is_some() {
            &[(3, 1.0)]
        } else {
            &[(0, 1.0)]
        };
        for &(offset, follows) in classes {
            for (exponentials, likely) in EXPONENTIALS.iter().enumerate() {
                let mut boxes: Vec<Vec<Place>> = vec![Vec::new()];
                for axis in 0..exponentials + usize::from(offset == 3) {
                    let axis = if axis < exponentials {
                        self.exponential
                    } else {
                        self.lag.unwrap_or(self.exponential)
                    };
                    boxes = boxes
                        .into_iter()
                        .flat_map(|places| {
                            line(axis).map(move |place| places.iter().copied().chain([place]).collect())
                        })
                        .collect();
                }
                let mut cells: Vec<Explanation> = boxes
                    .into_iter()
                    .filter_map(|places| {
                        let settled = vec![false; places.len()];
                        self.explanation(offset + exponentials, places, settled, 0.0)
                    })
                    .collect();
                let each = (likely * follows / cells.len() as f64).ln();
                cells.iter_mut().for_each(|cell| cell.log_prior = each);
                all.extend(cells);
            }
        }
        all
    }

    /// Judges one explanation under the noise of `gram`.
    pub(crate) fn judge(&self, gram: &mut Gram, explanation: &mut Explanation) {
        explanation.score = gram
            .fit(&self.columns, &explanation.columns)
            .map_or(f64::NEG_INFINITY, |fit| fit.log_evidence + explanation.log_prior);
    }

    /// Cells fine enough that their sum stands for the integral, under the noise of `gram`.
    pub(crate) fn explore(&mut self, gram: &mut Gram) -> Vec<Explanation> {
        let mut cells = self.coarsest();
        for cell in &mut cells {
            self.judge(gram, cell);
        }
        let mut judged = cells.len();
        loop {
            let chosen = unsettled(&cells);
            if chosen.is_empty() || judged > self.limit {
                return cells;
            }
            let mut fresh = Vec::with_capacity(2 * chosen.len());
            let mut gone = vec![false; cells.len()];
            for number in chosen {
                gone[number] = true;
                let parent = &cells[number];
                // Coarsest unsettled axis first.
                let axis = (0..parent.places.len())
                    .filter(|&axis| !parent.settled[axis])
                    .min_by_key(|&axis| parent.places[axis].level)
                    .unwrap_or(0);
                let mut children: Vec<Explanation> = parent.places[axis]
                    .halves()
                    .into_iter()
                    .filter_map(|half| {
                        let mut places = parent.places.clone();
                        places[axis] = half;
                        let log_prior = parent.log_prior - std::f64::consts::LN_2;
                        self.explanation(parent.class, places, parent.settled.clone(), log_prior)
                    })
                    .collect();
                judged += children.len();
                for child in &mut children {
                    self.judge(gram, child);
                }
                let expected = parent.score - std::f64::consts::LN_2;
                let smooth = children.len() == 2
                    && children
                        .iter()
                        .all(|child| (child.score - expected).abs() < SMOOTH);
                for mut child in children {
                    child.settled[axis] = smooth || child.places[axis].level >= DEEPEST;
                    fresh.push(child);
                }
            }
            let mut stays = gone.iter().map(|gone| !gone);
            cells.retain(|_| stays.next().unwrap_or(true));
            cells.extend(fresh);
        }
    }
}

/// The cells to halve next.
fn unsettled(cells: &[Explanation]) -> Vec<usize> {
    let best = cells
        .iter()
        .map(|cell| cell.score)
        .fold(f64::NEG_INFINITY, f64::max);
    let mut chosen = Vec::new();
    for class in 0..6 {
        let mut members: Vec<usize> = (0..cells.len())
            .filter(|&k| cells[k].class == class && cells[k].score.is_finite())
            .collect();
        members.sort_by(|&a, &b| cells[b].score.total_cmp(&cells[a].score));
        let Some(&first) = members.first() else { continue };
        let top = cells[first].score;
        let finest = cells[first]
            .places
            .iter()
            .map(|place| place.level)
            .min()
            .unwrap_or(0);
        if finest > 7 && top < best - HOPELESS {
            continue;
        }
        let open = |&&k: &&usize| cells[k].settled.iter().any(|settled| !settled);
        let near = |k: usize| cells[k].score > top - CLOSE && cells[k].score > best - 2.0 * CLOSE;
        chosen.extend(
            members
                .iter()
                .enumerate()
                .filter(|(rank, k)| *rank < BEAM || near(**k))
                .map(|(_, k)| k)
                .filter(open)
                .copied(),
        );
    }
    chosen
}
