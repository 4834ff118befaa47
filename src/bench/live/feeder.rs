//! Renders the stimulus into the ring that the output's callback plays from.

use crate::bench::BLOCK_FRAMES;
use crate::error::Result;
use crate::signal::random::Random;
use crate::signal::source::{BlockReader, BlockSource, Encoding};
use crate::signal::synthesis::Renderer;
use rtrb::Producer;

/// The stream of random numbers that dithers what is played on integer converters.
const DITHER_SEED: u64 = 0x6c69_7665;

/// From renderer to ring, block by block.
pub(super) struct Feeder {
    reader: Box<dyn BlockReader>,
    ring: Producer<f64>,
    planes: Vec<Vec<f64>>,
    next: u64,
    frames: u64,
    dither: Option<(Random, f64)>,
}

impl Feeder {
    /// Feeds `renderer` to `ring` for an output of `encoding`. Up to 24 bits are dithered as files are.
    ///
    /// # Errors
    /// Where the stimulus cannot be rendered.
    pub(super) fn new(renderer: &Renderer, ring: Producer<f64>, encoding: Encoding) -> Result<Self> {
        let format = renderer.format();
        let step = match encoding {
            Encoding::Int(bits) if bits <= 24 => encoding.step(),
            _ => None,
        };
        Ok(Self {
            reader: renderer.open()?,
            ring,
            planes: vec![vec![0.0; BLOCK_FRAMES]; format.channels],
            next: 0,
            frames: format.frames,
            dither: step.map(|step| (Random::stream(DITHER_SEED, 0), step)),
        })
    }

    /// Fills the ring as far as there is room.
    ///
    /// # Errors
    /// Where the stimulus cannot be rendered.
    pub(super) fn feed(&mut self) -> Result<()> {
        while self.next < self.frames {
            let left = usize::try_from(self.frames - self.next).unwrap_or(usize::MAX);
            let block = BLOCK_FRAMES.min(left);
            let samples = block * self.planes.len();
            let Ok(chunk) = self.ring.write_chunk_uninit(samples) else {
                break;
            };
            let mut planes: Vec<&mut [f64]> = self.planes.iter_mut().map(|p| &mut p[..block]).collect();
            self.reader.read(self.next, &mut planes)?;
            let (planes, dither) = (&self.planes, &mut self.dither);
            let values = (0..block).flat_map(|frame| planes.iter().map(move |plane| plane[frame]));
            chunk.fill_from_iter(values.map(|value| match dither {
                Some((random, step)) => value + 0.5 * (random.symmetric() + random.symmetric()) * *step,
                None => value,
            }));
            self.next += block as u64;
        }
        Ok(())
    }
}
