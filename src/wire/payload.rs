//! Little-endian numbers from a payload that may have been cut short; missing bytes read as zero.
//!
//! Version 2 senders drop trailing zero bytes, even from the middle of a number.

/// `N` bytes at `offset`, zero where the payload has ended.
#[must_use]
#[inline]
pub fn bytes_at<const N: usize>(payload: &[u8], offset: usize) -> [u8; N] {
    let rest = payload.get(offset..).unwrap_or_default();
    if let Some(whole) = rest.first_chunk::<N>() {
        return *whole;
    }
    let mut bytes = [0; N];
    for (to, from) in bytes.iter_mut().zip(rest) {
        *to = *from;
    }
    bytes
}

macro_rules! getters {
    ($($name:ident: $type:ty),* $(,)?) => {$(
        #[doc = concat!("The `", stringify!($type), "` at `offset`.")]
        #[must_use]
        #[inline]
        pub fn $name(payload: &[u8], offset: usize) -> $type {
            <$type>::from_le_bytes(bytes_at(payload, offset))
        }
    )*};
}

getters! {
    u8_at: u8, i8_at: i8, u16_at: u16, i16_at: i16, u32_at: u32, i32_at: i32,
    u64_at: u64, i64_at: i64, f32_at: f32, f64_at: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_low_byte_first() {
        let payload = [0x01, 0x02, 0xFF, 0xFF, 0x00, 0x00, 0x80, 0x3F];
        assert_eq!(u16_at(&payload, 0), 0x0201);
        assert_eq!(i16_at(&payload, 2), -1);
        assert_eq!(f32_at(&payload, 4), 1.0);
        assert_eq!(u64_at(&payload, 0), 0x3F80_0000_FFFF_0201);
    }

    #[test]
    fn reads_zero_where_the_payload_has_ended() {
        assert_eq!(u32_at(&[0x01, 0x02], 0), 0x0201);
        assert_eq!(u32_at(&[0x01, 0x02], 1), 0x02);
        assert_eq!(u8_at(&[1], 1), 0);
        assert_eq!(f64_at(&[], usize::MAX), 0.0);
    }
}
