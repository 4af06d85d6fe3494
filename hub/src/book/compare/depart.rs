//! What departs from the usual, with a bound on false findings. Numbers in, numbers out.
//!
//! Each cell (a channel in a short piece of time) of a warm-up is held against the same cell of earlier ones by a t-test for
//! one new value: were it drawn like the earlier n, then (x - mean) / (sd * sqrt(1 + 1/n)) follows Student's t with n - 1
//! degrees of freedom. Many cells are looked at, so some would always stand out by chance. What people read is "this channel
//! departs", so that is what is controlled, in two stages (Benjamini and Bogomolov 2014, J. R. Stat. Soc. B 76:297):
//!
//! 1. each channel's cells are put together into one chance by the rule of Simes (1986, Biometrika 73:751), and the procedure
//!    of Benjamini and Hochberg (1995, J. R. Stat. Soc. B 57:289) picks channels so that, of those named, a share of no more
//!    than `q` is expected to be named by chance;
//! 2. within a channel that is named, the same procedure picks cells, at `q` times the share of channels named.
//!
//! Both are proved for independent tests and for positively dependent ones (Benjamini and Yekutieli 2001, Ann. Stat. 29:1165);
//! readings that follow one another are of the second kind. The tests below play it through. Picking cells over all channels
//! at once would not do: a long true departure then lets in chance cells elsewhere, each a line of its own to the reader.

use crate::figures::robust::{quantile_of_sorted, student_t_within};

/// Fewest earlier values that a cell is judged by.
pub const FEWEST: usize = 4;
/// Cells of one departure may be this far apart.
const BRIDGE: usize = 2;

/// One channel of several warm-ups in cells of equal time; none where there was no reading.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Laid {
    /// The warm-up in question.
    pub this: Vec<Option<f64>>,
    /// Earlier ones, each with as many cells.
    pub earlier: Vec<Vec<Option<f64>>>,
    /// The standard deviation is taken to be at least this: what the sensor can tell apart.
    pub floor: f64,
}

/// What is usual in a cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Usual {
    /// How many earlier values there are.
    pub count: usize,
    /// Tenth part of them below this, by interpolation.
    pub low: f64,
    /// Their median.
    pub median: f64,
    /// Tenth part of them above this.
    pub high: f64,
    mean: f64,
    sd: f64,
}

/// Cells in a row in which a channel departs to one side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Departure {
    /// The channel's place among those given.
    pub channel: usize,
    /// First cell.
    pub from: usize,
    /// Last cell.
    pub to: usize,
    /// The cell in which it departs farthest, measured by what is usual there.
    pub worst: usize,
    /// How much, over all its cells: what departures are ranked by.
    pub weight: f64,
}

impl Laid {
    /// What is usual in a cell; none without earlier values.
    pub fn usual(&self, cell: usize) -> Option<Usual> {
        let mut values: Vec<f64> = self
            .earlier
            .iter()
            .filter_map(|cells| *cells.get(cell)?)
            .collect();
        if values.is_empty() {
            return None;
        }
        values.sort_by(f64::total_cmp);
        let count = values.len();
        let mean = values.iter().sum::<f64>() / count as f64;
        let square = values
            .iter()
            .map(|value| (value - mean).powi(2))
            .sum::<f64>();
        Some(Usual {
            count,
            low: quantile_of_sorted(&values, 0.1),
            median: quantile_of_sorted(&values, 0.5),
            high: quantile_of_sorted(&values, 0.9),
            mean,
            sd: (square / (count.max(2) - 1) as f64).sqrt().max(self.floor),
        })
    }

    /// How far the warm-up in question is off in a cell, and how likely chance is to do that.
    fn test(&self, cell: usize) -> Option<(f64, f64)> {
        let usual = self.usual(cell).filter(|usual| usual.count >= FEWEST)?;
        let this = (*self.this.get(cell)?)?;
        let t = (this - usual.mean) / (usual.sd * (1.0 + 1.0 / usual.count as f64).sqrt());
        // Zero spread and zero floor: the same as always is no departure, anything else cannot be judged.
        t.is_finite()
            .then(|| (t, 1.0 - student_t_within(t.abs(), usual.count - 1)))
    }
}

/// What departs, the weightiest first. Of the channels that come in it, a share of `q` is expected to be there by chance.
pub fn departures(channels: &[Laid], q: f64) -> Vec<Departure> {
    let tests: Vec<Vec<(usize, f64, f64)>> = channels
        .iter()
        .map(|laid| {
            (0..laid.this.len())
                .filter_map(|cell| laid.test(cell).map(|(t, p)| (cell, t, p)))
                .collect()
        })
        .collect();
    let tested: Vec<(usize, f64)> = tests
        .iter()
        .enumerate()
        .filter_map(|(channel, tests)| Some((channel, simes(&chances(tests))?)))
        .collect();
    let Some(below) = benjamini_hochberg(tested.iter().map(|(_, p)| *p).collect(), q) else {
        return Vec::new();
    };
    let named: Vec<usize> = tested
        .iter()
        .filter(|(_, p)| *p <= below)
        .map(|(channel, _)| *channel)
        .collect();
    let share = named.len() as f64 / tested.len() as f64;
    let mut found = Vec::new();
    for channel in named {
        // Simes' rule names a channel only if some of its cells pass here at full `q`; at a smaller share it may be none.
        if let Some(below) = benjamini_hochberg(chances(&tests[channel]), q * share) {
            found.extend(joined(
                channel,
                tests[channel].iter().filter(|(.., p)| *p <= below),
            ));
        }
    }
    found.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    found
}

fn chances(tests: &[(usize, f64, f64)]) -> Vec<f64> {
    tests.iter().map(|(.., p)| *p).collect()
}

/// The chance of several tests taken together, by the rule of Simes; none of none.
fn simes(chances: &[f64]) -> Option<f64> {
    let mut sorted = chances.to_vec();
    sorted.sort_by(f64::total_cmp);
    let count = sorted.len() as f64;
    sorted
        .iter()
        .enumerate()
        .map(|(n, p)| p * count / (n + 1) as f64)
        .reduce(f64::min)
}

/// The highest chance that is still a finding, by Benjamini and Hochberg; none when nothing is.
fn benjamini_hochberg(mut chances: Vec<f64>, q: f64) -> Option<f64> {
    chances.sort_by(f64::total_cmp);
    let count = chances.len() as f64;
    chances
        .iter()
        .enumerate()
        .rev()
        .find(|(n, p)| **p <= (*n + 1) as f64 * q / count)
        .map(|(_, p)| *p)
}

/// Cells close together on the same side, as departures.
fn joined<'a>(
    channel: usize,
    cells: impl Iterator<Item = &'a (usize, f64, f64)>,
) -> Vec<Departure> {
    let mut found: Vec<(Departure, f64)> = Vec::new();
    for (cell, t, _) in cells {
        match found.last_mut() {
            Some((last, worst)) if *cell - last.to <= BRIDGE && (*worst > 0.0) == (*t > 0.0) => {
                last.to = *cell;
                last.weight += t.abs();
                if t.abs() > worst.abs() {
                    (last.worst, *worst) = (*cell, *t);
                }
            }
            _ => {
                let new = Departure {
                    channel,
                    from: *cell,
                    to: *cell,
                    worst: *cell,
                    weight: t.abs(),
                };
                found.push((new, *t));
            }
        }
    }
    found.into_iter().map(|(departure, _)| departure).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng, rngs::SmallRng};
    use rand_distr::{Distribution, StandardNormal};

    /// A warm-up's channels: a rise that is the same each time, an offset and a slope of its own, and noise that lasts.
    fn play(rng: &mut SmallRng, channels: usize, cells: usize) -> Vec<Vec<Option<f64>>> {
        let normal = |rng: &mut SmallRng| -> f64 { StandardNormal.sample(rng) };
        (0..channels)
            .map(|_| {
                let (offset, slope, mut noise) = (normal(rng), normal(rng) * 0.02, 0.0);
                (0..cells)
                    .map(|cell| {
                        noise = 0.8 * noise + normal(rng);
                        let gone = rng.random_range(0.0..1.0) < 0.02;
                        (!gone)
                            .then_some(100.0 + cell as f64 + offset + slope * cell as f64 + noise)
                    })
                    .collect()
            })
            .collect()
    }

    fn laid(this: Vec<Vec<Option<f64>>>, earlier: &[Vec<Vec<Option<f64>>>]) -> Vec<Laid> {
        let of = |(n, this): (usize, Vec<Option<f64>>)| Laid {
            this,
            earlier: earlier.iter().map(|warmup| warmup[n].clone()).collect(),
            floor: 0.01,
        };
        this.into_iter().enumerate().map(of).collect()
    }

    /// With nothing wrong, every finding is false; the share of comparisons with any must stay near q.
    #[test]
    fn chance_is_rarely_reported() {
        let mut rng = SmallRng::seed_from_u64(11);
        for earlier in [5, 10, 20] {
            let rounds = 300;
            let false_finds = (0..rounds)
                .filter(|_| {
                    let past: Vec<_> = (0..earlier).map(|_| play(&mut rng, 6, 60)).collect();
                    !departures(&laid(play(&mut rng, 6, 60), &past), 0.05).is_empty()
                })
                .count();
            let share = false_finds as f64 / rounds as f64;
            println!(
                "{earlier} earlier: {:.1} % of sound warm-ups have a finding",
                share * 100.0
            );
            // q and three standard errors of 300 throws.
            assert!(
                share <= 0.05 + 3.0 * (0.05f64 * 0.95 / rounds as f64).sqrt(),
                "{share}"
            );
        }
    }

    #[test]
    fn what_is_off_is_found_where_it_is() {
        let mut rng = SmallRng::seed_from_u64(12);
        let rounds = 300;
        let (mut first, mut shares) = (0, 0.0);
        for _ in 0..rounds {
            let past: Vec<_> = (0..8).map(|_| play(&mut rng, 6, 60)).collect();
            let mut this = play(&mut rng, 6, 60);
            for cell in this[3][20..30].iter_mut().flatten() {
                *cell -= 25.0;
            }
            let found = departures(&laid(this, &past), 0.05);
            let hit = |departure: &&Departure| {
                departure.channel == 3 && departure.from <= 29 && departure.to >= 20
            };
            first += usize::from(found.first().as_ref().is_some_and(hit));
            let channels: std::collections::BTreeSet<usize> =
                found.iter().map(|departure| departure.channel).collect();
            let by_chance = channels.iter().filter(|channel| **channel != 3).count();
            shares += by_chance as f64 / channels.len().max(1) as f64;
        }
        let share = shares / rounds as f64;
        println!(
            "found first in {first} of {rounds}; {:.1} % of the channels named were named by chance, on the average",
            share * 100.0
        );
        // q and three standard errors, as above.
        assert!(
            first >= rounds * 95 / 100
                && share <= 0.05 + 3.0 * (0.05f64 * 0.95 / rounds as f64).sqrt(),
            "{first}, {share}"
        );
    }

    #[test]
    fn too_few_earlier_ones_find_nothing() {
        let mut laid = Laid {
            this: vec![Some(1e9)],
            earlier: vec![vec![Some(1.0)]; FEWEST - 1],
            floor: 0.1,
        };
        assert_eq!(departures(std::slice::from_ref(&laid), 0.05), vec![]);
        laid.earlier.push(vec![Some(1.0)]);
        assert_eq!(departures(&[laid], 0.05).len(), 1);
        assert_eq!(departures(&[], 0.05), vec![]);
    }
}
