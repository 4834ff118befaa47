//! The sidecar of a capture: everything that its samples do not say, and their hash.

use super::json;
use super::moment::Moment;
use super::record::{self, StageKind};
use crate::error::Result;
use crate::signal::source::Format;
use crate::signal::stimulus::Stimulus;
use crate::signal::take::Setup;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Version tag of `NNN-figure.json`.
pub const SCHEMA: &str = "asleft.capture.v1";

/// What is known of a capture beside its samples. With the record's rig it makes the take complete.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sidecar {
    /// Always [`SCHEMA`].
    pub schema: String,
    /// Stage that it was made in.
    pub stage: StageKind,
    /// Measurement that it was made for.
    pub measurement: String,
    /// When the recording ended.
    pub recorded: Moment,
    /// SHA-256 of the WAV file.
    pub sha256: String,
    /// Shape of the recording.
    pub format: Format,
    /// What was played; `None` where that is not known.
    pub stimulus: Option<Stimulus>,
    /// How the unit stood.
    pub setup: Setup,
    /// Key of the rig's snapshot in the record; `None` where the capture came without a rig.
    pub rig_sha256: Option<String>,
    /// Made by the simulated bench.
    pub simulated: bool,
}

impl Sidecar {
    /// Reads a sidecar of any version.
    ///
    /// # Errors
    /// Where the text is damaged or newer than this program.
    pub fn read(text: &str, path: &Path) -> Result<Self> {
        json::read(text, SCHEMA, path)
    }

    /// The text of `NNN-figure.json`.
    ///
    /// # Errors
    /// Where a number in it cannot be written.
    pub fn to_text(&self) -> Result<String> {
        record::to_text(self)
    }
}

/// What a look at a capture on the disk found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CaptureState {
    /// `NNN-figure`.
    pub capture: String,
    /// What is the matter, if anything.
    pub health: Health,
}

/// Whether a capture is what it was when it was recorded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Health {
    /// Sidecar and samples are those that were recorded.
    Intact,
    /// The WAV file is not the one that was recorded.
    SamplesAltered,
    /// The sidecar is not the one that the record knows.
    SidecarAltered,
    /// The WAV file is gone.
    SamplesMissing,
    /// The sidecar is gone.
    SidecarMissing,
    /// Samples without a sidecar: the program was stopped while it recorded. They are kept, and no figure uses them.
    Unfinished,
    /// Samples and sidecar that the record does not name: the program was stopped before it wrote them down.
    Unrecorded,
}

impl Health {
    /// Whether a capture that figures rest on is not what was recorded. What is merely unfinished or unrecorded is
    /// used for no figure.
    pub fn is_damage(self) -> bool {
        !matches!(self, Self::Intact | Self::Unfinished | Self::Unrecorded)
    }

    /// A sentence for people, with what it means.
    pub fn in_words(self) -> &'static str {
        match self {
            Self::Intact => "as recorded",
            Self::SamplesAltered => "the samples were changed after recording; figures from it prove nothing",
            Self::SidecarAltered => "the conditions beside the samples were changed after recording",
            Self::SamplesMissing => "the samples are gone; restore the WAV file from a copy",
            Self::SidecarMissing => "the conditions beside the samples are gone; restore them from a copy",
            Self::Unfinished => {
                "samples without their conditions: recording was interrupted; kept, used for no figure"
            }
            Self::Unrecorded => {
                "not in the record: the job was interrupted just after recording; kept, used for no figure"
            }
        }
    }
}
