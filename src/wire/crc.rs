//! CRC-16/MCRF4XX, the checksum of both frame layouts: polynomial 0x1021 reflected, start 0xFFFF, no final xor.
//!
//! Sixteen tables let sixteen bytes go through one step of independent look-ups instead of a chain of sixteen.

/// The polynomial, reflected.
const POLYNOMIAL: u16 = 0x8408;

/// State before the first byte.
pub const START: u16 = 0xFFFF;

/// `TABLES[k][b]` is what byte `b` adds to the state `k` bytes later.
static TABLES: [[u16; 256]; 16] = tables();

#[expect(clippy::indexing_slicing, reason = "const evaluation: a bad index would not compile")]
const fn tables() -> [[u16; 256]; 16] {
    let mut tables = [[0; 256]; 16];
    let mut byte = 0;
    while byte < 256 {
        let mut state = byte as u16;
        let mut bit = 0;
        while bit < 8 {
            state = if state & 1 == 1 { (state >> 1) ^ POLYNOMIAL } else { state >> 1 };
            bit += 1;
        }
        tables[0][byte] = state;
        byte += 1;
    }
    let mut later = 1;
    while later < 16 {
        let mut byte = 0;
        while byte < 256 {
            let before = tables[later - 1][byte];
            tables[later][byte] = (before >> 8) ^ tables[0][(before & 0xFF) as usize];
            byte += 1;
        }
        later += 1;
    }
    tables
}

/// The checksum of `bytes`.
#[must_use]
#[inline]
pub fn checksum(bytes: &[u8]) -> u16 {
    update(START, bytes)
}

/// The state after `bytes`, going on from `state`.
#[must_use]
#[inline]
pub fn update(state: u16, bytes: &[u8]) -> u16 {
    let odd = bytes.len() % 16;
    let Some(first) = bytes.first_chunk::<16>() else {
        return short(state, bytes);
    };
    let (head, rest) = bytes.split_at_checked(odd).unwrap_or((&[], bytes));
    let state = if odd < 2 {
        short(state, head)
    } else {
        // Zero bytes in front leave a zero state as it is, so a block may be filled up in front; the state goes
        // into the first two bytes.
        step(0, (u128::from_le_bytes(*first) ^ u128::from(state)) << (128 - 8 * odd))
    };
    let (blocks, _) = rest.as_chunks::<16>();
    blocks.iter().fold(state, |state, block| step(state, u128::from_le_bytes(*block)))
}

/// As [`update`], for fewer than sixteen bytes.
#[inline]
fn short(state: u16, bytes: &[u8]) -> u16 {
    bytes.iter().fold(state, |state, &byte| update_byte(state, byte))
}

/// The state after one more byte.
#[must_use]
#[inline]
pub fn update_byte(state: u16, byte: u8) -> u16 {
    let [low, _] = state.to_le_bytes();
    (state >> 8) ^ entry(0, byte ^ low)
}

/// Sixteen bytes at once. What does not depend on the state comes first, so that it need not wait for it.
#[inline]
fn step(state: u16, block: u128) -> u16 {
    let [low, high] = state.to_le_bytes();
    let [a, b, c, d, e, f, g, h] = (block as u64).to_le_bytes();
    let [i, j, k, l, m, n, o, p] = ((block >> 64) as u64).to_le_bytes();
    let first = entry(13, c) ^ entry(12, d) ^ entry(11, e) ^ entry(10, f) ^ entry(9, g) ^ entry(8, h);
    let second = entry(7, i) ^ entry(6, j) ^ entry(5, k) ^ entry(4, l);
    let third = entry(3, m) ^ entry(2, n) ^ entry(1, o) ^ entry(0, p);
    (first ^ second ^ third) ^ (entry(15, a ^ low) ^ entry(14, b ^ high))
}

#[inline]
#[expect(
    clippy::indexing_slicing,
    reason = "a u8 into 256 entries; at most 15 into 16 tables by the callers"
)]
fn entry(later: usize, byte: u8) -> u16 {
    TABLES[later & 15][usize::from(byte)]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bit by bit, as the definition of the algorithm reads.
    fn plain(bytes: &[u8]) -> u16 {
        bytes.iter().fold(START, |mut state, &byte| {
            state ^= u16::from(byte);
            for _ in 0..8 {
                state = if state & 1 == 1 { (state >> 1) ^ POLYNOMIAL } else { state >> 1 };
            }
            state
        })
    }

    #[test]
    fn gives_the_published_check_value() {
        // RevEng catalogue of CRC algorithms, CRC-16/MCRF4XX.
        assert_eq!(checksum(b"123456789"), 0x6F91);
    }

    #[test]
    fn agrees_with_the_plain_definition_at_every_length() {
        let bytes: Vec<u8> = (0..300u32).map(|i| (i * i * 7 + 3) as u8).collect();
        for length in 0..bytes.len() {
            assert_eq!(checksum(&bytes[..length]), plain(&bytes[..length]), "length {length}");
        }
    }

    #[test]
    fn goes_on_byte_by_byte() {
        assert_eq!(b"123456789".iter().fold(START, |state, &b| update_byte(state, b)), 0x6F91);
    }
}
