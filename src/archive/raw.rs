//! The exact copy of a log: zstd with checksum, hashed in the same pass, read back before it counts.

use super::layout::FleetDir;
use super::{ArchiveError, atomic};
use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

/// Read buffer: large enough that system calls do not show, small enough to stay in cache.
const CHUNK: usize = 256 * 1024;

/// zstd's level. Telemetry is noise for the most part: level 1 saves another 16 % of the space for twice the time.
const LEVEL: i32 = -3;

/// BLAKE3 of a file, hex, and its size.
///
/// # Errors
/// The file system's refusal.
pub fn hash_file(path: &Path) -> Result<(String, u64), ArchiveError> {
    let mut file = File::open(path).map_err(ArchiveError::io("open", path))?;
    hash(&mut file).map_err(ArchiveError::io("read", path))
}

fn hash(input: &mut impl Read) -> io::Result<(String, u64)> {
    let mut hasher = blake3::Hasher::new();
    let mut buffer = vec![0; CHUNK];
    let mut bytes = 0;
    loop {
        let read = match input.read(&mut buffer) {
            Ok(0) => return Ok((hasher.finalize().to_hex().to_string(), bytes)),
            Ok(read) => read,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(error),
        };
        hasher.update(buffer.get(..read).unwrap_or_default());
        bytes += read as u64;
    }
}

/// A copy being written.
pub struct RawCopy {
    source: PathBuf,
    temporary: PathBuf,
    encoder: Option<zstd::Encoder<'static, File>>,
    hasher: blake3::Hasher,
    bytes: u64,
}

impl RawCopy {
    /// Begins the copy of `source` under the archive.
    ///
    /// # Errors
    /// The file system's refusal.
    pub fn begin(fleet: &FleetDir, source: &Path) -> Result<Self, ArchiveError> {
        let folder = fleet.archive().join("raw");
        atomic::create_folder(&folder)?;
        let temporary = atomic::temporary_name(&folder.join("copy"));
        let file = atomic::create_new(&temporary)?;
        let encoder = zstd::Encoder::new(file, LEVEL)
            .and_then(|mut e| e.include_checksum(true).map(|()| e))
            .map_err(ArchiveError::io("compress into", &temporary))?;
        Ok(RawCopy {
            source: source.to_owned(),
            temporary,
            encoder: Some(encoder),
            hasher: blake3::Hasher::new(),
            bytes: 0,
        })
    }

    /// Adds bytes.
    ///
    /// # Errors
    /// The file system's refusal.
    pub fn write(&mut self, bytes: &[u8]) -> Result<(), ArchiveError> {
        self.hasher.update(bytes);
        self.bytes += bytes.len() as u64;
        match &mut self.encoder {
            Some(encoder) => encoder.write_all(bytes).map_err(ArchiveError::io("write", &self.temporary)),
            None => Ok(()),
        }
    }

    /// The log id of the bytes so far.
    #[must_use]
    pub fn log_id(&self) -> String {
        self.hasher.finalize().to_hex().to_string()
    }

    /// Ends the copy, reads it back, and gives it its name: zstd's checksum of the content and the length must be
    /// those of what was written. Returns the log id.
    ///
    /// # Errors
    /// The file system's refusal, or [`ArchiveError::CopyDiffers`].
    pub fn finish(mut self, fleet: &FleetDir) -> Result<String, ArchiveError> {
        let log_id = self.log_id();
        if let Some(encoder) = self.encoder.take() {
            let file = encoder.finish().map_err(ArchiveError::io("write", &self.temporary))?;
            file.sync_all().map_err(ArchiveError::io("sync", &self.temporary))?;
        }
        if read_back(&self.temporary)? != self.bytes {
            return Err(ArchiveError::CopyDiffers { path: self.source.clone() });
        }
        atomic::publish(&self.temporary, &fleet.raw(&log_id))?;
        Ok(log_id)
    }
}

impl Drop for RawCopy {
    fn drop(&mut self) {
        // After a rename there is nothing under the temporary name; after a failure there may be.
        let _ = fs::remove_file(&self.temporary);
    }
}

/// Decompresses a copy to its end and says how many bytes there were; zstd's checksum of the content, made when
/// the copy was written, vouches for them.
fn read_back(copy: &Path) -> Result<u64, ArchiveError> {
    let file = File::open(copy).map_err(ArchiveError::io("open", copy))?;
    zstd::Decoder::new(file)
        .and_then(|mut decoder| io::copy(&mut decoder, &mut io::sink()))
        .map_err(ArchiveError::io("decompress", copy))
}

/// The content of a stored copy. The file is opened with the first read, so that many can stand in a row.
#[must_use]
pub fn open(copy: &Path) -> Stored {
    Stored { copy: copy.to_owned(), decoder: None }
}

/// A stored copy that is read.
pub struct Stored {
    copy: PathBuf,
    decoder: Option<zstd::Decoder<'static, io::BufReader<File>>>,
}

impl Read for Stored {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let decoder = match &mut self.decoder {
            Some(decoder) => decoder,
            unopened => {
                let named = |e: io::Error| io::Error::new(e.kind(), format!("{}: {e}", self.copy.display()));
                let file = File::open(&self.copy).map_err(named)?;
                unopened.insert(zstd::Decoder::new(file).map_err(named)?)
            }
        };
        decoder.read(buffer)
    }
}

/// The log id that a stored copy reads back to.
///
/// # Errors
/// The file system's refusal, or damage that zstd's own checksum finds.
pub fn verify(copy: &Path) -> Result<String, ArchiveError> {
    let file = File::open(copy).map_err(ArchiveError::io("open", copy))?;
    let mut decoder = zstd::Decoder::new(file).map_err(ArchiveError::io("decompress", copy))?;
    hash(&mut decoder).map(|(id, _)| id).map_err(ArchiveError::io("decompress", copy))
}
