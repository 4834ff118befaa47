//! The amplifier's part of a take: from e.m.f. to the voltages at the loads.

use super::{Session, Spectrum, Stream, stream, to_frames};
use crate::bench::simulated::path::{AmplifierPath, ChannelPath};
use crate::error::Result;
use rustfft::num_complex::Complex64;

/// What an output stage is asked for.
struct Wanted {
    spectrum: Spectrum,
    wave: Vec<f64>,
}

impl Session<'_> {
    /// The amplifier: spectra at the loads, V, and the mean rail current at each frame, A.
    pub(super) fn amplify(
        &self,
        path: &AmplifierPath,
        emf: [Option<Spectrum>; 2],
    ) -> Result<([Spectrum; 2], Vec<f64>)> {
        let at_selector = self.to_selector(path, emf);
        let [l, r] = &path.channels;
        let [sl, sr] = &at_selector;
        let (left, right) = rayon::join(
            || self.wanted(l, sl.as_deref(), sr.as_deref()),
            || self.wanted(r, sr.as_deref(), sl.as_deref()),
        );
        let wanted = [left?, right?];
        let current = self.rail_current(path, &wanted);
        let rail = self.rail(path, &current);
        let [wl, wr] = wanted;
        let (left, right) = rayon::join(
            || self.output(0, l, wl, (path.rail_v, &rail)),
            || self.output(1, r, wr, (path.rail_v, &rail)),
        );
        Ok(([left?, right?], current))
    }

    fn to_selector(&self, path: &AmplifierPath, emf: [Option<Spectrum>; 2]) -> [Option<Spectrum>; 2] {
        let mut channels = path.channels.iter();
        emf.map(|spectrum| {
            let channel = channels.next()?;
            let mut spectrum = spectrum?;
            for (bin, z) in spectrum.iter_mut().enumerate() {
                *z *= channel.before_selector(self.hertz(bin));
            }
            Some(spectrum)
        })
    }

    /// The voltage that one output stage is asked for: spectrum and wave; `None` where it is silent.
    fn wanted(
        &self,
        channel: &ChannelPath,
        own: Option<&[Complex64]>,
        other: Option<&[Complex64]>,
    ) -> Result<Option<Wanted>> {
        if own.is_none() && other.is_none() {
            return Ok(None);
        }
        let bins = self.whole.length() / 2 + 1;
        let pick =
            |s: Option<&[Complex64]>, bin: usize| s.and_then(|s| s.get(bin)).copied().unwrap_or_default();
        let spectrum: Spectrum = (0..bins)
            .map(|bin| {
                let hertz = self.hertz(bin);
                let mut z = pick(own, bin);
                if other.is_some() {
                    z += pick(other, bin) * channel.crosstalk(hertz);
                }
                z * channel.after_selector(hertz)
            })
            .collect();
        let mut wave = self.whole.inverse(spectrum.clone())?;
        // What the stage does in the silent tail is of no interest, but its last transient is.
        wave.truncate(
            wave.len()
                .min(self.frames.max(self.recorded) + to_frames(0.1 * self.rate)),
        );
        Ok(Some(Wanted { spectrum, wave }))
    }

    /// Mean current that each rail delivers, A.
    fn rail_current(&self, path: &AmplifierPath, wanted: &[Option<Wanted>; 2]) -> Vec<f64> {
        let mut mean = path.idle_current_a();
        let frames = self.frames.max(self.recorded);
        if wanted.iter().all(Option::is_none) {
            return vec![mean; frames];
        }
        let share = 1.0 - (-1.0 / (self.rate * path.supply.settling_s)).exp();
        let conductance: Vec<f64> = path.channels.iter().map(|c| c.stage.current_a(1.0)).collect();
        (0..frames)
            .map(|frame| {
                let mut now = 0.0;
                for ((channel, wanted), siemens) in path.channels.iter().zip(wanted).zip(&conductance) {
                    let volts = wanted
                        .as_ref()
                        .and_then(|w| w.wave.get(frame))
                        .copied()
                        .unwrap_or(0.0);
                    let held = volts.clamp(-path.rail_v, path.rail_v);
                    now += channel.stage.pair.rail_current_a(held * siemens);
                }
                mean += share * (now - mean);
                mean
            })
            .collect()
    }

    /// The rail at each frame, V.
    fn rail(&self, path: &AmplifierPath, current: &[f64]) -> Vec<f64> {
        let supply = &path.supply;
        let mut rail = vec![0.0; current.len()];
        self.at_mains_cycles(supply, self.rate, &mut rail, |frame, cycles, volts| {
            let amperes = current.get(frame).copied().unwrap_or(0.0);
            *volts = path.rail_v
                - supply.resistance_ohm * amperes
                - supply.ripple_v(amperes) * supply.ripple_shape(cycles);
        });
        rail
    }

    /// One output stage: spectrum at the load with the amplifier's noise, V.
    fn output(
        &self,
        index: usize,
        channel: &ChannelPath,
        wanted: Option<Wanted>,
        (unloaded_v, rail): (f64, &[f64]),
    ) -> Result<Spectrum> {
        let mut random = stream(self.seed, self.take, Stream::Noise, index);
        let scale = self.bin_variance();
        let mut noise = |hertz: f64| {
            let (re, im) = random.normal_pair(f64::INFINITY);
            Complex64::new(re, im) * (channel.noise_density(hertz) * scale).sqrt()
        };
        let Some(Wanted { mut spectrum, wave }) = wanted else {
            let bins = self.whole.length() / 2 + 1;
            return Ok((0..bins)
                .map(|bin| {
                    if bin == 0 {
                        Complex64::ZERO
                    } else {
                        noise(self.hertz(bin))
                    }
                })
                .collect());
        };
        // Between the frames the wave may rise a little higher than at them.
        let reach = 1.3 * wave.iter().fold(0.0f64, |m, v| m.max(v.abs()));
        let tables = channel.stage.tabulate(reach.min(unloaded_v));
        let [lost, error] = tables.run(&self.oversampler, &wave, rail)?;
        let spectrum_of = |product: Option<Vec<f64>>| product.map(|p| self.whole.forward(&p)).transpose();
        let (lost, error) = (spectrum_of(lost)?, spectrum_of(error)?);
        let at = |product: &Option<Spectrum>, bin: usize| {
            product
                .as_ref()
                .and_then(|p| p.get(bin))
                .copied()
                .unwrap_or_default()
        };
        let passed = 1.0 - channel.stage.wiring_share();
        for (bin, z) in spectrum.iter_mut().enumerate() {
            let hertz = self.hertz(bin);
            let left = channel.stage.built.loop_gain.residue(hertz) * at(&error, bin);
            *z = (*z * passed - at(&lost, bin) - left) * channel.stage.inductor(hertz);
            if bin > 0 {
                *z += noise(hertz);
            }
        }
        Ok(spectrum)
    }
}
