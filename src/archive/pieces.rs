//! Files too short for a whole frame, kept in case they were cut out of a log: `pieces/<BLAKE3>.bin`, as they are.

use super::layout::FleetDir;
use super::{ArchiveError, atomic};
use std::collections::BTreeMap;
use std::fs;
use std::io::Write;

/// Keeps a piece; its id, and whether it is new.
///
/// # Errors
/// The file system's refusal.
pub fn keep(fleet: &FleetDir, piece: &[u8]) -> Result<(String, bool), ArchiveError> {
    let id = blake3::hash(piece).to_hex().to_string();
    let path = fleet.pieces().join(format!("{id}.bin"));
    let is_new = !path.is_file();
    if is_new {
        atomic::write(&path, |file| file.write_all(piece).map_err(ArchiveError::io("write", &path)))?;
    }
    Ok((id, is_new))
}

/// All pieces, by their ids.
///
/// # Errors
/// The file system's refusal.
pub fn all(fleet: &FleetDir) -> Result<BTreeMap<String, Vec<u8>>, ArchiveError> {
    let mut pieces = BTreeMap::new();
    for (path, _) in atomic::list(&fleet.pieces())? {
        let name = path.file_name().and_then(|name| name.to_str()?.strip_suffix(".bin"));
        if let Some(id) = name.filter(|name| !name.starts_with('.')) {
            pieces.insert(id.to_owned(), fs::read(&path).map_err(ArchiveError::io("read", &path))?);
        }
    }
    Ok(pieces)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_piece_is_kept_once_and_as_it_is() {
        let root = tempfile::tempdir().unwrap();
        let fleet = FleetDir { root: root.path().to_owned() };
        assert_eq!(all(&fleet).unwrap(), BTreeMap::new());
        let (id, is_new) = keep(&fleet, &[0xFE, 0, 9]).unwrap();
        assert!(is_new);
        assert_eq!(keep(&fleet, &[0xFE, 0, 9]).unwrap(), (id.clone(), false));
        let (other, _) = keep(&fleet, &[1]).unwrap();
        assert_eq!(all(&fleet).unwrap(), BTreeMap::from([(id, vec![0xFE, 0, 9]), (other, vec![1])]));
    }
}
