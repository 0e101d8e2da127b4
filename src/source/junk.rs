//! What a file without telemetry is, if its content says so: photos, videos, documents and notes lie beside logs on
//! most cards, and need no word. A log that is damaged beyond reading must not be taken for one of them, so only
//! content that is plainly something else counts, and only once no frame was found.

use std::borrow::Cow;

/// Bytes of a text that are looked at.
const LOOK: usize = 4_096;

/// Packings that are not read: a log may be inside.
const PACKED: [&str; 10] = [
    "application/vnd.rar",
    "application/x-bzip2",
    "application/vnd.bzip3",
    "application/x-7z-compressed",
    "application/x-xz",
    "application/vnd.ms-cab-compressed",
    "application/x-compress",
    "application/x-lzip",
    "application/x-lz4",
    "application/x-cpio",
];

/// The packing that hides what is in a file, if it is none that is read.
pub fn hidden_by(first: &[u8]) -> Option<&'static str> {
    infer::get(first).map(|kind| kind.mime_type()).filter(|kind| PACKED.contains(kind))
}

/// `image/jpeg`, `text`… or `None` if the content is nothing known.
pub fn other_kind(first: &[u8]) -> Option<Cow<'static, str>> {
    if let Some(kind) = infer::get(first) {
        return Some(kind.mime_type().into());
    }
    is_text(first).then_some("text".into())
}

/// UTF-8 without control characters other than line ends, tabs and escapes, as far as looked at.
fn is_text(first: &[u8]) -> bool {
    let look = first.get(..LOOK).unwrap_or(first);
    let valid = match std::str::from_utf8(look) {
        Ok(text) => text,
        // A character cut at the end is no damage.
        Err(error) if error.error_len().is_none() => look
            .get(..error.valid_up_to())
            .and_then(|head| std::str::from_utf8(head).ok())
            .unwrap_or_default(),
        Err(_) => return false,
    };
    !valid.is_empty()
        && valid.chars().all(|c| !c.is_control() || matches!(c, '\n' | '\r' | '\t' | '\u{c}' | '\u{1b}'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_content_is_named_and_noise_is_not() {
        // The markers of PNG (RFC 2083, 3.1) and JPEG (ISO/IEC 10918-1: SOI, then APP0).
        assert_eq!(other_kind(b"\x89PNG\r\n\x1a\n rest").as_deref(), Some("image/png"));
        assert_eq!(other_kind(b"\xff\xd8\xff\xe0\x00\x10JFIF\x00").as_deref(), Some("image/jpeg"));
        assert_eq!(other_kind("wind south-west, 4 m/s \u{2713}\r\n".as_bytes()).as_deref(), Some("text"));
        assert_eq!(other_kind(&[0u8; 400]), None);
        assert_eq!(other_kind(&[]), None);
        let mut state = 1u64;
        let noise: Vec<u8> = std::iter::repeat_with(|| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 56) as u8
        })
        .take(400)
        .collect();
        assert_eq!(other_kind(&noise), None);
    }

    #[test]
    fn what_may_hold_a_log_is_no_junk() {
        // The markers of xz (The .xz File Format, 2.1.1.1) and 7z.
        assert_eq!(hidden_by(b"\xFD7zXZ\0\0\x04 rest"), Some("application/x-xz"));
        assert_eq!(hidden_by(b"7z\xBC\xAF\x27\x1C\0\x04 rest"), Some("application/x-7z-compressed"));
        assert_eq!(hidden_by(b"\x89PNG\r\n\x1a\n rest"), None);
    }

    #[test]
    fn a_log_that_lost_its_checksums_is_not_something_else() {
        let mut frame = vec![0xFD, 9, 0, 0, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0, 2, 3, 81, 4, 3, 0xAA, 0xBB];
        frame = frame.repeat(40);
        assert_eq!(other_kind(&frame), None);
        // Behind capture stamps.
        let stamped: Vec<u8> =
            frame.chunks(21).flat_map(|f| [&[0, 5, 0xE1, 0x2F, 1, 2, 3, 4][..], f].concat()).collect();
        assert_eq!(other_kind(&stamped), None);
    }
}
