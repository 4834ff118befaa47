//! Driven channels on the command line.

use crate::figure::Driven;

/// Which channels a signal drives.
#[derive(Debug, Clone, Copy, clap::ValueEnum)]
pub(super) enum Channels {
    Left,
    Right,
    Both,
}

impl From<Channels> for Driven {
    fn from(channels: Channels) -> Self {
        match channels {
            Channels::Left => Self::Left,
            Channels::Right => Self::Right,
            Channels::Both => Self::Both,
        }
    }
}
