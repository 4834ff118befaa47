//! What a workshop puts on its reports: address, closing words, logo. It stands in a file of the workshop's own and never
//! in a job, so that a move or a new logo does not change what was measured.

use crate::error::{Error, Kind, Result};
use crate::ownfile::inspection::{self, Faults, FormatOf};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Version tag of workshop files.
pub const SCHEMA: &str = "asleft.workshop.v1";

const FORMAT: FormatOf = FormatOf {
    what: "workshop",
    schema: SCHEMA,
    strangers: &[(
        "name",
        "take the line out: the workshop's name stands in each job (job new --workshop)",
    )],
    lister: "asleft report",
};

/// A workshop file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Workshop {
    /// Version of this format: `asleft.workshop.v1`.
    pub schema: String,
    /// Lines of the address.
    #[serde(default)]
    pub address: Vec<String>,
    /// Words at the end of page one.
    #[serde(default)]
    pub closing: String,
    /// Picture file, SVG or PNG, by its name beside this file.
    #[serde(default)]
    pub logo: Option<String>,
}

/// Reads a workshop file's text; `place` is its name for messages.
///
/// # Errors
/// The first problem, with its line.
pub fn parse(text: &str, place: &str) -> Result<Workshop> {
    inspection::parse(text, place, FORMAT, |_: &Workshop, _: &mut Faults| {})
}

/// What a report shows of a workshop beside its name.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Letterhead {
    /// Lines of the address.
    pub address: Vec<String>,
    /// Words at the end of page one.
    pub closing: String,
    /// The logo.
    pub logo: Option<Logo>,
}

/// A picture as a page and a typesetter take it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Logo {
    /// `svg` or `png`.
    pub format: &'static str,
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// The same in an address of its own, for a page.
    pub address: String,
}

impl Logo {
    /// A logo from the bytes of a file; what it is, the bytes tell.
    ///
    /// # Errors
    /// Where it is neither PNG (ISO/IEC 15948: its first eight bytes) nor SVG.
    pub fn of(bytes: Vec<u8>, place: &str) -> Result<Self> {
        let (format, kind) = if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
            ("png", "image/png")
        } else if std::str::from_utf8(&bytes).is_ok_and(|text| text.contains("<svg")) {
            ("svg", "image/svg+xml")
        } else {
            return Err(Error::new(Kind::Value, "the logo is neither PNG nor SVG")
                .at(place)
                .next("save it as one of the two and name that file"));
        };
        let address = format!("data:{kind};base64,{}", STANDARD.encode(&bytes));
        Ok(Self {
            format,
            bytes,
            address,
        })
    }
}
