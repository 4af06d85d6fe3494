//! Readings in rows and columns, and how they are packed. Pure: no file, no clock.
//!
//! A *row* is one batch of a source: one time, and a value for each channel that the batch had. Rows keep the order in
//! which the hub took them, also where times are equal or go back. They are packed by column:
//!
//! - the times of the rows, once for all channels, in microseconds since 1970 as `i64`;
//! - for each channel the numbers of the rows that it has a value in (left out when it has one in every row);
//! - for each channel its values as `f64`, bit for bit.
//!
//! The codec of all three is `pco` (lossless; it finds decimals, steps and constant differences by itself). Rows that
//! are not packed yet lie in the *tail* as plain little-endian numbers, because packing a quarter of a second at a time
//! would cost more bytes than it saves.

use std::collections::BTreeMap;

/// Effort of the codec, 0 to 12. 8 is its own default; higher gained under 1 % on real recordings.
const LEVEL: usize = 8;

/// One reading as the core hands it over: the channel's place in the car's list, microseconds since 1970 on the hub's
/// clock (mapped from the source's own time), and the value in the channel's unit.
pub type Reading = (usize, i64, f64);

/// Rows of readings by column.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Rows {
    /// The time of each row, in microseconds since 1970.
    pub times_us: Vec<i64>,
    /// Columns by the channel's place in the car's list.
    pub columns: BTreeMap<u16, Column>,
}

/// One channel's part of some rows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Column {
    /// The rows that it has a value in, ascending, counted from the first of these rows.
    pub rows: Vec<u32>,
    /// Its values, one for each of `rows`.
    pub values: Vec<f64>,
}

/// What cannot be unpacked.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Unreadable(pub String);

impl From<pco::errors::PcoError> for Unreadable {
    fn from(error: pco::errors::PcoError) -> Self {
        Self(error.to_string())
    }
}

impl Rows {
    /// How many rows there are.
    pub fn len(&self) -> usize {
        self.times_us.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.times_us.is_empty()
    }

    /// How many readings there are.
    pub fn readings(&self) -> usize {
        self.columns
            .values()
            .map(|column| column.values.len())
            .sum()
    }

    /// Earliest and latest time; none when there are no rows.
    pub fn span_us(&self) -> Option<(i64, i64)> {
        Some((*self.times_us.iter().min()?, *self.times_us.iter().max()?))
    }

    /// Adds one batch as a new row. Where the times within it differ, or a channel comes twice, it takes more rows.
    pub fn push(&mut self, batch: &[Reading]) {
        let mut first = true;
        for &(channel, t_us, value) in batch {
            let Ok(channel) = u16::try_from(channel) else {
                continue;
            };
            let here = self
                .columns
                .get(&channel)
                .and_then(|column| column.rows.last())
                .copied();
            let taken = here.is_some_and(|row| row as usize + 1 == self.len());
            if first || taken || self.times_us.last() != Some(&t_us) {
                self.times_us.push(t_us);
                first = false;
            }
            let row = (self.len() - 1) as u32;
            let column = self.columns.entry(channel).or_default();
            column.rows.push(row);
            column.values.push(value);
        }
    }

    /// Puts other rows after these.
    pub fn append(&mut self, other: &Rows) {
        let shift = self.len() as u32;
        self.times_us.extend_from_slice(&other.times_us);
        for (channel, theirs) in &other.columns {
            let ours = self.columns.entry(*channel).or_default();
            ours.rows.extend(theirs.rows.iter().map(|row| row + shift));
            ours.values.extend_from_slice(&theirs.values);
        }
    }

    /// These rows without the first so many.
    #[must_use]
    pub fn without_first(mut self, count: usize) -> Self {
        if count == 0 {
            return self;
        }
        self.times_us.drain(..count.min(self.len()));
        for column in self.columns.values_mut() {
            let gone = column.rows.partition_point(|row| (*row as usize) < count);
            column.rows.drain(..gone);
            column.values.drain(..gone);
            column.rows.iter_mut().for_each(|row| *row -= count as u32);
        }
        self.columns.retain(|_, column| !column.rows.is_empty());
        self
    }

    /// Calls `each` with every row in order: its time, and its values as channel and value, channels ascending.
    ///
    /// # Errors
    /// The first that `each` returns.
    pub fn each_row<E>(
        &self,
        mut each: impl FnMut(i64, &[(u16, f64)]) -> Result<(), E>,
    ) -> Result<(), E> {
        let mut next: Vec<(u16, &Column, usize)> = self
            .columns
            .iter()
            .map(|(channel, column)| (*channel, column, 0))
            .collect();
        let mut cells = Vec::with_capacity(next.len());
        for (row, time) in self.times_us.iter().enumerate() {
            cells.clear();
            for (channel, column, at) in &mut next {
                if column
                    .rows
                    .get(*at)
                    .is_some_and(|have| *have as usize == row)
                {
                    cells.push((*channel, column.values[*at]));
                    *at += 1;
                }
            }
            each(*time, &cells)?;
        }
        Ok(())
    }

    /// The rows as plain numbers, for the tail.
    pub fn to_tail(&self) -> Vec<u8> {
        let mut out = Vec::with_capacity(self.len() * 10 + self.readings() * 10);
        // Nothing in here can fail, hence the type that has no value.
        let done: Result<(), std::convert::Infallible> = self.each_row(|time, cells| {
            out.extend_from_slice(&time.to_le_bytes());
            out.extend_from_slice(&(cells.len() as u16).to_le_bytes());
            for (channel, value) in cells {
                out.extend_from_slice(&channel.to_le_bytes());
                out.extend_from_slice(&value.to_le_bytes());
            }
            Ok(())
        });
        let Ok(()) = done;
        out
    }

    /// Rows from the tail's plain numbers.
    ///
    /// # Errors
    /// When they break off in the middle of a row.
    pub fn from_tail(mut bytes: &[u8]) -> Result<Self, Unreadable> {
        fn take<const N: usize>(bytes: &mut &[u8]) -> Result<[u8; N], Unreadable> {
            let (head, rest) = bytes
                .split_first_chunk::<N>()
                .ok_or_else(|| Unreadable("the tail breaks off".to_owned()))?;
            *bytes = rest;
            Ok(*head)
        }
        let mut rows = Self::default();
        while !bytes.is_empty() {
            let time = i64::from_le_bytes(take(&mut bytes)?);
            let count = u16::from_le_bytes(take(&mut bytes)?);
            rows.times_us.push(time);
            let row = (rows.len() - 1) as u32;
            for _ in 0..count {
                let channel = u16::from_le_bytes(take(&mut bytes)?);
                let column = rows.columns.entry(channel).or_default();
                column.rows.push(row);
                column.values.push(f64::from_le_bytes(take(&mut bytes)?));
            }
        }
        Ok(rows)
    }
}

/// One channel's part of a block, packed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PackedColumn {
    /// How many values.
    pub count: usize,
    /// The numbers of its rows; absent when it has a value in every row of the block.
    pub rows: Option<Vec<u8>>,
    /// Its values.
    pub values: Vec<u8>,
}

fn pack<T: pco::data_types::Number>(numbers: &[T]) -> Result<Vec<u8>, Unreadable> {
    Ok(pco::standalone::simpler_compress(numbers, LEVEL)?)
}

fn unpack<T: pco::data_types::Number>(
    bytes: &[u8],
    count: usize,
    what: &str,
) -> Result<Vec<T>, Unreadable> {
    let numbers = pco::standalone::simple_decompress::<T>(bytes)?;
    if numbers.len() != count {
        return Err(Unreadable(format!(
            "{what}: {} numbers where {count} should be",
            numbers.len()
        )));
    }
    Ok(numbers)
}

/// Packs the times of rows.
///
/// # Errors
/// Only if the codec refuses its own configuration.
pub fn pack_times(times_us: &[i64]) -> Result<Vec<u8>, Unreadable> {
    pack(times_us)
}

/// Unpacks the times of `count` rows.
///
/// # Errors
/// When the bytes are not what [`pack_times`] made of that many.
pub fn unpack_times(bytes: &[u8], count: usize) -> Result<Vec<i64>, Unreadable> {
    unpack(bytes, count, "times")
}

impl Column {
    /// Packs the column of a block of `of_rows` rows.
    ///
    /// # Errors
    /// Only if the codec refuses its own configuration.
    pub fn pack(&self, of_rows: usize) -> Result<PackedColumn, Unreadable> {
        let rows = if self.rows.len() == of_rows {
            None
        } else {
            Some(pack(&self.rows)?)
        };
        Ok(PackedColumn {
            count: self.values.len(),
            rows,
            values: pack(&self.values)?,
        })
    }

    /// Unpacks the column of a block of `of_rows` rows.
    ///
    /// # Errors
    /// When the bytes are not what [`Column::pack`] made.
    pub fn unpack(packed: &PackedColumn, of_rows: usize) -> Result<Self, Unreadable> {
        let rows = match &packed.rows {
            Some(bytes) => unpack::<u32>(bytes, packed.count, "rows")?,
            None if packed.count == of_rows => (0..of_rows as u32).collect(),
            None => {
                return Err(Unreadable(format!(
                    "{} values for {of_rows} rows",
                    packed.count
                )));
            }
        };
        let ascending = rows.windows(2).all(|pair| pair[0] < pair[1]);
        if !ascending || rows.last().is_some_and(|last| *last as usize >= of_rows) {
            return Err(Unreadable("rows out of order".to_owned()));
        }
        Ok(Self {
            rows,
            values: unpack(&packed.values, packed.count, "values")?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn bits(rows: &Rows) -> Vec<(i64, Vec<(u16, u64)>)> {
        let mut all = Vec::new();
        let done: Result<(), ()> = rows.each_row(|time, cells| {
            all.push((
                time,
                cells
                    .iter()
                    .map(|(channel, value)| (*channel, value.to_bits()))
                    .collect(),
            ));
            Ok(())
        });
        done.unwrap();
        all
    }

    fn through_pack(rows: &Rows) -> Rows {
        let times_us = unpack_times(&pack_times(&rows.times_us).unwrap(), rows.len()).unwrap();
        let columns = rows
            .columns
            .iter()
            .map(|(channel, column)| {
                (
                    *channel,
                    Column::unpack(&column.pack(rows.len()).unwrap(), rows.len()).unwrap(),
                )
            })
            .collect();
        Rows { times_us, columns }
    }

    #[test]
    fn a_batch_is_a_row_and_equal_times_stay_two_rows() {
        let mut rows = Rows::default();
        rows.push(&[(0, 5, 1.0), (2, 5, 2.0)]);
        rows.push(&[(0, 5, 3.0)]);
        rows.push(&[(1, 4, 4.0), (1, 4, 5.0), (0, 6, 6.0)]);
        rows.push(&[]);
        let one = |c: u16, v: f64| (c, v.to_bits());
        assert_eq!(
            bits(&rows),
            vec![
                (5, vec![one(0, 1.0), one(2, 2.0)]),
                (5, vec![one(0, 3.0)]),
                (4, vec![one(1, 4.0)]),
                (4, vec![one(1, 5.0)]),
                (6, vec![one(0, 6.0)]),
            ]
        );
    }

    #[test]
    fn a_cut_tail_is_said_to_be_cut() {
        let mut rows = Rows::default();
        rows.push(&[(0, 5, 1.0)]);
        let bytes = rows.to_tail();
        for short in 1..bytes.len() {
            assert!(
                Rows::from_tail(&bytes[..short]).is_err(),
                "{short} of {} bytes",
                bytes.len()
            );
        }
    }

    proptest! {
        #[test]
        fn nothing_is_lost_by_packing(
            batches in proptest::collection::vec(
                proptest::collection::vec((0usize..6, -5i64..5, any::<u64>().prop_map(f64::from_bits)), 0..8), 0..80),
            scale in prop_oneof![Just(1i64), Just(1_000_003), Just(1_779_000_000_000_000 / 5)],
        ) {
            let mut rows = Rows::default();
            let mut apart = Rows::default();
            let mut given: Vec<Vec<u64>> = vec![Vec::new(); 6];
            for batch in &batches {
                let batch: Vec<Reading> = batch.iter().map(|(c, t, v)| (*c, t * scale, *v)).collect();
                for (channel, _, value) in &batch {
                    given[*channel].push(value.to_bits());
                }
                rows.push(&batch);
                let mut one = Rows::default();
                one.push(&batch);
                apart.append(&one);
            }
            prop_assert_eq!(bits(&rows), bits(&apart));
            prop_assert_eq!(bits(&rows), bits(&through_pack(&rows)));
            prop_assert_eq!(bits(&rows), bits(&Rows::from_tail(&rows.to_tail()).unwrap()));
            for (channel, given) in given.iter().enumerate() {
                let kept: Vec<u64> = rows.columns.get(&(channel as u16))
                    .map(|column| column.values.iter().map(|v| v.to_bits()).collect()).unwrap_or_default();
                prop_assert_eq!(given, &kept);
            }
        }
    }
}
