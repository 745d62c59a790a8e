//! Whole numbers as few bytes: differences, then bytes of seven bits, then deflate.
//!
//! A value is written as one symbol: 0 where there is none, else 1 + z, z the zigzag of its
//! difference from a prediction (0, −1, 1, −2 … → 0, 1, 2, 3 …). A symbol takes seven bits a byte, lowest
//! first, the top bit set on all but its last byte (LEB128). Each piece is deflated by itself and
//! ends on a whole byte, so that pieces made in parallel join to one stream of RFC 1951.

use std::io::{self, Write};

use flate2::Compression;
use flate2::write::DeflateEncoder;

/// Effort of deflate: level 9 takes three times as long for 1 to 2 % (heights of the demo).
const LEVEL: u32 = 6;
/// An empty last block: what follows the pieces of a stream.
pub(super) const END: [u8; 2] = [3, 0];

/// Symbols in the making.
#[derive(Debug, Default)]
pub(super) struct Symbols {
    bytes: Vec<u8>,
}

impl Symbols {
    fn put(&mut self, mut symbol: u64) {
        while symbol >= 0x80 {
            self.bytes.push(low_seven(symbol) | 0x80);
            symbol >>= 7;
        }
        self.bytes.push(low_seven(symbol));
    }

    /// No value.
    pub fn none(&mut self) {
        self.put(0);
    }

    /// A value less its prediction.
    pub fn difference(&mut self, difference: i64) {
        self.put(zigzag(difference) + 1);
    }

    /// Values, each as its difference from the last one that there was; from 0 at the start.
    pub fn in_turn(&mut self, values: impl IntoIterator<Item = Option<i32>>) {
        let mut last = 0;
        for value in values {
            match value {
                None => self.none(),
                Some(v) => {
                    self.difference(i64::from(v) - i64::from(last));
                    last = v;
                }
            }
        }
    }

    /// Values as they are.
    pub fn plainly(&mut self, values: impl IntoIterator<Item = Option<i32>>) {
        for value in values {
            match value {
                None => self.none(),
                Some(v) => self.difference(i64::from(v)),
            }
        }
    }

    /// Rows of `columns` values, each as its difference from the plane through its neighbours to
    /// the left, in the row before and between them; where one is missing, from the last value.
    pub fn in_rows(&mut self, values: &[Option<i32>], columns: usize) {
        let at = |k: usize| values.get(k).copied().flatten().map(i64::from);
        let mut last = 0;
        for (k, value) in values.iter().enumerate() {
            let Some(v) = value.map(i64::from) else {
                self.none();
                continue;
            };
            let inner = k % columns > 0 && k >= columns;
            let corner = inner.then(|| (at(k - 1), at(k - columns), at(k - columns - 1)));
            let foretold = match corner {
                Some((Some(left), Some(before), Some(between))) => left + before - between,
                _ => last,
            };
            self.difference(v - foretold);
            last = v;
        }
    }

    /// The symbols, deflated, without an end of the stream.
    pub fn deflated(&self) -> io::Result<Vec<u8>> {
        let mut encoder = DeflateEncoder::new(Vec::new(), Compression::new(LEVEL));
        encoder.write_all(&self.bytes)?;
        encoder.flush()?;
        Ok(encoder.get_ref().clone())
    }
}

fn low_seven(v: u64) -> u8 {
    u8::try_from(v & 0x7f).unwrap_or(0)
}

fn zigzag(v: i64) -> u64 {
    ((v << 1) ^ (v >> 63)).cast_unsigned()
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use std::io::Read;

    /// Symbols of a stream, as the page's script reads them.
    pub fn symbols(stream: &[u8]) -> Vec<Option<i64>> {
        let mut bytes = Vec::new();
        flate2::read::DeflateDecoder::new(stream)
            .read_to_end(&mut bytes)
            .unwrap();
        let mut out = Vec::new();
        let (mut value, mut shift) = (0u64, 0);
        for byte in bytes {
            value |= u64::from(byte & 0x7f) << shift;
            shift += 7;
            if byte < 0x80 {
                let unzigzag = |z: u64| (z >> 1).cast_signed() ^ -(z & 1).cast_signed();
                out.push(value.checked_sub(1).map(unzigzag));
                (value, shift) = (0, 0);
            }
        }
        out
    }

    fn stream(pieces: &[Vec<u8>]) -> Vec<u8> {
        [pieces.concat(), END.to_vec()].concat()
    }

    #[test]
    fn values_in_turn_come_back_over_the_joints_of_pieces() {
        let mut pieces = Vec::new();
        for values in [
            [Some(3), None, Some(-70_000)],
            [Some(i32::MAX), Some(i32::MIN), None],
        ] {
            let mut symbols = Symbols::default();
            symbols.in_turn(values);
            pieces.push(symbols.deflated().unwrap());
        }
        let (max, min) = (i64::from(i32::MAX), i64::from(i32::MIN));
        let expected = [
            Some(3),
            None,
            Some(-70_003),
            Some(max),
            Some(min - max),
            None,
        ];
        assert_eq!(symbols(&stream(&pieces)), expected);
    }

    #[test]
    fn a_plane_is_all_zeros_but_for_its_first_row_and_column() {
        let plane: Vec<Option<i32>> = (0..12)
            .map(|k| Some(100 + 7 * (k / 4) - 3 * (k % 4)))
            .collect();
        let mut packed = Symbols::default();
        packed.in_rows(&plane, 4);
        let found = symbols(&stream(&[packed.deflated().unwrap()]));
        let inner = |k: &usize| !k.is_multiple_of(4) && *k >= 4;
        assert!(
            (0..12).filter(inner).all(|k| found[k] == Some(0)),
            "{found:?}"
        );
    }

    #[test]
    fn no_pieces_are_an_empty_stream() {
        assert_eq!(symbols(&END), []);
    }
}
