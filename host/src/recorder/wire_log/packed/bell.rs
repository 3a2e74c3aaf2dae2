//! Shares for whole numbers that scatter like a bell curve, at spreads a quarter of an octave apart.
//!
//! Everything here is whole-number arithmetic from constants: the same table on every machine, for ever, or old
//! recordings could not be read.

use std::sync::LazyLock;

use super::range::{RangeDecoder, RangeEncoder, TOTAL_BITS};

/// exp(−1/(2·s²)) in units of 2⁻³² for the spreads s = 2^(j/4 − 2), j = 0 to 19.
const NEIGHBOUR_SHARE: [u64; TABLES] = [
    1_440_801,
    15_004_422,
    78_665_070,
    253_857_248,
    581_260_615,
    1_044_178_424,
    1_580_030_169,
    2_117_713_904,
    2_605_029_347,
    3_015_876_649,
    3_344_923_893,
    3_599_040_369,
    3_790_295_335,
    3_931_635_878,
    4_034_748_382,
    4_109_287_957,
    4_162_825_044,
    4_201_101_925,
    4_228_380_000,
    4_247_775_344,
];

/// Spreads below eight have a table each.
const TABLES: usize = 20;

/// Wider spreads use the last four tables on numbers without their lowest bits.
const TABLES_AN_OCTAVE: usize = 4;

/// The widest spread: 2^24 or so.
pub(super) const SPREADS: usize = 116;

/// Where a symbol is looked for begins to be known from this many bits of its share.
const LOOKUP_BITS: u32 = 9;

/// One spread's table. Symbol 0 is the escape; symbol k stands for the number k − 1 − `reach`.
struct Table {
    reach: i64,
    /// Where the shares of each symbol begin; one past the last stands at the end.
    starts: Vec<u16>,
    /// The first symbol that a share with these leading bits can belong to.
    lookup: Vec<u8>,
    /// What a symbol costs, in 1/256 of a bit.
    costs: Vec<u32>,
}

static BELLS: LazyLock<Vec<Table>> =
    LazyLock::new(|| NEIGHBOUR_SHARE.iter().map(|first| Table::new(*first)).collect());

impl Table {
    fn new(first: u64) -> Self {
        // weight(k + 1) = weight(k) · ratio(k), and ratio(k + 1) = ratio(k) · first².
        let one = 1_u64 << 32;
        let step = (first * first) >> 32;
        let mut weights = vec![one];
        let (mut weight, mut ratio) = (one, first);
        loop {
            weight = (weight * ratio) >> 32;
            ratio = (ratio * step) >> 32;
            // Beyond a millionth of the middle's share nothing is gained over the escape.
            if weight < one >> 20 {
                break;
            }
            weights.push(weight);
        }
        let reach = weights.len() - 1;
        let sum: u64 = weights[0] + 2 * weights[1..].iter().sum::<u64>();
        let symbols = 2 * reach + 2;
        // Every symbol has one share for sure; the rest go by weight, and what rounding leaves to the middle.
        let free = (1_u64 << TOTAL_BITS) - symbols as u64;
        let mut shares = vec![1_u32; symbols];
        for (k, weight) in weights.iter().enumerate() {
            let share = (free * (weight >> 8) / (sum >> 8)) as u32;
            shares[1 + reach + k] += share;
            if k > 0 {
                shares[1 + reach - k] += share;
            }
        }
        let given: u32 = shares.iter().sum();
        shares[1 + reach] += (1 << TOTAL_BITS) - given;
        let mut starts = Vec::with_capacity(symbols + 1);
        let mut start = 0;
        for share in &shares {
            starts.push(start as u16);
            start += share;
        }
        starts.push(start as u16);
        let lookup = (0..1_u32 << LOOKUP_BITS)
            .map(|lead| {
                let share = lead << (TOTAL_BITS - LOOKUP_BITS);
                (starts[1..].partition_point(|end| u32::from(*end) <= share)) as u8
            })
            .collect();
        let costs = shares
            .iter()
            .map(|share| ((f64::from(TOTAL_BITS) - f64::from(*share).log2()) * 256.0).round() as u32)
            .collect();
        Self {
            reach: reach as i64,
            starts,
            lookup,
            costs,
        }
    }

    fn symbol(&self, number: i64) -> Option<usize> {
        (-self.reach..=self.reach)
            .contains(&number)
            .then(|| (number + self.reach + 1) as usize)
    }

    fn shares(&self, symbol: usize) -> (u32, u32) {
        let start = u32::from(self.starts[symbol]);
        (start, u32::from(self.starts[symbol + 1]) - start)
    }
}

/// A spread: its table, and how many of the lowest bits are written as they are.
#[derive(Clone, Copy)]
pub(super) struct Bell {
    table: &'static Table,
    plain_bits: u32,
}

impl Bell {
    /// The spread of this index, below [`SPREADS`].
    pub(super) fn new(index: usize) -> Self {
        let wider = (index + 1).saturating_sub(TABLES).div_ceil(TABLES_AN_OCTAVE);
        Self {
            table: &BELLS[(index - wider * TABLES_AN_OCTAVE).min(TABLES - 1)],
            plain_bits: wider as u32,
        }
    }

    /// The index whose spread is nearest to `spread`.
    pub(super) fn index_near(spread: f64) -> usize {
        (4.0 * (spread.max(1e-9).log2() + 2.0))
            .round()
            .clamp(0.0, (SPREADS - 1) as f64) as usize
    }

    fn split(self, number: i64) -> (i64, u64) {
        let raised = number + ((1_i64 << self.plain_bits) >> 1);
        (
            raised >> self.plain_bits,
            raised as u64 & ((1 << self.plain_bits) - 1),
        )
    }

    /// What `number` costs, in 1/256 of a bit.
    pub(super) fn cost(self, number: i64) -> u32 {
        let (lead, _) = self.split(number);
        match self.table.symbol(lead) {
            Some(symbol) => self.table.costs[symbol] + 256 * self.plain_bits,
            None => self.table.costs[0] + 256 * (2 * zigzag(number).max(1).ilog2() + 1),
        }
    }

    pub(super) fn put(self, number: i64, encoder: &mut RangeEncoder) {
        let (lead, rest) = self.split(number);
        match self.table.symbol(lead) {
            Some(symbol) => {
                let (start, share) = self.table.shares(symbol);
                encoder.put(start, share);
                encoder.put_plain(rest, self.plain_bits);
            }
            None => {
                let (start, share) = self.table.shares(0);
                encoder.put(start, share);
                encoder.put_gamma(zigzag(number));
            }
        }
    }

    /// `None` when the bytes hold no number.
    pub(super) fn take(self, decoder: &mut RangeDecoder<'_>) -> Option<i64> {
        let share = decoder.share();
        let mut symbol = usize::from(self.table.lookup[(share >> (TOTAL_BITS - LOOKUP_BITS)) as usize]);
        while u32::from(self.table.starts[symbol + 1]) <= share {
            symbol += 1;
        }
        let (start, count) = self.table.shares(symbol);
        decoder.take(start, count);
        if symbol == 0 {
            return decoder.take_gamma().map(unzigzag);
        }
        let lead = symbol as i64 - 1 - self.table.reach;
        let rest = decoder.take_plain(self.plain_bits) as i64;
        Some((lead << self.plain_bits) + rest - ((1_i64 << self.plain_bits) >> 1))
    }
}

/// Whole numbers to natural ones: 0, −1, 1, −2, … become 0, 1, 2, 3, …
pub(super) const fn zigzag(number: i64) -> u64 {
    ((number << 1) ^ (number >> 63)) as u64
}

pub(super) const fn unzigzag(natural: u64) -> i64 {
    (natural >> 1) as i64 ^ -((natural & 1) as i64)
}
