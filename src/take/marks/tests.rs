//! The oracle is the mark's closed form, evaluated at any fraction of a frame; nothing is interpolated.

use super::*;
use crate::figure::Driven;
use crate::signal::random::Random;
use crate::signal::source::MemorySource;
use crate::signal::stimulus::Signal;

const LEVEL_DBFS: f64 = -20.0;

fn stimulus(rate: u32, channels: &[usize]) -> Stimulus {
    let tone = Signal::Tone {
        frequency_hz: 1000.0,
        level_dbfs: -3.0,
    };
    Stimulus {
        lead_in_s: 0.1,
        lead_out_s: 0.1,
        fade_s: 0.01,
        marks: Some(Played {
            level_dbfs: LEVEL_DBFS,
            channels: channels.to_vec(),
        }),
        ..Stimulus::stereo(rate, 0.5, &tone, Driven::Both)
    }
}

/// What is in the path.
struct Path {
    /// Frames.
    delay: f64,
    /// Frames that are lost between the marks.
    lost: f64,
    /// Gain from each output to each input.
    gain: [[f64; 2]; 2],
    /// Standard deviation of white noise, full scale = 1.
    noise: f64,
    hum: f64,
    tone: f64,
    seed: u64,
}

impl Path {
    fn plain() -> Self {
        Self {
            delay: 2311.37,
            lost: 0.0,
            gain: [[0.5, 0.0], [0.0, 0.5]],
            noise: 1e-5,
            hum: 0.0,
            tone: 0.5,
            seed: 1,
        }
    }

    fn capture(&self, s: &Stimulus, seconds: f64) -> MemorySource {
        let frames = (seconds * f64::from(s.sample_rate_hz)) as usize;
        let mut random = Random::stream(self.seed, 0);
        let planes = (0..2)
            .map(|c| {
                let mut sample =
                    |n| self.signal(s, c, n as f64) + self.noise * random.normal_pair(f64::INFINITY).0;
                (0..frames).map(&mut sample).collect()
            })
            .collect();
        MemorySource::new(s.sample_rate_hz, planes)
    }

    /// Channel `c` at frame `n`, without noise.
    fn signal(&self, s: &Stimulus, c: usize, n: f64) -> f64 {
        let rate = f64::from(s.sample_rate_hz);
        let peak = 10f64.powf(LEVEL_DBFS / 20.0);
        let [first, second] = s.mark_frames().map(|f| f as f64);
        let t = n - self.delay;
        let played = &s.marks.as_ref().unwrap().channels;
        let marks: f64 = played
            .iter()
            .map(|output| {
                let one = mark::value(*output, (t - first) / rate);
                let two = mark::value(*output, (t + self.lost - second) / rate);
                self.gain[*output][c] * (one + two)
            })
            .sum();
        // What is lost is lost in the middle of the tone.
        let t = if t > (first + second) / 2.0 {
            t + self.lost
        } else {
            t
        };
        let inside = (t / rate - s.lead_in_s).min(s.lead_in_s + s.seconds - t / rate);
        let edge = (inside / s.fade_s).clamp(0.0, 1.0);
        let envelope = 0.5 - 0.5 * (std::f64::consts::PI * edge).cos();
        let hum = (TAU * 50.0 * n / rate).sin() + 0.3 * (TAU * 150.0 * n / rate).sin();
        peak * marks + self.tone * envelope * (TAU * 1000.0 * t / rate).sin() + self.hum * hum
    }
}

fn found(path: &Path, s: &Stimulus, seconds: f64) -> Found {
    find(&path.capture(s, seconds), s).unwrap().unwrap()
}

#[test]
fn marks_are_found_at_any_latency_to_a_hundredth_of_a_frame() {
    // u of the place at this noise is below 0.01 frames; six of them.
    for (rate, delay, seconds) in [
        (44_100, 0.25, 1.0),
        (48_000, 2311.37, 1.2),
        (96_000, 190_000.61, 3.5),
        (192_000, 12_345.9, 1.0),
    ] {
        let s = stimulus(rate, &[0, 1]);
        let path = Path {
            delay,
            ..Path::plain()
        };
        let f = found(&path, &s, seconds);
        let off = f.delay_s * f64::from(rate) - delay;
        let u = f.ends[0].as_ref().unwrap().u_frames;
        assert!(u < 0.05 && off.abs() < 6.0 * u, "{rate}: {off} ± {u}");
        let d = f.distance.unwrap();
        let off = d.frames - d.nominal_frames;
        assert!(
            d.u_frames < 0.01 && off.abs() < 6.0 * d.u_frames,
            "{rate}: {off} ± {}",
            d.u_frames
        );
        assert_eq!(f.polarity, [1, 1]);
        assert_eq!(f.hears, [Hears::Own, Hears::Own]);
        // The amplitude's own u is far below 1 %.
        let level = f.ends[0].as_ref().unwrap().level[0][0];
        assert!((level / 0.05 - 1.0).abs() < 0.01, "{level}");
    }
}

#[test]
fn the_uncertainty_covers_what_noise_does() {
    // The mark's band holds 2.5 kHz of 24 kHz of white noise; a mark of rms 0.05·√(3/16) = 0.0217 as loud as that noise
    // has σ = 0.0217·√(24/2.5) = 0.067. Over 40 takes the rms of (error / u) is 1 ± 0.11; three of these.
    let s = stimulus(48_000, &[0, 1]);
    let (mut place, mut apart, runs) = (0.0, 0.0, 40);
    for seed in 0..runs {
        let path = Path {
            noise: 0.03,
            seed,
            ..Path::plain()
        };
        let f = found(&path, &s, 1.0);
        let end = f.ends[0].as_ref().unwrap();
        place += ((f.delay_s * 48_000.0 - path.delay) / end.u_frames).powi(2);
        let d = f.distance.unwrap();
        apart += ((d.frames - d.nominal_frames) / d.u_frames).powi(2);
        assert!(d.u_frames < 1.5, "{}", d.u_frames);
    }
    for sum in [place, apart] {
        let rms = (sum / runs as f64).sqrt();
        assert!((0.67..1.33).contains(&rms), "{place} {apart}");
    }
}

#[test]
fn marks_as_weak_as_the_noise_of_their_band_are_found() {
    let s = stimulus(48_000, &[0, 1]);
    let mut missed = 0;
    for seed in 0..20 {
        let path = Path {
            noise: 0.067,
            seed,
            ..Path::plain()
        };
        let source = path.capture(&s, 1.0);
        let f = find(&source, &s).unwrap();
        let near = f.is_some_and(|f| (f.delay_s * 48_000.0 - path.delay).abs() < 48.0);
        missed += i32::from(!near);
    }
    // Coherence 0.5 ± 0.06 against 0.38: each of four marks is missed by chance once in 40; one take in 400.
    assert!(missed <= 1, "{missed}");
}

#[test]
fn hum_forty_decibels_above_does_not_hide_them() {
    let s = stimulus(48_000, &[0]);
    let path = Path {
        hum: 0.4,
        gain: [[0.08, 0.0], [0.0, 0.0]],
        tone: 0.0,
        ..Path::plain()
    };
    let f = found(&path, &s, 1.0);
    assert!((f.delay_s * 48_000.0 - path.delay).abs() < 0.1);
    assert_eq!(f.hears, [Hears::Own, Hears::Nothing]);
    assert_eq!(f.polarity, [1, 0]);
}

#[test]
fn every_lost_frame_changes_the_distance_by_one() {
    let s = stimulus(48_000, &[0, 1]);
    for lost in [1.0, -1.0, 48.0, 960.0, 4096.0, -4096.0] {
        let path = Path {
            lost,
            ..Path::plain()
        };
        let d = found(&path, &s, 1.2).distance.unwrap();
        assert!((d.nominal_frames - d.frames - lost).abs() < 0.02, "{lost}: {d:?}");
    }
}

#[test]
fn swapped_mono_and_inverted_channels_are_told() {
    let s = stimulus(48_000, &[0, 1]);
    let hears = |gain| {
        let f = found(
            &Path {
                gain,
                ..Path::plain()
            },
            &s,
            1.0,
        );
        (f.hears, f.polarity)
    };
    let (h, _) = hears([[0.0, 0.5], [0.5, 0.0]]);
    assert_eq!(h, [Hears::Other, Hears::Other]);
    let (h, _) = hears([[0.25, 0.25], [0.25, 0.25]]);
    assert_eq!(h, [Hears::Both, Hears::Both]);
    let (h, p) = hears([[-0.5, 0.0], [0.0, 0.5]]);
    assert_eq!((h, p), (vec![Hears::Own; 2], vec![-1, 1]));
    let (h, _) = hears([[0.5, 0.002], [0.002, 0.5]]);
    assert_eq!(h, [Hears::Own, Hears::Own]);
}

#[test]
fn noise_tones_and_sweeps_hold_no_marks() {
    let s = stimulus(48_000, &[0, 1]);
    for seed in 0..10 {
        let path = Path {
            gain: [[0.0; 2]; 2],
            noise: if seed % 2 == 0 { 0.05 } else { 1e-6 },
            hum: 0.01,
            seed,
            ..Path::plain()
        };
        assert_eq!(find(&path.capture(&s, 2.0), &s).unwrap(), None);
    }
    let sweep = Signal::Sweep {
        from_hz: 20.0,
        to_hz: 20_000.0,
        level_dbfs: -10.0,
    };
    let unmarked = Stimulus {
        marks: None,
        ..Stimulus::stereo(48_000, 1.0, &sweep, Driven::Both)
    };
    let played = crate::signal::synthesis::Renderer::new(&unmarked).unwrap();
    assert_eq!(find(&played, &s).unwrap(), None);
}
