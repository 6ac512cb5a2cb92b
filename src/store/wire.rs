//! The bytes of blocks and journal rows: variable-length integers, a checksum, and columns.
//!
//! An unsigned number is LEB128: seven bits a byte, lowest first, the top bit set on all but the
//! last. A signed one is zigzag-coded first (0, −1, 1, −2 → 0, 1, 2, 3). A *column* of 64-bit
//! integers is one byte of mode and then: mode 0, an arithmetic progression (first, step); mode 1, a
//! length and a pcodec standalone file.

use pco::standalone::{simple_compress, simple_decompress};
use pco::{ChunkConfig, DEFAULT_COMPRESSION_LEVEL, DeltaSpec, ModeSpec};

/// Why bytes do not decode.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub(super) enum Fault {
    /// They end too early.
    #[error("it ends too early")]
    Short,
    /// The checksum is another.
    #[error("its checksum does not match")]
    Checksum,
    /// A format that this program does not know.
    #[error("it has format {0}, which this program does not know")]
    Format(u8),
    /// A number is out of its range.
    #[error("it holds {0} that cannot be")]
    Range(&'static str),
    /// A column does not decompress.
    #[error("a column does not decompress")]
    Column,
    /// Bytes are left over.
    #[error("it has bytes left over")]
    Trailing,
}

/// Appends an unsigned number.
pub(super) fn put_u64(to: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        to.push(value as u8 | 0x80);
        value >>= 7;
    }
    to.push(value as u8);
}

/// Appends a signed number.
pub(super) fn put_i64(to: &mut Vec<u8>, value: i64) {
    put_u64(to, ((value << 1) ^ (value >> 63)) as u64);
}

/// Appends a column.
pub(super) fn put_column(to: &mut Vec<u8>, values: &[i64]) {
    let config = ChunkConfig::default().with_compression_level(DEFAULT_COMPRESSION_LEVEL);
    put_column_as(to, values, &config);
}

/// Appends a column that is read often and is a small part of the whole: nearly twice as long, and read without a
/// table of codes, since its values are one as wide as the other.
pub(super) fn put_quick_column(to: &mut Vec<u8>, values: &[i64]) {
    let config = ChunkConfig::default().with_compression_level(0);
    put_column_as(to, values, &config.with_mode_spec(ModeSpec::Classic).with_delta_spec(DeltaSpec::NoOp));
}

fn put_column_as(to: &mut Vec<u8>, values: &[i64], config: &ChunkConfig) {
    if let Some((first, step)) = progression(values) {
        to.push(0);
        put_i64(to, first);
        put_i64(to, step);
        return;
    }
    to.push(1);
    // The only errors are a bad configuration and a failing writer; this has neither.
    let packed = simple_compress(values, config).unwrap_or_default();
    put_u64(to, packed.len() as u64);
    to.extend_from_slice(&packed);
}

/// First and step, where the values are an arithmetic progression.
fn progression(values: &[i64]) -> Option<(i64, i64)> {
    let first = values.first().copied().unwrap_or(0);
    let step = match values {
        [a, b, ..] => b.checked_sub(*a)?,
        _ => 0,
    };
    values.windows(2).all(|pair| pair[1].checked_sub(pair[0]) == Some(step)).then_some((first, step))
}

/// Starts a checked body: room for the checksum, then the format.
pub(super) fn begin(format: u8) -> Vec<u8> {
    vec![0, 0, 0, 0, format]
}

/// Fills in the checksum: CRC-32 (ISO-HDLC) of everything after it, little-endian.
pub(super) fn finish(mut body: Vec<u8>) -> Vec<u8> {
    let sum = crc32fast::hash(&body[4..]);
    body[..4].copy_from_slice(&sum.to_le_bytes());
    body
}

/// Reads bytes from the front.
#[derive(Clone, Debug)]
pub(super) struct Bytes<'a>(&'a [u8]);

impl<'a> Bytes<'a> {
    /// Raw bytes.
    pub(super) fn raw(bytes: &'a [u8]) -> Self {
        Self(bytes)
    }

    /// A checked body of that format.
    pub(super) fn open(body: &'a [u8], format: u8) -> Result<Self, Fault> {
        let (sum, rest) = body.split_first_chunk::<4>().ok_or(Fault::Short)?;
        if crc32fast::hash(rest) != u32::from_le_bytes(*sum) {
            return Err(Fault::Checksum);
        }
        match rest.split_first() {
            Some((found, rest)) if *found == format => Ok(Self(rest)),
            Some((found, _)) => Err(Fault::Format(*found)),
            None => Err(Fault::Short),
        }
    }

    /// How many are left.
    pub(super) fn len(&self) -> usize {
        self.0.len()
    }

    /// Whether none is left.
    pub(super) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// An error unless all has been read.
    pub(super) fn end(&self) -> Result<(), Fault> {
        if self.is_empty() { Ok(()) } else { Err(Fault::Trailing) }
    }

    /// The next `len` bytes.
    pub(super) fn take(&mut self, len: usize) -> Result<&'a [u8], Fault> {
        let (head, tail) = self.0.split_at_checked(len).ok_or(Fault::Short)?;
        self.0 = tail;
        Ok(head)
    }

    /// The next unsigned number.
    pub(super) fn u64(&mut self) -> Result<u64, Fault> {
        // Most numbers are small.
        if let [byte @ ..0x80, rest @ ..] = self.0 {
            self.0 = rest;
            return Ok(u64::from(*byte));
        }
        let mut value = 0u64;
        for (index, byte) in self.0.iter().enumerate().take(10) {
            let part = u64::from(byte & 0x7f);
            if index == 9 && part > 1 {
                return Err(Fault::Range("a number"));
            }
            value |= part << (7 * index);
            if byte & 0x80 == 0 {
                self.0 = &self.0[index + 1..];
                return Ok(value);
            }
        }
        Err(if self.0.len() < 10 { Fault::Short } else { Fault::Range("a number") })
    }

    /// The next unsigned number as a length or count that cannot pass `most`.
    pub(super) fn count(&mut self, most: usize) -> Result<usize, Fault> {
        match usize::try_from(self.u64()?) {
            Ok(count) if count <= most => Ok(count),
            _ => Err(Fault::Range("a count")),
        }
    }

    /// The next signed number.
    pub(super) fn i64(&mut self) -> Result<i64, Fault> {
        let raw = self.u64()?;
        Ok((raw >> 1) as i64 ^ -((raw & 1) as i64))
    }

    /// The next column, of `count` values.
    pub(super) fn column(&mut self, count: usize) -> Result<Vec<i64>, Fault> {
        match self.take(1)?[0] {
            0 => {
                let (first, step) = (self.i64()?, self.i64()?);
                let mut next = Some(first);
                (0..count)
                    .map(|_| {
                        let value = next.ok_or(Fault::Range("a progression"))?;
                        next = value.checked_add(step);
                        Ok(value)
                    })
                    .collect()
            }
            1 => {
                let len = self.u64()? as usize;
                let packed = self.take(len)?;
                let values: Vec<i64> = simple_decompress(packed).map_err(|_| Fault::Column)?;
                if values.len() == count { Ok(values) } else { Err(Fault::Column) }
            }
            _ => Err(Fault::Range("a column mode")),
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn small_numbers_are_small() {
        let check = |value: i64, bytes: &[u8]| {
            let mut to = Vec::new();
            put_i64(&mut to, value);
            assert_eq!(to, bytes, "{value}");
        };
        check(0, &[0]);
        check(-1, &[1]);
        check(63, &[126]);
        check(64, &[0x80, 1]);
        check(i64::MIN, &[0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 1]);
    }

    #[test]
    fn a_column_that_goes_up_evenly_takes_next_to_nothing() {
        let seconds: Vec<i64> = (0..3600).map(|second| second * 10).collect();
        let mut to = Vec::new();
        put_column(&mut to, &seconds);
        assert_eq!(to, [0, 0, 20]);
        assert_eq!(Bytes::raw(&to).column(3600), Ok(seconds));
    }

    #[test]
    fn a_flipped_bit_is_seen() {
        let mut body = finish([begin(1), b"abc".to_vec()].concat());
        assert!(Bytes::open(&body, 1).is_ok());
        assert_eq!(Bytes::open(&body, 2).map(|_| ()), Err(Fault::Format(1)));
        body[6] ^= 1;
        assert_eq!(Bytes::open(&body, 1).map(|_| ()), Err(Fault::Checksum));
        assert_eq!(Bytes::open(&body[..3], 1).map(|_| ()), Err(Fault::Short));
    }

    proptest! {
        #[test]
        fn numbers_come_back(values: Vec<i64>) {
            let mut to = Vec::new();
            for value in &values {
                put_i64(&mut to, *value);
                put_u64(&mut to, *value as u64);
            }
            let mut bytes = Bytes::raw(&to);
            for value in &values {
                prop_assert_eq!(bytes.i64(), Ok(*value));
                prop_assert_eq!(bytes.u64(), Ok(*value as u64));
            }
            prop_assert_eq!(bytes.end(), Ok(()));
        }

        #[test]
        fn columns_come_back(values: Vec<i64>) {
            let mut to = Vec::new();
            put_column(&mut to, &values);
            let mut bytes = Bytes::raw(&to);
            prop_assert_eq!(bytes.column(values.len()), Ok(values.clone()));
            prop_assert_eq!(bytes.end(), Ok(()));
            let mut to = Vec::new();
            put_quick_column(&mut to, &values);
            prop_assert_eq!(Bytes::raw(&to).column(values.len()), Ok(values));
        }

        #[test]
        fn rubbish_is_refused_without_a_panic(rubbish: Vec<u8>, count in 0usize..100) {
            let mut bytes = Bytes::raw(&rubbish);
            let _ = bytes.column(count);
            let _ = bytes.i64();
            let _ = Bytes::open(&rubbish, 1);
        }
    }
}
