//! What is synthesised, against closed forms and integer or 60-digit arithmetic.

use super::{fixture, part, rms, samples};
use asleft::figure::Driven;
use asleft::quantity::Dbfs;
use asleft::signal::source::BlockSource;
use asleft::signal::stimulus::{Component, NoiseColour, SCHEMA, Signal, Stimulus};
use asleft::signal::synthesis::Renderer;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex64;
use std::f64::consts::{PI, TAU};

fn mono(sample_rate_hz: u32, seconds: f64, signal: Signal) -> Stimulus {
    Stimulus {
        schema: SCHEMA.to_owned(),
        sample_rate_hz,
        seconds,
        lead_in_s: 0.0,
        lead_out_s: 0.0,
        fade_s: 0.0,
        marks: None,
        channels: vec![signal],
    }
}

fn tone(frequency_hz: f64, level_dbfs: f64) -> Signal {
    Signal::Tone {
        frequency_hz,
        level_dbfs,
    }
}

fn spectrum(x: &[f64], window: impl Fn(usize) -> f64) -> Vec<f64> {
    let mut bins: Vec<Complex64> = x
        .iter()
        .enumerate()
        .map(|(n, v)| Complex64::new(v * window(n), 0.0))
        .collect();
    FftPlanner::new().plan_fft_forward(bins.len()).process(&mut bins);
    bins[..x.len() / 2].iter().map(|b| b.norm()).collect()
}

/// Largest line further than `apart` bins from the largest of all, dB re that.
fn worst_spur_db(lines: &[f64], apart: usize) -> f64 {
    let at = (0..lines.len())
        .max_by(|a, b| lines[*a].total_cmp(&lines[*b]))
        .unwrap();
    let spur = lines
        .iter()
        .enumerate()
        .filter(|(k, _)| k.abs_diff(at) > apart)
        .map(|(_, v)| *v)
        .fold(0.0, f64::max);
    20.0 * (spur / lines[at]).log10()
}

const LENGTH: usize = 1 << 16;

#[test]
fn a_tone_is_clean_after_an_hour() {
    // The last 1.4 s of an hour; 12 345 periods of 65 536 frames, so that no window is needed. Rounding of f64 samples
    // (relative 2⁻⁵³, 48 dB of gain by the transform's length) leaves lines far below −300 dBc.
    let frequency = 12_345.0 * 48_000.0 / 65_536.0;
    let renderer = Renderer::new(&mono(48_000, 3600.0, tone(frequency, 0.0))).unwrap();
    let x = part(&renderer, 0, 48_000 * 3600 - LENGTH as u64, LENGTH);
    let spur = worst_spur_db(&spectrum(&x, |_| 1.0), 0);
    assert!(spur < -300.0, "{spur} dBc");
}

#[test]
fn any_frequency_is_clean_through_a_strong_window() {
    // HFT248D of G. Heinzel, A. Rüdiger and R. Schilling (2002): side lobes at −248.4 dB beside the line, lower away
    // from it; looked at from 64 bins on, where they are below −290 dB.
    const A: [f64; 11] = [
        1.0,
        1.985_844_164_102,
        1.791_176_438_506,
        1.282_075_284_005,
        0.667_777_530_266,
        0.240_160_796_576,
        0.056_656_381_764,
        0.008_134_974_479,
        0.000_624_544_650,
        0.000_019_808_998,
        0.000_000_132_974,
    ];
    let window = |n: usize| -> f64 {
        let z = TAU * n as f64 / LENGTH as f64;
        A.iter()
            .enumerate()
            .map(|(k, a)| {
                if k % 2 == 0 {
                    a * (k as f64 * z).cos()
                } else {
                    -a * (k as f64 * z).cos()
                }
            })
            .sum()
    };
    for (frequency, rate) in [(997.123, 48_000), (19_001.7, 44_100), (70_000.1, 192_000)] {
        let renderer = Renderer::new(&mono(rate, 600.0, tone(frequency, -3.0))).unwrap();
        let x = part(&renderer, 0, u64::from(rate) * 600 - LENGTH as u64, LENGTH);
        let spur = worst_spur_db(&spectrum(&x, window), 64);
        assert!(spur < -250.0, "{frequency} Hz at {rate}: {spur} dBc");
    }
}

#[test]
fn levels_follow_aes17() {
    // AES17: 0 dBFS is the rms of a sine whose peak is full scale; whole periods have exactly half the square of
    // the peak, to rounding.
    for level in [0.0, -6.0, -60.0] {
        let renderer = Renderer::new(&mono(48_000, 1.0, tone(1000.0, level))).unwrap();
        let got = Dbfs::from_rms(rms(&samples(&renderer)[0])).0;
        assert!((got - level).abs() < 1e-12, "{got} dBFS for {level} dBFS");
    }
}

#[test]
fn tones_add_with_their_phases() {
    let sine = |frequency_hz, level_dbfs, phase_deg| Component {
        frequency_hz,
        level_dbfs,
        phase_deg,
    };
    let signal = Signal::Tones {
        tones: vec![sine(60.0, -7.958_8, 0.0), sine(7000.0, -20.0, 90.0)],
    };
    let renderer = Renderer::new(&mono(48_000, 0.1, signal)).unwrap();
    for (n, got) in samples(&renderer)[0].iter().enumerate() {
        let t = n as f64 / 48_000.0;
        let expected = 10f64.powf(-7.958_8 / 20.0) * (TAU * 60.0 * t).sin() + 0.1 * (TAU * 7000.0 * t).cos();
        // The oracle's own phase is rounded at 2π·700 = 4400 rad: 5e-13.
        assert!((got - expected).abs() < 1e-12);
    }
}

#[test]
fn the_sweep_has_its_phase_to_a_millionth_of_a_millionth() {
    // Phases in 60-digit arithmetic by fixtures/make_wavs.py. The sample is the sine of the phase; its error is 2π times
    // that of the phase (1e-12 cycles asked, 1e-15 kept) and one rounding.
    let table = std::fs::read_to_string(fixture("stimulus/sweep_phase.csv")).unwrap();
    let mut rows = 0;
    for row in table.lines().skip(1) {
        let cells: Vec<f64> = row.split(',').map(|c| c.parse().unwrap()).collect();
        let [from_hz, to_hz, seconds, rate, frame, cycles] = cells[..] else {
            panic!("six cells")
        };
        let signal = Signal::Sweep {
            from_hz,
            to_hz,
            level_dbfs: 0.0,
        };
        let renderer = Renderer::new(&mono(rate as u32, seconds, signal)).unwrap();
        let got = part(&renderer, 0, frame as u64, 1)[0];
        let expected = (TAU * cycles).sin();
        assert!(
            (got - expected).abs() < 1e-14,
            "frame {frame} of {seconds} s: {:e}",
            got - expected
        );
        rows += 1;
    }
    assert_eq!(rows, 24);
}

#[test]
fn the_sweep_passes_each_frequency_at_its_time() {
    // Instantaneous frequency f₁ e^{t/L}, L = T/ln(f₂/f₁) (Novak et al. 2015): of three adjacent samples of a sine,
    // (a + c)/2b = cos(2π f/fs); its curvature errs by (π/(fs·L))·f/fs, below 1e-5 of f here.
    let (from, to, seconds, rate) = (10.0, 22_000.0, 6.0, 48_000.0);
    let signal = Signal::Sweep {
        from_hz: from,
        to_hz: to,
        level_dbfs: -6.0,
    };
    let renderer = Renderer::new(&mono(48_000, seconds, signal)).unwrap();
    let x = samples(&renderer).swap_remove(0);
    let length: f64 = seconds / f64::ln(to / from);
    for wanted in [100.0, 1000.0, 10_000.0] {
        let at = (length * f64::ln(wanted / from) * rate) as usize;
        // Near a peak the division is well conditioned.
        let peak = (at - 300..at + 300)
            .max_by(|a, b| x[*a].total_cmp(&x[*b]))
            .unwrap();
        let cosine = (x[peak - 1] + x[peak + 1]) / (2.0 * x[peak]);
        let expected = from * (peak as f64 / rate / length).exp();
        let got = cosine.acos() * rate / TAU;
        assert!((got / expected - 1.0).abs() < 1e-3, "{got} Hz for {expected} Hz");
    }
}

#[test]
fn lead_in_fades_and_lead_out_stand_where_they_should() {
    let stimulus = Stimulus {
        lead_in_s: 0.25,
        lead_out_s: 0.5,
        fade_s: 0.1,
        marks: None,
        ..mono(
            8_000,
            1.0,
            Signal::Tones {
                // A constant would show the envelope; the nearest to one is a cosine of 10⁻⁶ Hz.
                tones: vec![
                    Component {
                        frequency_hz: 1e-6,
                        level_dbfs: -6.020_599_913_279_624,
                        phase_deg: 90.0,
                    };
                    2
                ],
            },
        )
    };
    let renderer = Renderer::new(&stimulus).unwrap();
    assert_eq!(renderer.format().frames, 14_000);
    let x = samples(&renderer).swap_remove(0);
    assert!(x[..2000].iter().chain(&x[10_000..]).all(|v| *v == 0.0));
    for (n, v) in x[2000..10_000].iter().enumerate() {
        let from_end = n.min(7999 - n) as f64;
        let expected = if from_end < 800.0 {
            0.5 - 0.5 * (PI * from_end / 800.0).cos()
        } else {
            1.0
        };
        // The slow cosine has fallen by (2π·10⁻⁶)²/2 = 2e-11 after 1 s.
        assert!((v - expected).abs() < 1e-10, "frame {n}");
    }
    assert_eq!(part(&renderer, 0, 1990, 500), x[1990..2490]);
    assert_eq!(part(&renderer, 0, 9000, 2000), x[9000..11_000]);
}

#[test]
fn channels_have_their_own_signals() {
    let left = Renderer::new(&Stimulus::stereo(48_000, 0.1, &tone(997.0, -6.0), Driven::Left)).unwrap();
    let planes = samples(&left);
    assert!(rms(&planes[0]) > 0.3 && planes[1].iter().all(|v| *v == 0.0));
    let single = mono(48_000, 0.1, tone(997.0, -6.0));
    let both = samples(&Renderer::with_channels(&single, 2).unwrap());
    assert_eq!(both[0], both[1]);
}

/// Mean power of `x` between two frequencies, by averaged transforms of Hann-windowed halves-overlapping segments.
fn band_powers(x: &[f64], rate: u32, bands: &[(f64, f64)]) -> Vec<f64> {
    let length = (rate as usize * 2).next_power_of_two();
    let bin_hz = f64::from(rate) / length as f64;
    let mut sums = vec![0.0; bands.len()];
    for start in (0..=x.len() - length).step_by(length / 2) {
        let hann = |n: usize| 0.5 - 0.5 * (TAU * n as f64 / length as f64).cos();
        let lines = spectrum(&x[start..start + length], hann);
        for (sum, (low, high)) in sums.iter_mut().zip(bands) {
            let (a, b) = ((low / bin_hz).ceil() as usize, (high / bin_hz).floor() as usize);
            *sum += lines[a..=b].iter().map(|v| v * v).sum::<f64>() / (b - a + 1) as f64;
        }
    }
    sums
}

#[test]
fn pink_noise_falls_by_three_decibels_an_octave() {
    for rate in [8_000, 44_100, 192_000] {
        let noise = Signal::Noise {
            colour: NoiseColour::Pink,
            level_dbfs: -12.0,
            seed: 1,
        };
        let seconds = if rate > 100_000 { 40.0 } else { 120.0 };
        let renderer = Renderer::new(&mono(rate, seconds, noise)).unwrap();
        let x = samples(&renderer).swap_remove(0);
        // Octaves from 20 Hz on; mean density over a band of a 1/f spectrum is ln(b/a)/(b − a).
        let top = f64::from(rate).min(44_100.0) * 0.47;
        let bands: Vec<(f64, f64)> = (0..)
            .map(|k| (20.0 * 2f64.powi(k), 20.0 * 2f64.powi(k + 1)))
            .take_while(|(_, high)| *high <= top)
            .collect();
        let got = band_powers(&x, rate, &bands);
        let ratio = |i: usize| got[i] * (bands[i].1 - bands[i].0) / f64::ln(bands[i].1 / bands[i].0);
        // The upper bands hold thousands of independent lines: their mean is the reference.
        let reference =
            (bands.len() / 2..bands.len()).map(ratio).sum::<f64>() / (bands.len() - bands.len() / 2) as f64;
        for (i, (low, high)) in bands.iter().enumerate() {
            let error = 10.0 * (ratio(i) / reference).log10();
            // The spectrum itself is tested to 0.05 dB where it is made; the estimate of B·T independent values adds
            // 4 × 4.34/√(B·T).
            let statistics = 4.0 * 4.343 / ((high - low) * seconds).sqrt();
            assert!(
                error.abs() < 0.05 + statistics,
                "{rate} Hz, {low:.0}–{high:.0} Hz: {error:.2} dB"
            );
            assert!(statistics < 0.65);
        }
        // Level of the whole: most power lies low, with few independent values; 5 % of the rms.
        assert!((rms(&x) / Dbfs(-12.0).rms() - 1.0).abs() < 0.05);
        assert!(
            x.iter()
                .all(|v| v.abs() <= 5.0 * Dbfs(-12.0).rms() * (1.0 + 1e-12))
        );
    }
}

#[test]
fn white_noise_is_flat_and_at_its_level() {
    let noise = Signal::Noise {
        colour: NoiseColour::White,
        level_dbfs: -20.0,
        seed: 42,
    };
    let renderer = Renderer::new(&mono(48_000, 20.0, noise)).unwrap();
    let x = samples(&renderer).swap_remove(0);
    // Relative standard error of the rms of N values: 1/√(2N) = 0.07 %; five of them are 0.03 dB.
    assert!((Dbfs::from_rms(rms(&x)).0 + 20.0).abs() < 0.035);
    let bands: Vec<(f64, f64)> = (0..10)
        .map(|k| (100.0 + 2300.0 * f64::from(k), 2400.0 + 2300.0 * f64::from(k)))
        .collect();
    let got = band_powers(&x, 48_000, &bands);
    let mean = got.iter().sum::<f64>() / 10.0;
    // 2300 Hz · 20 s independent values a band: standard error 0.02 dB; five of them.
    assert!(got.iter().all(|p| (10.0 * (p / mean).log10()).abs() < 0.1));
}

#[test]
fn the_same_seed_gives_the_same_noise_for_ever() {
    // The documented generator written a second time, in Python's integers (fixtures/make_wavs.py). The polar method
    // takes one logarithm, whose last digit may differ between systems.
    let noise = |seed| Signal::Noise {
        colour: NoiseColour::White,
        level_dbfs: -20.0,
        seed,
    };
    let first = |seed| samples(&Renderer::new(&mono(48_000, 0.01, noise(seed))).unwrap()).swap_remove(0);
    let table = std::fs::read_to_string(fixture("stimulus/white_noise.csv")).unwrap();
    let mut rows = 0;
    for row in table.lines().skip(1) {
        let cells: Vec<&str> = row.split(',').collect();
        let [seed, frame, sigma] = cells[..] else {
            panic!("three cells")
        };
        let got = first(seed.parse().unwrap())[frame.parse::<usize>().unwrap()];
        let expected = sigma.parse::<f64>().unwrap() * 0.1 * std::f64::consts::FRAC_1_SQRT_2;
        assert!(
            (got - expected).abs() < 1e-15,
            "seed {seed}, frame {frame}: {got:?}"
        );
        rows += 1;
    }
    assert_eq!(rows, 80);
}

#[test]
fn impossible_values_are_refused_with_a_next_step() {
    let refused = |stimulus: &Stimulus| {
        let e = Renderer::new(stimulus).unwrap_err();
        assert!(e.next_step().is_some(), "{e}");
        e.what().to_owned()
    };
    assert!(refused(&mono(4_000, 1.0, tone(1000.0, -6.0))).contains("sample rate"));
    assert!(refused(&mono(48_000, 1.0, tone(24_000.0, -6.0))).contains("half the sample rate"));
    assert!(refused(&mono(48_000, 1.0, tone(1000.0, 0.1))).contains("dBFS"));
    assert!(refused(&mono(48_000, 1.0, tone(f64::NAN, -6.0))).contains("NaN"));
    assert!(refused(&mono(48_000, 0.0, tone(1000.0, -6.0))).contains("length"));
    assert!(refused(&mono(48_000, 1e-9, tone(1000.0, -6.0))).contains("one sample"));
    let loud = Signal::Noise {
        colour: NoiseColour::White,
        level_dbfs: -6.0,
        seed: 0,
    };
    assert!(refused(&mono(48_000, 1.0, loud)).contains("clip"));
    let falling = Signal::Sweep {
        from_hz: 1000.0,
        to_hz: 100.0,
        level_dbfs: -6.0,
    };
    assert!(refused(&mono(48_000, 1.0, falling)).contains("rise"));
    let faded = Stimulus {
        fade_s: 0.6,
        ..mono(48_000, 1.0, tone(1000.0, -6.0))
    };
    assert!(refused(&faded).contains("fades"));
}
