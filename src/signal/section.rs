//! A part of a recording, read like a recording of its own.

use super::source::{BlockReader, BlockSource, Format};
use crate::error::Result;
use std::ops::Range;
use std::sync::Arc;

/// Frames of a recording from one to another.
#[derive(Debug, Clone)]
pub struct Section {
    whole: Arc<dyn BlockSource>,
    frames: Range<u64>,
}

impl Section {
    /// The `frames` of `whole`, as far as it has them.
    pub fn new(whole: Arc<dyn BlockSource>, frames: Range<u64>) -> Self {
        let end = frames.end.min(whole.format().frames);
        Self {
            whole,
            frames: frames.start.min(end)..end,
        }
    }

    /// The frames of the whole recording.
    pub fn frames(&self) -> Range<u64> {
        self.frames.clone()
    }
}

impl BlockSource for Section {
    fn format(&self) -> Format {
        Format {
            frames: self.frames.end - self.frames.start,
            ..self.whole.format()
        }
    }

    fn open(&self) -> Result<Box<dyn BlockReader>> {
        Ok(Box::new(Reader {
            whole: self.whole.open()?,
            frames: self.frames.clone(),
        }))
    }

    fn notes(&self) -> Vec<String> {
        self.whole.notes()
    }
}

struct Reader {
    whole: Box<dyn BlockReader>,
    frames: Range<u64>,
}

impl BlockReader for Reader {
    fn read(&mut self, first: u64, planes: &mut [&mut [f64]]) -> Result<usize> {
        let there = (self.frames.end - self.frames.start).saturating_sub(first);
        let there = usize::try_from(there).unwrap_or(usize::MAX);
        let mut shown: Vec<&mut [f64]> = planes
            .iter_mut()
            .map(|p| {
                let length = p.len().min(there);
                &mut p[..length]
            })
            .collect();
        self.whole.read(self.frames.start + first, &mut shown)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::source::MemorySource;

    #[test]
    fn a_section_begins_and_ends_where_it_was_cut() {
        let plane: Vec<f64> = (0..100).map(f64::from).collect();
        let whole = Arc::new(MemorySource::new(48_000, vec![plane]));
        let section = Section::new(whole, 40..200);
        assert_eq!(section.format().frames, 60);
        let mut out = vec![-1.0; 8];
        let got = section.open().unwrap().read(55, &mut [&mut out]).unwrap();
        assert_eq!((got, &out[..6]), (5, &[95.0, 96.0, 97.0, 98.0, 99.0, -1.0][..]));
    }
}
