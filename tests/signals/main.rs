//! Signals against the outside world: synthesis against closed forms and high-precision arithmetic, recordings against
//! files that other software wrote, and hostile bytes against everything that reads.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "the helpers of a test fail as the test does"
)]

mod hostile;
mod reading;
mod stimulus_files;
mod synthesis;
mod writing;

use asleft::signal::source::BlockSource;
use std::path::PathBuf;

/// All samples of a source, planar, read in blocks of an awkward length.
fn samples(source: &dyn BlockSource) -> Vec<Vec<f64>> {
    let format = source.format();
    let mut planes = vec![Vec::new(); format.channels];
    let mut reader = source.open().unwrap();
    let mut block = vec![vec![0.0; 1009]; format.channels];
    loop {
        let first = planes[0].len() as u64;
        let mut slices: Vec<&mut [f64]> = block.iter_mut().map(Vec::as_mut_slice).collect();
        let got = reader.read(first, &mut slices).unwrap();
        if got == 0 {
            return planes;
        }
        for (plane, new) in planes.iter_mut().zip(&block) {
            plane.extend_from_slice(&new[..got]);
        }
    }
}

/// Frames `first…first + count` of one channel.
fn part(source: &dyn BlockSource, channel: usize, first: u64, count: usize) -> Vec<f64> {
    let mut block = vec![vec![0.0; count]; source.format().channels];
    let mut slices: Vec<&mut [f64]> = block.iter_mut().map(Vec::as_mut_slice).collect();
    assert_eq!(source.open().unwrap().read(first, &mut slices).unwrap(), count);
    block.swap_remove(channel)
}

fn fixture(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures")
        .join(name)
}

fn rms(x: &[f64]) -> f64 {
    (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt()
}
