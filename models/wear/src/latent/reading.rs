//! From depth to what is read: tables over the logarithm of depth against the depth that catches.

use super::nodes::normal_cdf;

/// Grades apart: 0, 1, 2, and 3 together with 4, which speaks of plating as much as of depth.
pub(crate) const GRADES: usize = 4;
const FROM: f64 = -8.0;
const TO: f64 = 5.0;
const PER_UNIT: f64 = 48.0;
const SIZE: usize = ((TO - FROM) * PER_UNIT) as usize + 2;

/// How grades are read.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Eye {
    /// Logarithm of the depths at which grades 1, 2 and 3 begin, against the depth that catches.
    pub(crate) edges: [f64; 3],
    /// Standard deviation of an edge from reading to reading, on the logarithm.
    pub(crate) blur: f64,
    /// Chance to read one grade too low and too high at a station.
    pub(crate) station: (f64, f64),
    /// The same for a grade that speaks for the whole tube.
    pub(crate) whole: (f64, f64),
    /// Chance of a slip of the pen: any grade as likely as another.
    pub(crate) slip: f64,
}

/// A function of x, tabulated.
#[derive(Debug, Clone)]
pub(crate) struct Table(Vec<f64>);

impl Table {
    /// Linear between its points, constant beyond.
    #[inline]
    pub(crate) fn at(&self, x: f64) -> f64 {
        let (below, share) = place(x);
        let (low, high) = (self.0[below], self.0[below + 1]);
        low + share * (high - low)
    }
}

/// The point of the table below x, and how far x lies on the way to the next.
#[inline]
fn place(x: f64) -> (usize, f64) {
    let place = ((x - FROM) * PER_UNIT).clamp(0.0, (SIZE - 2) as f64);
    let below = place as usize;
    (below, place - below as f64)
}

/// All tables of an [`Eye`].
#[derive(Debug, Clone)]
pub(crate) struct Tables {
    /// Chance that a station reads each grade.
    pub(crate) station: [Table; GRADES],
    /// Chance that the blurred grade is each grade or less (the last is 1 and left out).
    up_to: Vec<[f64; GRADES - 1]>,
    /// Chance to read a grade (outer) where the blurred worst grade is another (inner).
    pub(crate) whole: [[f64; GRADES]; GRADES],
}

impl Tables {
    pub(crate) fn new(eye: &Eye) -> Tables {
        let misread_station = misread(eye.station, eye.slip);
        let grid = (0..SIZE).map(|i| FROM + i as f64 / PER_UNIT);
        let cumulative: Vec<[f64; GRADES]> = grid
            .map(|x| {
                let up_to = eye.edges.map(|edge| normal_cdf((edge - x) / eye.blur));
                [up_to[0], up_to[1], up_to[2], 1.0]
            })
            .collect();
        let station = std::array::from_fn(|read| {
            let chance = |up_to: &[f64; GRADES]| {
                (0..GRADES)
                    .map(|grade| {
                        let below = if grade > 0 { up_to[grade - 1] } else { 0.0 };
                        misread_station[read][grade] * (up_to[grade] - below).max(0.0)
                    })
                    .sum()
            };
            Table(cumulative.iter().map(chance).collect())
        });
        let up_to = cumulative.iter().map(|up_to| [up_to[0], up_to[1], up_to[2]]).collect();
        Tables { station, up_to, whole: misread(eye.whole, eye.slip) }
    }

    /// Chance that the blurred grade is each grade or less.
    #[inline]
    pub(crate) fn up_to(&self, x: f64) -> [f64; GRADES - 1] {
        let (below, share) = place(x);
        let (low, high) = (&self.up_to[below], &self.up_to[below + 1]);
        std::array::from_fn(|grade| low[grade] + share * (high[grade] - low[grade]))
    }

    /// What a look needs of a place, in one table: see [`PlaceReads`].
    pub(crate) fn place_reads(&self, limit: usize) -> PlaceReads {
        let below = |at: usize| self.station[..limit].iter().map(|table| table.0[at]).sum();
        PlaceReads(self.up_to.iter().enumerate().map(|(at, [a, b, c])| [*a, *b, *c, below(at)]).collect())
    }
}

/// By x: the chance that the blurred grade of a place is each grade or less, and last the chance that it is read below the
/// limit. Scores look here some hundred thousand times for a fleet, so that all of it lies in one line of memory.
#[derive(Debug, Clone)]
pub(crate) struct PlaceReads(Vec<[f64; GRADES]>);

impl PlaceReads {
    #[inline]
    pub(crate) fn at(&self, x: f64) -> [f64; GRADES] {
        let (below, share) = place(x);
        let (low, high) = (&self.0[below], &self.0[below + 1]);
        std::array::from_fn(|part| low[part] + share * (high[part] - low[part]))
    }
}

/// `[read][true]`, columns adding up to 1.
fn misread((too_low, too_high): (f64, f64), slip: f64) -> [[f64; GRADES]; GRADES] {
    let mut chances = [[slip / GRADES as f64; GRADES]; GRADES];
    for grade in 0..GRADES {
        let low = if grade > 0 { too_low } else { 0.0 };
        let high = if grade + 1 < GRADES { too_high } else { 0.0 };
        if grade > 0 {
            chances[grade - 1][grade] += (1.0 - slip) * low;
        }
        if grade + 1 < GRADES {
            chances[grade + 1][grade] += (1.0 - slip) * high;
        }
        chances[grade][grade] += (1.0 - slip) * (1.0 - low - high);
    }
    chances
}
