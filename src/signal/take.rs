//! A take: what was recorded, and under which conditions.

use super::source::BlockSource;
use super::stimulus::Stimulus;
use crate::figure::Driven;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Position of the volume control that sensitivities are stated at.
pub const FULL_VOLUME: &str = "maximum";

/// The position of a volume control that lets nothing through.
pub const MINIMUM: &str = "minimum";

/// What terminates an input for readings of noise.
pub const SHORTED_PLUG: &str = "shorted plug";

/// How the unit under test stood while a take was made. Unknown is `None`, never a guess.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Setup {
    /// Driven channels.
    pub driven: Option<Driven>,
    /// Operating mode by its name in the unit file.
    pub mode: Option<String>,
    /// Input by its name in the unit file.
    pub input: Option<String>,
    /// Position of the volume control in words ("reference", "minimum").
    pub volume: Option<String>,
    /// What terminates the unit's input, where nothing drives it ("shorted plug", "1 kΩ").
    pub termination: Option<String>,
    /// The rig's tap that the capture hears through, by name; `None` is its only one.
    pub tap: Option<String>,
    /// The rig's input pad between interface and unit, by name.
    pub pad: Option<String>,
    /// Whether the load was connected; `None` where unknown.
    pub loaded: Option<bool>,
}

/// One recording with all that is known about it.
#[derive(Debug, Clone)]
pub struct Take {
    /// The samples.
    pub source: Arc<dyn BlockSource>,
    /// What was played, where known.
    pub stimulus: Option<Stimulus>,
    /// How the unit stood.
    pub setup: Setup,
    /// Made by the simulated bench.
    pub simulated: bool,
}

impl Take {
    /// A take of which nothing but the samples is known.
    pub fn of(source: Arc<dyn BlockSource>) -> Self {
        Self {
            source,
            stimulus: None,
            setup: Setup::default(),
            simulated: false,
        }
    }
}
