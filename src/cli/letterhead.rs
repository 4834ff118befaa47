//! Finds the workshop file and its logo.

use crate::error::{Error, Kind, Result};
use crate::report::letterhead::{self, Letterhead, Logo};
use std::path::{Path, PathBuf};

/// Name of the file in the user's configuration folder.
const FILE: &str = "workshop.toml";

/// The letterhead of the file at `asked`, else of `ASLEFT_WORKSHOP`, else of the user's configuration folder; empty where
/// there is none.
///
/// # Errors
/// Where a file that was named cannot be read, or any has a problem.
pub fn find(asked: Option<&Path>) -> Result<Letterhead> {
    let named = asked.map(Path::to_owned).or_else(|| {
        std::env::var_os("ASLEFT_WORKSHOP")
            .filter(|f| !f.is_empty())
            .map(PathBuf::from)
    });
    let path = match named {
        Some(path) => path,
        None => match directories::ProjectDirs::from("", "", "asleft") {
            Some(dirs) if dirs.config_dir().join(FILE).exists() => dirs.config_dir().join(FILE),
            _ => return Ok(Letterhead::default()),
        },
    };
    read(&path)
}

fn read(path: &Path) -> Result<Letterhead> {
    let text = std::fs::read_to_string(path).map_err(|e| Error::io("read the workshop file", path, &e))?;
    let workshop = letterhead::parse(&text, &path.display().to_string())?;
    let logo = match &workshop.logo {
        Some(name) => Some(logo(&path.parent().unwrap_or(Path::new(".")).join(name))?),
        None => None,
    };
    Ok(Letterhead {
        address: workshop.address,
        closing: workshop.closing,
        logo,
    })
}

/// A logo larger than this is a mistake, and would be carried in every report.
const LARGEST_LOGO: u64 = 4 << 20;

fn logo(path: &Path) -> Result<Logo> {
    let size = std::fs::metadata(path)
        .map_err(|e| Error::io("read the logo", path, &e))?
        .len();
    if size > LARGEST_LOGO {
        return Err(Error::new(Kind::Value, "the logo is larger than 4 MB")
            .at_path(path)
            .next("save it smaller: on paper it is 20 mm high"));
    }
    let bytes = std::fs::read(path).map_err(|e| Error::io("read the logo", path, &e))?;
    Logo::of(bytes, &path.display().to_string())
}
