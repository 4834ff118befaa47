//! Noise with nothing played: density, levels, the mains' comb, a bus clock's comb, exact zeros, bits.

use super::{Floor, dbfs_of};
use crate::dsp::line::LinePower;
use crate::dsp::mains::{self, Mains};
use crate::dsp::spectrum::PowerSpectrum;
use crate::dsp::weighting::power_gain;
use crate::error::Result;
use crate::figure::{Band, Weighting};
use crate::rig::planner::noise::a_weighting_of_white;
use crate::signal::source::{BlockSource, Encoding};
use crate::take::{ChannelView, Content, Examined};

/// Third octaves are counted from 1 kHz: 10^(n/10) kHz (IEC 61260-1, base ten).
const LOWEST_THIRD: i32 = -20;
const HIGHEST_THIRD: i32 = 19;

/// A bus frame of USB lasts 1 ms; its current is drawn in that rhythm and shows at multiples of 1 kHz.
const BUS_HZ: f64 = 1_000.0;

/// Multiples that are looked at.
const BUS_ORDERS: u32 = 16;

/// Of so many places none comes this high by chance: 8 deviations of a sum over some ten degrees of freedom.
const BUS_DEVIATIONS: f64 = 8.0;

/// A comb is at least so many lines.
const FEWEST_LINES: usize = 2;

/// The floor of every channel of a silent take; `None` for a channel that the take does not have.
pub(super) fn floors(examined: &Examined) -> Vec<Floor> {
    let (Content::Silence(views) | Content::Noise(views) | Content::Tone(views) | Content::Unknown(views)) =
        &examined.content
    else {
        return Vec::new();
    };
    let step = examined.take.source.format().encoding.step();
    views.iter().map(|view| floor(view, step)).collect()
}

fn floor(view: &ChannelView, step: Option<f64>) -> Floor {
    let spectrum = &view.spectrum;
    // Nothing is quieter than the converter's own steps, whatever its last bit does: q²/12.
    let steps = step.map_or(0.0, |q| q * q / 12.0);
    let steps_density = steps / spectrum.last_hz().max(1.0);
    let zeros = spectrum.density.iter().all(|d| *d <= 0.0) && view.dc.abs() <= 0.0;
    let least = |power: f64, width_hz: f64| power.max(steps_density * width_hz);
    let audio = Band {
        high_hz: Band::AUDIO.high_hz.min(spectrum.last_hz()),
        ..Band::AUDIO
    };
    let width = audio.high_hz - audio.low_hz;
    let a = |hz: f64| power_gain(Weighting::A, hz);
    let a_width = a_weighting_of_white().powi(2) * (Band::AUDIO.high_hz - Band::AUDIO.low_hz);
    let (frequency_hz, dbfs_per_hz) = third_octaves(spectrum)
        .map(|(hz, density)| (hz, dbfs_of(density.max(steps_density))))
        .unzip();
    let mains = mains::find(spectrum, audio, &[]).filter(is_comb);
    Floor {
        flat_dbfs: dbfs_of(least(spectrum.mean_square(audio, None), width)),
        a_dbfs: dbfs_of(least(spectrum.mean_square(audio, Some(&a)), a_width)),
        frequency_hz,
        dbfs_per_hz,
        hum_dbfs: mains
            .as_ref()
            .and_then(|m| m.sum(|_| true))
            .map(|l| dbfs_of(l.power.value)),
        mains_hz: mains.map(|m| m.frequency_hz),
        bus_dbfs: bus(spectrum),
        zeros,
    }
}

/// Middle and density of each third octave inside the spectrum, lines left out.
fn third_octaves(spectrum: &PowerSpectrum) -> impl Iterator<Item = (f64, f64)> {
    let background = PowerSpectrum {
        density: spectrum.background(),
        segments: Vec::new(),
        ..spectrum.clone()
    };
    (LOWEST_THIRD..=HIGHEST_THIRD).filter_map(move |n| {
        let hz = 1_000.0 * 10f64.powf(f64::from(n) / 10.0);
        let half = 10f64.powf(0.05);
        let band = Band {
            low_hz: hz / half,
            high_hz: hz * half,
        };
        let inside = band.low_hz >= 2.0 * background.bin_hz && band.high_hz <= 0.95 * background.last_hz();
        let power = background.mean_square(band, None);
        inside.then(|| (hz, power / (band.high_hz - band.low_hz)))
    })
}

fn is_comb(mains: &Mains) -> bool {
    mains.lines.iter().filter(|l| l.is_seen()).count() >= FEWEST_LINES
}

/// Level of the lines at multiples of the bus's frame rate, where at least two stand out.
fn bus(spectrum: &PowerSpectrum) -> Option<f64> {
    let stands_out = |l: &LinePower| l.power.value > BUS_DEVIATIONS * l.noise_u;
    let lines: Vec<LinePower> = (1..=BUS_ORDERS)
        .filter_map(|k| spectrum.line(f64::from(k) * BUS_HZ, 0.0, 0.4 * BUS_HZ))
        .filter(stands_out)
        .collect();
    let sum = lines.iter().map(|l| l.power.value).sum::<f64>();
    (lines.len() >= FEWEST_LINES).then(|| dbfs_of(sum))
}

/// Most bits that are looked for.
const FINEST_BITS: u16 = 24;

/// Significant bits of each channel's samples: the coarsest grid that all of them lie on. `None` where that is finer
/// than 24 bits.
///
/// # Errors
/// Where the source cannot be read.
pub(super) fn bits(source: &dyn BlockSource) -> Result<Vec<Option<u16>>> {
    let format = source.format();
    let mut reader = source.open()?;
    let mut planes = vec![vec![0.0; 4096]; format.channels];
    let mut finest = vec![Some(0u16); format.channels];
    let stored = match format.encoding {
        Encoding::Int(bits) => bits,
        Encoding::Float(_) => FINEST_BITS + 1,
    };
    let mut at = 0;
    loop {
        let mut slices: Vec<&mut [f64]> = planes.iter_mut().map(Vec::as_mut_slice).collect();
        let got = reader.read(at, &mut slices)?;
        if got == 0 {
            break;
        }
        at += got as u64;
        for (own, plane) in finest.iter_mut().zip(&planes) {
            for x in plane.iter().take(got) {
                *own = own.zip(bits_of(*x)).map(|(a, b)| a.max(b));
            }
        }
    }
    let known = |bits: Option<u16>| bits.filter(|b| *b > 0 && *b <= stored && *b <= FINEST_BITS);
    Ok(finest.into_iter().map(known).collect())
}

/// Bits, sign included, that the value needs; `None` where more than [`FINEST_BITS`].
fn bits_of(x: f64) -> Option<u16> {
    let code = x * f64::from(FINEST_BITS - 1).exp2();
    if code.fract().abs() > 1e-6 {
        return None;
    }
    #[allow(clippy::cast_possible_truncation, reason = "codes have 24 bits")]
    let code = code as i64;
    let zeros = if code == 0 {
        return Some(0);
    } else {
        code.trailing_zeros()
    };
    u16::try_from(zeros).ok().map(|z| FINEST_BITS.saturating_sub(z))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::source::MemorySource;

    #[test]
    fn the_grid_that_samples_lie_on_is_found() {
        let on = |bits: i32| {
            let step = 2f64.powi(1 - bits);
            (0..5000)
                .map(|i| f64::from(i * 7 % 101 - 50) * step)
                .collect::<Vec<_>>()
        };
        let fine = (0..5000).map(|i| f64::from(i) * 1.1e-9).collect();
        let found = bits(&MemorySource::new(48_000, vec![on(16), on(20), on(24), fine])).unwrap();
        assert_eq!(found, [Some(16), Some(20), Some(24), None]);
    }
}
