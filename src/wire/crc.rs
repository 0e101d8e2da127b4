//! CRC-16/MCRF4XX, the checksum of both frame layouts: polynomial 0x1021 reflected, start 0xFFFF, no final xor.
//!
//! The polynomial is sparse, so long remainders need no table: x¹⁶ ≡ x¹² + x⁵ + 1, and squaring in GF(2) squares
//! every term, so x¹²⁸ ≡ x⁹⁶ + x⁴⁰ + 1 too. Eight bytes are appended to a remainder of sixteen with a few shifts;
//! only the last eight bytes of it go through tables.

/// The polynomial, reflected.
const POLYNOMIAL: u16 = 0x8408;

/// State before the first byte.
pub const START: u16 = 0xFFFF;

/// `TABLES[k][b]` is what byte `b` adds to the state `k` bytes later.
static TABLES: [[u16; 256]; 8] = tables();

#[expect(clippy::indexing_slicing, reason = "const evaluation: a bad index would not compile")]
const fn tables() -> [[u16; 256]; 8] {
    let mut tables = [[0; 256]; 8];
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
    while later < 8 {
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
    let Some(first) = bytes.first_chunk::<8>() else {
        return bytes.iter().fold(state, |state, &byte| update_byte(state, byte));
    };
    // The odd bytes go first, with zeros before them, which leave a polynomial as it is. The state belongs into
    // the first two bytes of the whole, wherever the cut falls.
    let odd = bytes.len() % 8;
    let state = u64::from(state);
    let head = (u64::from_le_bytes(*first) ^ state) << 1 << (63 - 8 * odd);
    let (words, _) = bytes.get(odd..).unwrap_or_default().as_chunks::<8>();
    let mut words = words.iter().map(|word| u64::from_le_bytes(*word));
    let body = words.next().unwrap_or_default() ^ (state >> (8 * odd));
    let (high, low) = words.fold((head, body), fold);
    reduce(high, low)
}

/// Appends eight bytes to a remainder of sixteen.
#[inline(always)]
fn fold((high, low): (u64, u64), word: u64) -> (u64, u64) {
    let turned = high ^ (high << 32);
    (low ^ (turned >> 32) ^ (turned << 24), word ^ (turned >> 40) ^ turned)
}

/// As [`fold`] at half the width: four bytes to a remainder of eight.
#[inline(always)]
fn fold_narrow((high, low): (u32, u32), word: u32) -> (u32, u32) {
    let turned = high ^ (high << 16);
    (low ^ (turned >> 16) ^ (turned << 12), word ^ (turned >> 20) ^ turned)
}

/// The checksum state that a remainder of sixteen bytes amounts to.
#[inline(always)]
fn reduce(high: u64, low: u64) -> u16 {
    let halves = |word: u64| (word as u32, (word >> 32) as u32);
    let (third, fourth) = halves(low);
    let (high, low) = fold_narrow(fold_narrow(halves(high), third), fourth);
    let [a, b, c, d] = high.to_le_bytes();
    let [e, f, g, h] = low.to_le_bytes();
    let first = entry(7, a) ^ entry(6, b) ^ entry(5, c) ^ entry(4, d);
    first ^ (entry(3, e) ^ entry(2, f) ^ entry(1, g) ^ entry(0, h))
}

/// The state after one more byte.
#[must_use]
#[inline]
pub fn update_byte(state: u16, byte: u8) -> u16 {
    let [low, _] = state.to_le_bytes();
    (state >> 8) ^ entry(0, byte ^ low)
}

#[inline]
#[expect(clippy::indexing_slicing, reason = "a u8 into 256 entries; at most 7 into 8 tables by the callers")]
fn entry(later: usize, byte: u8) -> u16 {
    TABLES[later & 7][usize::from(byte)]
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
