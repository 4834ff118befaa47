//! The fingerprint of bytes, by which a report names the capture it was made from and a job knows what it recorded.

use crate::error::{Error, Result};
use sha2::{Digest, Sha256};
use std::fmt::Write as _;
use std::fs::File;
use std::io::Read;
use std::path::Path;

/// SHA-256 of `bytes` (FIPS 180-4), 64 lower-case hexadecimal digits.
pub fn of_bytes(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// The same of a capture or its sidecar at `path`, in constant memory.
///
/// # Errors
/// Where the file cannot be read.
pub fn sha256_of(path: &Path) -> Result<String> {
    let cannot = |e: std::io::Error| Error::io("read the capture", path, &e);
    let mut file = File::open(path).map_err(cannot)?;
    let mut hasher = Sha256::new();
    let mut buffer = vec![0; 256 * 1024];
    loop {
        let count = file.read(&mut buffer).map_err(cannot)?;
        if count == 0 {
            break;
        }
        hasher.update(&buffer[..count]);
    }
    Ok(hex(&hasher.finalize()))
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        // Writing to a String cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    #[test]
    fn the_published_example_of_fips_180() {
        // FIPS 180-2, appendix B.1: the message "abc".
        let mut file = tempfile::NamedTempFile::new().unwrap();
        file.write_all(b"abc").unwrap();
        let published = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(sha256_of(file.path()).unwrap(), published);
        assert_eq!(of_bytes(b"abc"), published);
    }
}
