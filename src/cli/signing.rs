//! The key that signed frames are verified with. Its file is read here; its bytes are never shown.

use super::Failure;
use super::args::SigningOption;
use crate::wire::signature::Key;
use std::fs::File;
use std::io::Read;

/// More bytes are no key, whatever they are; a key in digits with white space around it is shorter.
const LONGEST: u64 = 1024;

/// The key of `--signing-key`, if it was given.
///
/// # Errors
/// If the file cannot be read or holds no key; the sentence says nothing of the content but its length.
pub fn key(options: &SigningOption) -> Result<Option<Key>, Failure> {
    let Some(path) = &options.signing_key else { return Ok(None) };
    let refused =
        |error: std::io::Error| Failure(format!("cannot read the signing key {}: {error}", path.display()));
    let mut content = Vec::new();
    File::open(path).and_then(|file| file.take(LONGEST + 1).read_to_end(&mut content)).map_err(refused)?;
    if content.len() as u64 > LONGEST {
        return Err(Failure(format!(
            "{}: a signing key is 32 bytes, or 64 hexadecimal digits; this is longer than {LONGEST} bytes",
            path.display()
        )));
    }
    let key = Key::parse(&content).map_err(|error| Failure(format!("{}: {error}", path.display())))?;
    Ok(Some(key))
}
