//! Columns of a sealed chunk: whole numbers, times and values, each in the shortest form that gives back
//! the very same bits.
//!
//! A column begins with the code of its form. Where it is not told otherwise the numbers are compressed by
//! `pco`, one page, after their length in bytes.

use pco::data_types::Number;
use pco::wrapped::{FileCompressor, FileDecompressor};
use pco::{ChunkConfig, DeltaSpec, ModeSpec};

use super::codec::{Malformed, Reader, nearest, put_signed, put_unsigned};

/// Codes of the forms. Never reuse one.
mod form {
    /// One number for all.
    pub(super) const CONSTANT: u8 = 0;
    /// First, then always the same step.
    pub(super) const STEPS: u8 = 1;
    /// Compressed 64-bit integers.
    pub(super) const INTEGERS: u8 = 2;
    /// First and period, then two columns: how many periods each is after the one before, and by how
    /// much it misses.
    pub(super) const GRID: u8 = 3;
    /// Compressed 32-bit floats.
    pub(super) const SINGLES: u8 = 4;
    /// Compressed 64-bit floats.
    pub(super) const DOUBLES: u8 = 5;
    /// `DECIMALS + k`: a column of whole numbers of 10^-k.
    pub(super) const DECIMALS: u8 = 16;
}

const MOST_DECIMALS: u8 = 6;

/// Most numbers of one column; a wrong count in a damaged chunk cannot ask for more.
pub(super) const MOST_ROWS: usize = 1 << 18;

fn put_packed<T: Number>(out: &mut Vec<u8>, numbers: &[T], mode: ModeSpec, delta: DeltaSpec) {
    let mut packed = Vec::new();
    let config = ChunkConfig::default().with_mode_spec(mode).with_delta_spec(delta);
    let pack = |packed: &mut Vec<u8>| -> pco::errors::PcoResult<()> {
        let compressor = FileCompressor::default();
        compressor.write_header(&mut *packed)?;
        let mut chunk = compressor.chunk_compressor(numbers, &config)?;
        chunk.write_meta(&mut *packed)?;
        chunk.write_page(0, &mut *packed).map(drop)
    };
    let done = pack(&mut packed);
    // Writing to memory does not fail, and the configuration is pco's own; an empty column reads back
    // as damaged, never as other numbers.
    debug_assert!(done.is_ok(), "{done:?}");
    put_unsigned(out, packed.len() as u64);
    out.extend_from_slice(&packed);
}

fn packed<T: Number>(reader: &mut Reader<'_>, rows: usize) -> Result<Vec<T>, Malformed> {
    let length = usize::try_from(reader.unsigned()?).map_err(|_| Malformed::CutShort)?;
    let bytes = reader.bytes(length)?;
    let unpack = || -> pco::errors::PcoResult<Vec<T>> {
        let (file, rest) = FileDecompressor::new(bytes)?;
        let (mut chunk, rest) = file.chunk_decompressor::<T, _>(rest)?;
        let mut page = chunk.page_decompressor(rest, rows)?;
        let mut numbers = vec![T::default(); rows];
        page.read(&mut numbers)?;
        Ok(numbers)
    };
    unpack().map_err(|_| Malformed::Unknown)
}

/// Appends whole numbers.
pub(super) fn put_integers(out: &mut Vec<u8>, numbers: &[i64]) {
    let first = numbers.first().copied().unwrap_or(0);
    let step = numbers.get(1).copied().unwrap_or(first).wrapping_sub(first);
    let even = numbers.windows(2).all(|pair| pair[1].wrapping_sub(pair[0]) == step);
    if even && step == 0 {
        out.push(form::CONSTANT);
        put_signed(out, first);
    } else if even {
        out.push(form::STEPS);
        put_signed(out, first);
        put_signed(out, step);
    } else {
        out.push(form::INTEGERS);
        // Whole numbers are at their smallest already: looking for a common factor or base in each column took more
        // than half of the time of packing it, and found none worth its bytes.
        put_packed(out, numbers, ModeSpec::Classic, DeltaSpec::TryConsecutive(differences(numbers)));
    }
}

/// How many times to take differences before compressing: as often as they become smaller. pco finds the same
/// by compressing in each way, which took most of the time of sealing.
fn differences(numbers: &[i64]) -> usize {
    let counted = numbers.len().saturating_sub(2);
    let size = |sum: f64, count: usize| sum / count.max(1) as f64;
    let least = |sizes: [f64; 3]| {
        let least = (0..sizes.len()).min_by(|a, b| sizes[*a].total_cmp(&sizes[*b]));
        least.filter(|_| counted > 0).unwrap_or(0)
    };
    // Numbers so small that no sum of them overflows, as nearly all are, are counted up as whole numbers.
    if numbers.len() <= MOST_ROWS && numbers.iter().all(|number| number.unsigned_abs() < 1 << 40) {
        let mean = numbers.iter().sum::<i64>() / numbers.len().max(1) as i64;
        let plain: u64 = numbers.iter().map(|number| (number - mean).unsigned_abs()).sum();
        let (mut once, mut twice) = (0, 0);
        for near in numbers.windows(3) {
            let (first, second) = (near[1] - near[0], near[2] - near[1]);
            once += first.unsigned_abs();
            twice += (second - first).unsigned_abs();
        }
        let sizes = [(plain, numbers.len()), (once, counted), (twice, counted)];
        return least(sizes.map(|(sum, count)| size(sum as f64, count)));
    }
    let mean = numbers.iter().map(|&number| number as f64).sum::<f64>() / numbers.len().max(1) as f64;
    let plain = numbers.iter().map(|&number| (number as f64 - mean).abs()).sum();
    let (mut once, mut twice) = (0.0, 0.0);
    for near in numbers.windows(3) {
        let (first, second) = (near[1].wrapping_sub(near[0]), near[2].wrapping_sub(near[1]));
        once += (first as f64).abs();
        twice += (second.wrapping_sub(first) as f64).abs();
    }
    let sizes = [size(plain, numbers.len()), size(once, counted), size(twice, counted)];
    least(sizes)
}

/// Reads whole numbers.
pub(super) fn integers(reader: &mut Reader<'_>, rows: usize) -> Result<Vec<i64>, Malformed> {
    let code = reader.byte()?;
    integers_of(code, reader, rows)
}

fn integers_of(code: u8, reader: &mut Reader<'_>, rows: usize) -> Result<Vec<i64>, Malformed> {
    if rows > MOST_ROWS {
        return Err(Malformed::Unknown);
    }
    match code {
        form::CONSTANT => Ok(vec![reader.signed()?; rows]),
        form::STEPS => {
            let (first, step) = (reader.signed()?, reader.signed()?);
            let number = |row: usize| first.wrapping_add(step.wrapping_mul(row as i64));
            Ok((0..rows).map(number).collect())
        }
        form::INTEGERS => packed(reader, rows),
        _ => Err(Malformed::Unknown),
    }
}

/// Appends times that come at regular intervals and are a little off.
pub(super) fn put_times(out: &mut Vec<u8>, times: &[i64]) {
    let mut plain = Vec::new();
    put_integers(&mut plain, times);
    if plain.first() != Some(&form::INTEGERS) {
        return out.extend_from_slice(&plain);
    }
    let mut deltas: Vec<i64> = times.windows(2).map(|pair| pair[1].wrapping_sub(pair[0])).collect();
    deltas.sort_unstable();
    let period = deltas.get(deltas.len() / 2).copied().unwrap_or(0);
    if let Some(&first) = times.first()
        && period > 0
    {
        let mut grid = vec![form::GRID];
        put_signed(&mut grid, first);
        put_signed(&mut grid, period);
        let mut before = 0;
        let (mut steps, mut misses) = (Vec::with_capacity(times.len()), Vec::with_capacity(times.len()));
        for time in times {
            let since = time.wrapping_sub(first);
            let place = since.wrapping_add(period / 2).div_euclid(period);
            steps.push(place.wrapping_sub(before));
            misses.push(since.wrapping_sub(place.wrapping_mul(period)));
            before = place;
        }
        put_integers(&mut grid, &steps);
        put_integers(&mut grid, &misses);
        if grid.len() < plain.len() {
            plain = grid;
        }
    }
    out.extend_from_slice(&plain);
}

/// Reads times.
pub(super) fn times(reader: &mut Reader<'_>, rows: usize) -> Result<Vec<i64>, Malformed> {
    let code = reader.byte()?;
    if code != form::GRID {
        return integers_of(code, reader, rows);
    }
    let (first, period) = (reader.signed()?, reader.signed()?);
    let steps = integers(reader, rows)?;
    let misses = integers(reader, rows)?;
    let mut place = 0_i64;
    Ok(steps
        .iter()
        .zip(misses)
        .map(|(step, miss)| {
            place = place.wrapping_add(*step);
            first.wrapping_add(place.wrapping_mul(period)).wrapping_add(miss)
        })
        .collect())
}

fn power_of_ten(decimals: u8) -> f64 {
    [1.0, 10.0, 100.0, 1e3, 1e4, 1e5, 1e6].get(usize::from(decimals)).copied().unwrap_or(1.0)
}

/// `value` as a whole number of 10^-`decimals`, where that gives back the same bits.
fn scaled(value: f64, decimals: u8) -> Option<i64> {
    let whole = nearest(value * power_of_ten(decimals));
    // Beyond 2^53 whole numbers have gaps. NaN fails the comparison.
    (whole.abs() < 9_007_199_254_740_992.0
        && (whole as i64 as f64 / power_of_ten(decimals)).to_bits() == value.to_bits())
    .then_some(whole as i64)
}

/// Appends values.
pub(super) fn put_values(out: &mut Vec<u8>, values: &[f64]) {
    let mut decimals = 0;
    let mut whole: Vec<i64> = Vec::with_capacity(values.len());
    while decimals <= MOST_DECIMALS {
        whole.clear();
        whole.extend(values.iter().map_while(|&value| scaled(value, decimals)));
        match values.get(whole.len()) {
            None => {
                out.push(form::DECIMALS + decimals);
                return put_integers(out, &whole);
            }
            // On to what this value needs at least.
            Some(&value) => {
                decimals = (decimals + 1..=MOST_DECIMALS)
                    .find(|&more| scaled(value, more).is_some())
                    .unwrap_or(MOST_DECIMALS + 1);
            }
        }
    }
    let narrow: Vec<f32> = values.iter().map(|&value| value as f32).collect();
    if narrow.iter().zip(values).all(|(narrow, value)| f64::from(*narrow).to_bits() == value.to_bits()) {
        out.push(form::SINGLES);
        put_packed(out, &narrow, ModeSpec::Auto, DeltaSpec::Auto);
    } else {
        out.push(form::DOUBLES);
        put_packed(out, values, ModeSpec::Auto, DeltaSpec::Auto);
    }
}

/// Reads values.
pub(super) fn values(reader: &mut Reader<'_>, rows: usize) -> Result<Vec<f64>, Malformed> {
    if rows > MOST_ROWS {
        return Err(Malformed::Unknown);
    }
    match reader.byte()? {
        form::SINGLES => Ok(packed::<f32>(reader, rows)?.into_iter().map(f64::from).collect()),
        form::DOUBLES => packed(reader, rows),
        code if (form::DECIMALS..=form::DECIMALS + MOST_DECIMALS).contains(&code) => {
            let scale = power_of_ten(code - form::DECIMALS);
            Ok(integers(reader, rows)?.into_iter().map(|whole| whole as f64 / scale).collect())
        }
        _ => Err(Malformed::Unknown),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn values_back(values: &[f64]) -> usize {
        let mut out = Vec::new();
        put_values(&mut out, values);
        let mut reader = Reader::new(&out);
        let back = super::values(&mut reader, values.len()).unwrap();
        assert!(back.iter().zip(values).all(|(a, b)| a.to_bits() == b.to_bits()), "{values:?} {back:?}");
        assert_eq!((back.len(), reader.end()), (values.len(), Ok(())));
        out.len()
    }

    fn times_back(times: &[i64]) -> usize {
        let mut out = Vec::new();
        put_times(&mut out, times);
        let mut reader = Reader::new(&out);
        assert_eq!(super::times(&mut reader, times.len()).unwrap(), times);
        assert_eq!(reader.end(), Ok(()));
        out.len()
    }

    /// Hand arithmetic: a value with two decimals that wanders by at most 8 hundredths carries 4 bits at
    /// most, 180 bytes for 360; with as much again for the tables of the compressor it stays under 400.
    #[test]
    fn a_wandering_probe_takes_about_a_byte_a_reading() {
        let wandering: Vec<f64> = (0..360_i32).map(|n| f64::from(520 + (n * 7919) % 17) / 100.0).collect();
        assert!(values_back(&wandering) < 400);
        assert!(values_back(&[28.5; 360]) < 8);
        let polled: Vec<i64> =
            (0..360_i64).map(|n| 1_780_000_000_000 + n * 10_000 + (n * 7919) % 13).collect();
        assert!(times_back(&polled) < 300);
        assert!(times_back(&(0..360).map(|n| n * 10_000).collect::<Vec<_>>()) < 16);
    }

    #[test]
    fn odd_values_come_back() {
        values_back(&[]);
        values_back(&[f64::NAN, -0.0, f64::INFINITY, 5e-324, 1e300]);
        values_back(&[1.0, 2.5, f64::from(0.1_f32)]);
        values_back(&[0.1, 0.12, 0.123_456, 7.0]);
        times_back(&[]);
        times_back(&[i64::MIN, i64::MAX, 0, -1]);
    }

    proptest! {
        #[test]
        fn any_values_come_back(bits in proptest::collection::vec(any::<u64>(), 0..40)) {
            values_back(&bits.into_iter().map(f64::from_bits).collect::<Vec<_>>());
        }

        #[test]
        fn any_decimals_come_back(whole in proptest::collection::vec(-100_000_i64..100_000, 0..60), scale in 0_u8..7) {
            values_back(&whole.into_iter().map(|n| n as f64 / power_of_ten(scale)).collect::<Vec<_>>());
        }

        #[test]
        fn any_times_come_back(times in proptest::collection::vec(any::<i64>(), 0..40)) {
            times_back(&times);
        }

        #[test]
        fn any_bytes_are_refused_or_read(bytes in proptest::collection::vec(any::<u8>(), 0..60), rows in 0_usize..50) {
            let _ = values(&mut Reader::new(&bytes), rows);
            let _ = times(&mut Reader::new(&bytes), rows);
        }
    }
}
