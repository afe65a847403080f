//! Small binary building blocks of a journal record: integers of variable length, short decimals,
//! texts. Reading never panics and never trusts a length.

/// What was wrong with the bytes of a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Malformed {
    /// They end too early.
    CutShort,
    /// A number or a code that no writer produces.
    Unknown,
    /// Text that is not UTF-8.
    NotText,
    /// Bytes are left over.
    TooLong,
}

/// Appends an unsigned number, 7 bits a byte, lowest first.
pub(super) fn put_unsigned(out: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        out.push((value as u8 & 0x7f) | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

/// Appends a signed number so that small ones of either sign are short.
pub(super) fn put_signed(out: &mut Vec<u8>, value: i64) {
    put_unsigned(out, ((value << 1) ^ (value >> 63)) as u64);
}

/// Appends a text with its length.
pub(super) fn put_text(out: &mut Vec<u8>, text: &str) {
    put_unsigned(out, text.len() as u64);
    out.extend_from_slice(text.as_bytes());
}

/// Forms of a number on disk.
const AS_F64: u8 = 0;
const AS_F32: u8 = 1;
/// `AS_DECIMAL + k`: a whole number of 10^-k, k from 0 to 6.
const AS_DECIMAL: u8 = 2;
const MOST_DECIMALS: u8 = 6;
/// Number of forms; a caller may multiply the form with something else in the same byte.
pub(super) const FORMS: u8 = AS_DECIMAL + MOST_DECIMALS + 1;

/// Appends a number: the code of the shortest form that gives back the same bits, plus `beside`, and its bytes. What a
/// probe sends is nearly always a short decimal or an f32.
pub(super) fn put_number(out: &mut Vec<u8>, value: f64, beside: u8) {
    let narrow = value as f32;
    let fits_f32 = || f64::from(narrow).to_bits() == value.to_bits();
    match short_decimal(value) {
        // Zigzag of 2^27 is the first that takes more than four bytes, as many as an f32.
        Some((decimals, whole)) if whole.unsigned_abs() < 1 << 27 || !fits_f32() => {
            out.push(AS_DECIMAL + decimals + beside);
            put_signed(out, whole);
        }
        _ if fits_f32() => {
            out.push(AS_F32 + beside);
            out.extend_from_slice(&narrow.to_le_bytes());
        }
        _ => {
            out.push(AS_F64 + beside);
            out.extend_from_slice(&value.to_le_bytes());
        }
    }
}

/// The fewest decimals with which a number is whole, and that whole number.
fn short_decimal(value: f64) -> Option<(u8, i64)> {
    let with = |decimals: u8| {
        let whole = nearest(value * power_of_ten(decimals));
        // Zigzag of 2^41 takes six bytes, less than an f64. NaN fails the comparison.
        let fits = whole.abs() < 2_199_023_255_552.0
            && (whole as i64 as f64 / power_of_ten(decimals)).to_bits() == value.to_bits();
        fits.then_some(whole as i64)
    };
    // Most have two. Where fewer do, the same quotient is rounded to the same bits.
    if let Some(hundredths) = with(2) {
        return Some(match hundredths {
            whole if whole % 100 == 0 => (0, whole / 100),
            tenths if tenths % 10 == 0 => (1, tenths / 10),
            _ => (2, hundredths),
        });
    }
    (0..=MOST_DECIMALS).find_map(|decimals| Some((decimals, with(decimals)?)))
}

/// The nearest whole number. Many processors have no instruction for it, and the system's function takes longer than
/// all else of a short decimal; below 2^51 adding and taking away 1.5 × 2^52 does it. Halves go to the even one:
/// nobody asks for those, since the caller wants a whole number that gives back the same bits.
pub(super) fn nearest(value: f64) -> f64 {
    const SHIFT: f64 = 6_755_399_441_055_744.0;
    if value.abs() < 2_251_799_813_685_248.0 { (value + SHIFT) - SHIFT } else { value.round() }
}

fn power_of_ten(decimals: u8) -> f64 {
    [1.0, 10.0, 100.0, 1e3, 1e4, 1e5, 1e6].get(usize::from(decimals)).copied().unwrap_or(1.0)
}

/// Reads what the `put_` functions wrote.
#[derive(Debug)]
pub(super) struct Reader<'a> {
    left: &'a [u8],
}

impl<'a> Reader<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> Self {
        Self { left: bytes }
    }

    pub(super) fn left(&self) -> usize {
        self.left.len()
    }

    pub(super) fn bytes(&mut self, count: usize) -> Result<&'a [u8], Malformed> {
        let (taken, left) = self.left.split_at_checked(count).ok_or(Malformed::CutShort)?;
        self.left = left;
        Ok(taken)
    }

    pub(super) fn array<const N: usize>(&mut self) -> Result<[u8; N], Malformed> {
        let (taken, left) = self.left.split_first_chunk::<N>().ok_or(Malformed::CutShort)?;
        self.left = left;
        Ok(*taken)
    }

    pub(super) fn byte(&mut self) -> Result<u8, Malformed> {
        self.array::<1>().map(|[byte]| byte)
    }

    pub(super) fn unsigned(&mut self) -> Result<u64, Malformed> {
        let mut value = 0_u64;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            let bits = u64::from(byte & 0x7f);
            if shift == 63 && bits > 1 {
                return Err(Malformed::Unknown);
            }
            value |= bits << shift;
            if byte & 0x80 == 0 {
                return Ok(value);
            }
        }
        Err(Malformed::Unknown)
    }

    pub(super) fn signed(&mut self) -> Result<i64, Malformed> {
        let folded = self.unsigned()?;
        Ok((folded >> 1) as i64 ^ -((folded & 1) as i64))
    }

    pub(super) fn index(&mut self) -> Result<u16, Malformed> {
        u16::try_from(self.unsigned()?).map_err(|_| Malformed::Unknown)
    }

    pub(super) fn text(&mut self) -> Result<String, Malformed> {
        let length = usize::try_from(self.unsigned()?).map_err(|_| Malformed::CutShort)?;
        let bytes = self.bytes(length)?;
        std::str::from_utf8(bytes).map(str::to_owned).map_err(|_| Malformed::NotText)
    }

    pub(super) fn number(&mut self, form: u8) -> Result<f64, Malformed> {
        match form {
            AS_F64 => Ok(f64::from_le_bytes(self.array()?)),
            AS_F32 => Ok(f64::from(f32::from_le_bytes(self.array()?))),
            decimals if decimals < FORMS => Ok(self.signed()? as f64 / power_of_ten(decimals - AS_DECIMAL)),
            _ => Err(Malformed::Unknown),
        }
    }

    /// Nothing may be left.
    pub(super) fn end(&self) -> Result<(), Malformed> {
        if self.left.is_empty() { Ok(()) } else { Err(Malformed::TooLong) }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// LEB128 as published in the DWARF 5 standard, appendix C: 2 → 02, 127 → 7f, 128 → 80 01,
    /// 129 → 81 01, 12857 → b9 64.
    #[test]
    fn unsigned_numbers_are_leb128() {
        for (value, bytes) in [
            (2, &[0x02][..]),
            (127, &[0x7f]),
            (128, &[0x80, 0x01]),
            (129, &[0x81, 0x01]),
            (12_857, &[0xb9, 0x64]),
        ] {
            let mut out = Vec::new();
            put_unsigned(&mut out, value);
            assert_eq!(out, bytes);
            assert_eq!(Reader::new(bytes).unsigned(), Ok(value));
        }
    }

    fn written(value: f64) -> (u8, Vec<u8>) {
        let mut out = Vec::new();
        put_number(&mut out, value, 0);
        (out.remove(0), out)
    }

    #[test]
    fn what_a_probe_sends_is_short() {
        for (value, form, length) in [
            (0.0, AS_DECIMAL, 1),
            (1.0, AS_DECIMAL, 1),
            (4.6, AS_DECIMAL + 1, 1),
            (28.31, AS_DECIMAL + 2, 2),
            (7.85, AS_DECIMAL + 2, 2),
            (1013.2, AS_DECIMAL + 1, 3),
            (7.123, AS_DECIMAL + 3, 2),
            // 2^27 and one less.
            (134_217_727.0, AS_DECIMAL, 4),
            (134_217_728.0, AS_F32, 4),
            // 2^41 and one less: no f32 holds the one less.
            (2_199_023_255_551.0, AS_DECIMAL, 6),
            (2_199_023_255_552.0, AS_F32, 4),
            (f64::from(5.123_456_7_f32), AS_F32, 4),
            (-0.0, AS_F32, 4),
            (std::f64::consts::PI, AS_F64, 8),
        ] {
            let (found, body) = written(value);
            assert_eq!((found, body.len()), (form, length), "{value}");
            assert_eq!(Reader::new(&body).number(form).map(f64::to_bits), Ok(value.to_bits()));
        }
    }

    #[test]
    fn too_long_numbers_are_refused() {
        assert_eq!(Reader::new(&[0xff; 11]).unsigned(), Err(Malformed::Unknown));
        assert_eq!(Reader::new(&[0x80]).unsigned(), Err(Malformed::CutShort));
        assert_eq!(Reader::new(&[9, b'a']).text(), Err(Malformed::CutShort));
    }

    proptest! {
        #[test]
        fn numbers_come_back_with_the_same_bits(bits: u64) {
            let value = f64::from_bits(bits);
            let (form, body) = written(value);
            prop_assert_eq!(Reader::new(&body).number(form).map(f64::to_bits), Ok(bits));
        }

        #[test]
        fn decimals_come_back_with_the_same_bits(thousandths in -10_000_000_i64..10_000_000, scale in 0_u8..7) {
            let value = thousandths as f64 / power_of_ten(scale);
            let (form, body) = written(value);
            prop_assert_eq!(Reader::new(&body).number(form).map(f64::to_bits), Ok(value.to_bits()));
            prop_assert!(body.len() <= 4);
        }

        #[test]
        fn whole_numbers_come_back(unsigned: u64, signed: i64, text: String) {
            let mut out = Vec::new();
            put_unsigned(&mut out, unsigned);
            put_signed(&mut out, signed);
            put_text(&mut out, &text);
            let mut reader = Reader::new(&out);
            prop_assert_eq!(reader.unsigned(), Ok(unsigned));
            prop_assert_eq!(reader.signed(), Ok(signed));
            prop_assert_eq!(reader.text(), Ok(text));
            prop_assert_eq!(reader.end(), Ok(()));
        }
    }
}
