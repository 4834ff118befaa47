//! Captures whose content is known to the last digit, through the whole of the analysis: synthesis or samples computed
//! here → take → figures. The oracle is what was put in.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test may stop where it stands, also in its own functions"
)]

use asleft::figure::{Channel, Driven, Figure, FigureId, Findings, Unit};
use asleft::figures::{self, Context};
use asleft::signal::source::{BlockSource, MemorySource};
use asleft::signal::stimulus::{SCHEMA, Signal, Stimulus};
use asleft::signal::synthesis::Renderer;
use asleft::signal::take::Take;
use asleft::take::{Content, Examined, examine};
use std::f64::consts::TAU;
use std::sync::Arc;

/// A sine with harmonics (order, re the fundamental), all cosines of one phase.
struct Tone<'a> {
    rate: u32,
    seconds: f64,
    hertz: f64,
    level_dbfs: f64,
    harmonics: &'a [(u32, f64)],
}

impl Tone<'_> {
    /// Computed from the phase in turns, reduced before it is multiplied: exact to a few units of the last place.
    fn samples(&self) -> Vec<f64> {
        let peak = 10f64.powf(self.level_dbfs / 20.0);
        let frames = (self.seconds * f64::from(self.rate)).round() as u64;
        (0..frames)
            .map(|n| {
                let turns = self.hertz * n as f64 / f64::from(self.rate);
                let wave = |k: u32| (TAU * (f64::from(k) * turns).fract() + 0.3).cos();
                peak * (wave(1) + self.harmonics.iter().map(|(k, a)| a * wave(*k)).sum::<f64>())
            })
            .collect()
    }
}

fn clean(hertz: f64, seconds: f64) -> Tone<'static> {
    Tone {
        rate: 48_000,
        seconds,
        hertz,
        level_dbfs: -3.0,
        harmonics: &[],
    }
}

fn examined(rate: u32, planes: Vec<Vec<f64>>) -> Examined {
    examine(Take::of(Arc::new(MemorySource::new(rate, planes))), None).unwrap()
}

fn of(examined: &Examined) -> Findings {
    figures::of_take(examined, &Context::default())
}

fn figure(findings: &Findings, id: FigureId, channel: Channel, order: Option<u32>) -> &Figure {
    findings
        .figures
        .iter()
        .find(|f| f.id == id && f.channel == channel && f.order == order && f.unit != Unit::Volts)
        .unwrap_or_else(|| panic!("no {id} {order:?} of {channel} in {:?}", findings.not_measured))
}

fn left(findings: &Findings, id: FigureId) -> &Figure {
    figure(findings, id, Channel::Left, None)
}

fn sound(examined: &Examined, what: &str) {
    let i = &examined.integrity;
    assert!(i.notes.is_empty(), "{what}: {:?}", i.notes);
    assert!(
        i.discontinuities.is_empty() && i.clipped_samples.iter().all(|n| *n == 0),
        "{what}"
    );
    assert!(i.flat_tops.iter().all(|f| !f), "{what}");
}

/// Level within 0.001 dB and THD of the one harmonic within `thd_db`, no remark on the capture.
fn holds(tone: &Tone<'_>, thd_db: f64) {
    let what = format!(
        "{} Hz, {} s, {} dBFS at {} Hz",
        tone.hertz, tone.seconds, tone.level_dbfs, tone.rate
    );
    let take = examined(tone.rate, vec![tone.samples()]);
    sound(&take, &what);
    assert!(
        matches!(take.content, Content::Tone(_)),
        "{what}: {}",
        take.content.name()
    );
    let findings = of(&take);
    let level = left(&findings, FigureId::Level).estimate.value;
    assert!((level - tone.level_dbfs).abs() < 0.001, "{what}: {level} dBFS");
    let hertz = left(&findings, FigureId::Frequency).estimate.value;
    assert!((hertz / tone.hertz - 1.0).abs() < 1e-6, "{what}: {hertz} Hz");
    if let [(order, ratio)] = tone.harmonics {
        let expected = 20.0 * ratio.log10();
        let thd = left(&findings, FigureId::Thd).db.unwrap();
        assert!(
            (thd - expected).abs() < thd_db,
            "{what}: THD {thd} dB, {expected} dB put in"
        );
        let harmonic = figure(&findings, FigureId::Harmonic, Channel::Left, Some(*order))
            .estimate
            .value;
        assert!(
            (harmonic - expected).abs() < thd_db,
            "{what}: H{order} {harmonic} dB"
        );
    }
}

const FAINT: &[(u32, f64)] = &[(3, 1e-5)];
const PLAIN: &[(u32, f64)] = &[(2, 1e-3)];

#[test]
fn clean_tones_keep_their_level_and_their_distortion() {
    // On a bin of every FFT of whole seconds, off every bin, low, high.
    for hertz in [1000.0, 997.0, 1234.567, 50.3, 315.07, 6000.1] {
        holds(
            &Tone {
                harmonics: FAINT,
                ..clean(hertz, 2.0)
            },
            0.1,
        );
        holds(
            &Tone {
                harmonics: PLAIN,
                ..clean(hertz, 2.0)
            },
            0.01,
        );
    }
}

#[test]
fn length_does_not_matter() {
    // Five periods of 20 Hz and of 1 kHz; a minute.
    for tone in [clean(20.0, 0.25), clean(997.0, 5.0 / 997.0), clean(997.0, 60.0)] {
        holds(
            &Tone {
                harmonics: PLAIN,
                ..tone
            },
            0.01,
        );
    }
}

#[test]
fn faint_tones_are_tones() {
    for level_dbfs in [-60.0, -120.0] {
        holds(
            &Tone {
                level_dbfs,
                harmonics: PLAIN,
                ..clean(997.0, 2.0)
            },
            0.01,
        );
    }
}

#[test]
fn every_sample_rate_works() {
    for rate in [8_000, 44_100, 192_000, 384_000] {
        holds(
            &Tone {
                rate,
                harmonics: PLAIN,
                ..clean(997.0, 1.0)
            },
            0.01,
        );
    }
}

#[test]
fn any_number_of_channels_works() {
    for channels in [3usize, 8] {
        let planes = (0..channels)
            .map(|c| {
                Tone {
                    level_dbfs: -6.0 - c as f64,
                    harmonics: PLAIN,
                    ..clean(997.0, 1.0)
                }
                .samples()
            })
            .collect();
        let take = examined(48_000, planes);
        sound(&take, &format!("{channels} channels"));
        let findings = of(&take);
        for c in 0..channels {
            let level = figure(&findings, FigureId::Level, Channel::at(c), None)
                .estimate
                .value;
            assert!(
                (level + 6.0 + c as f64).abs() < 0.001,
                "channel {c} of {channels}: {level}"
            );
        }
    }
}

#[test]
fn a_slow_clock_costs_a_note_at_most() {
    for ppm in [-200.0, 200.0] {
        let stimulus = stereo(
            1.0,
            Signal::Tone {
                frequency_hz: 997.0,
                level_dbfs: -3.0,
            },
        );
        let mut samples = vec![0.0; 9_600];
        samples.extend(
            Tone {
                harmonics: PLAIN,
                ..clean(997.0 * (1.0 + ppm * 1e-6), 4.0)
            }
            .samples(),
        );
        let source = Arc::new(MemorySource::new(48_000, vec![samples.clone(), samples]));
        let take = Take {
            stimulus: Some(Stimulus {
                seconds: 4.0,
                ..stimulus
            }),
            ..Take::of(source)
        };
        let take = examine(take, None).unwrap();
        // A recording clock that runs slow hears the tone high.
        let clock = take.alignment.as_ref().unwrap().clock_ppm;
        assert!((clock.abs() - ppm.abs()).abs() < 0.1, "{clock}");
        let findings = of(&take);
        assert!((left(&findings, FigureId::Level).estimate.value + 3.0).abs() < 0.001);
        assert!((left(&findings, FigureId::Thd).db.unwrap() + 60.0).abs() < 0.01);
        assert!(take.integrity.discontinuities.is_empty());
    }
}

/// DC, and hum of 50 Hz and its multiples 40 dB above the harmonic, wandering by ±20 mHz.
#[test]
fn dc_and_hum_leave_level_and_distortion_alone() {
    let harmonic = 1e-4;
    let tone = Tone {
        harmonics: &[(2, 1e-4)],
        ..clean(997.0, 6.0)
    };
    let peak = 10f64.powf(-3.0 / 20.0);
    let samples = tone
        .samples()
        .into_iter()
        .enumerate()
        .map(|(n, x)| {
            let t = n as f64 / 48_000.0;
            let turns = 50.0 * t - 0.02 * 9.0 / TAU * (TAU * t / 9.0).cos();
            let hum: f64 = [(1.0, 1.0), (3.0, 0.4), (6.0, 0.2)]
                .iter()
                .map(|(k, a)| a * (TAU * (k * turns).fract()).sin())
                .sum();
            x + 0.05 + 100.0 * harmonic * peak * hum
        })
        .collect();
    let take = examined(48_000, vec![samples]);
    let findings = of(&take);
    assert!((left(&findings, FigureId::Level).estimate.value + 3.0).abs() < 0.001);
    let second = figure(&findings, FigureId::Harmonic, Channel::Left, Some(2))
        .estimate
        .value;
    assert!((second + 80.0).abs() < 0.1, "{second}");
    assert!(take.integrity.discontinuities.is_empty() && take.integrity.clipped_samples == [0]);
    // The hum is there as hum: 1/√2 of √(1 + 0.4² + 0.2²) of 0.01 re the tone's peak.
    let expected = -3.0 - 40.0 + 10.0 * (1.0f64 + 0.16 + 0.04).log10();
    let hum = left(&findings, FigureId::Hum).estimate.value;
    assert!((hum - expected).abs() < 0.1, "{hum} {expected}");
}

#[test]
fn a_third_harmonic_above_its_fundamental_is_a_harmonic() {
    let take = examined(
        48_000,
        vec![
            Tone {
                level_dbfs: -20.0,
                harmonics: &[(3, 2.0)],
                ..clean(997.0, 2.0)
            }
            .samples(),
        ],
    );
    let findings = of(&take);
    let hertz = left(&findings, FigureId::Frequency).estimate.value;
    assert!((hertz - 997.0).abs() < 1e-3, "{hertz}");
    let third = figure(&findings, FigureId::Harmonic, Channel::Left, Some(3))
        .estimate
        .value;
    assert!((third - 20.0 * 2f64.log10()).abs() < 0.001, "{third}");
}

fn stereo(seconds: f64, signal: Signal) -> Stimulus {
    Stimulus {
        schema: SCHEMA.to_owned(),
        sample_rate_hz: 48_000,
        seconds,
        lead_in_s: 0.2,
        lead_out_s: 0.3,
        fade_s: 0.01,
        marks: None,
        channels: vec![signal.clone(), signal],
    }
}

fn rendered(stimulus: &Stimulus) -> Vec<Vec<f64>> {
    let renderer = Renderer::new(stimulus).unwrap();
    let format = renderer.format();
    let mut out = vec![vec![0.0; format.frames as usize]; format.channels];
    let mut planes: Vec<&mut [f64]> = out.iter_mut().map(Vec::as_mut_slice).collect();
    renderer.open().unwrap().read(0, &mut planes).unwrap();
    out
}

#[test]
fn what_the_generator_writes_reads_as_it_was_asked_for() {
    // With lead-in, fades and lead-out: none of it may count.
    let stimulus = stereo(
        2.0,
        Signal::Tone {
            frequency_hz: 997.0,
            level_dbfs: -6.0,
        },
    );
    let take = examined(48_000, rendered(&stimulus));
    let findings = of(&take);
    for channel in [Channel::Left, Channel::Right] {
        assert!((figure(&findings, FigureId::Level, channel, None).estimate.value + 6.0).abs() < 1e-6);
        let thd = figure(&findings, FigureId::Thd, channel, None);
        assert!(
            thd.db.unwrap() < -180.0,
            "{:?} {:?}",
            thd.db,
            thd.estimate.interval()
        );
    }
    // Two copies of one channel say nothing of the balance between two.
    assert!(
        findings
            .not_measured
            .iter()
            .any(|n| n.id == FigureId::Balance && n.code == "identical")
    );
}

fn sweep_take(change: impl Fn(Vec<Vec<f64>>) -> Vec<Vec<f64>>, channels: Option<Vec<Signal>>) -> Examined {
    let signal = Signal::Sweep {
        from_hz: 20.0,
        to_hz: 20_000.0,
        level_dbfs: -6.0,
    };
    let mut stimulus = stereo(2.0, signal);
    if let Some(channels) = channels {
        stimulus.channels = channels;
    }
    let planes = change(rendered(&stimulus));
    let source = Arc::new(MemorySource::new(48_000, planes));
    examine(
        Take {
            stimulus: Some(stimulus),
            ..Take::of(source)
        },
        None,
    )
    .unwrap()
}

#[test]
fn a_sweep_shows_its_delay() {
    let delayed = |frames: i64| {
        move |planes: Vec<Vec<f64>>| {
            let shift = |x: Vec<f64>| -> Vec<f64> {
                (0..x.len() as i64 + frames.max(0))
                    .map(|n| {
                        usize::try_from(n - frames)
                            .ok()
                            .and_then(|i| x.get(i))
                            .copied()
                            .unwrap_or(0.0)
                    })
                    .collect()
            };
            planes.into_iter().map(shift).collect::<Vec<_>>()
        }
    };
    for frames in [0, 1234, -4000] {
        let take = sweep_take(delayed(frames), None);
        let alignment = take.alignment.as_ref().unwrap();
        let expected = frames as f64 / 48_000.0;
        // A microsecond is a twentieth of a sample.
        assert!(
            (alignment.delay_s - expected).abs() < 1e-6,
            "{frames}: {}",
            alignment.delay_s
        );
        assert_eq!(alignment.polarity, [1, 1]);
        let curve = of(&take)
            .curves
            .into_iter()
            .find(|c| c.id == FigureId::Response)
            .unwrap();
        let worst = curve
            .x
            .iter()
            .zip(&curve.y)
            .filter(|(x, _)| **x > 50.0 && **x < 15e3);
        assert!(worst.map(|(_, y)| y.abs()).fold(0.0, f64::max) < 0.01);
    }
}

#[test]
fn a_sweep_shows_inverted_and_swapped_channels() {
    let inverted = |mut planes: Vec<Vec<f64>>| {
        planes[1].iter_mut().for_each(|x| *x = -*x);
        planes
    };
    let take = sweep_take(inverted, None);
    assert_eq!(take.alignment.as_ref().unwrap().polarity, [1, -1]);
    assert!(
        take.integrity.notes.iter().any(|n| n.contains("inverted")),
        "{:?}",
        take.integrity.notes
    );
    let sweep = Signal::Sweep {
        from_hz: 20.0,
        to_hz: 20_000.0,
        level_dbfs: -6.0,
    };
    let swapped = |mut planes: Vec<Vec<f64>>| {
        planes.swap(0, 1);
        planes
    };
    let take = sweep_take(swapped, Some(vec![sweep, Signal::Silence]));
    assert!(
        take.integrity.notes.iter().any(|n| n.contains("changed places")),
        "{:?}",
        take.integrity.notes
    );
}

#[test]
fn balance_is_of_the_gains_and_not_of_the_levels_played() {
    let tones = [-6.0, -9.0].map(|level_dbfs| Signal::Tone {
        frequency_hz: 997.0,
        level_dbfs,
    });
    let sweeps = [-6.0, -9.0].map(|level_dbfs| Signal::Sweep {
        from_hz: 20.0,
        to_hz: 20_000.0,
        level_dbfs,
    });
    for signals in [tones, sweeps] {
        let mut stimulus = stereo(2.0, Signal::Silence);
        stimulus.channels = signals.to_vec();
        let mut planes = rendered(&stimulus);
        // The unit has 1 dB more gain on the left.
        planes[0].iter_mut().for_each(|x| *x *= 10f64.powf(0.05));
        let source = Arc::new(MemorySource::new(48_000, planes));
        let mut take = Take {
            stimulus: Some(stimulus),
            ..Take::of(source)
        };
        take.setup.driven = Some(Driven::Both);
        let findings = of(&examine(take, None).unwrap());
        let balance = figure(&findings, FigureId::Balance, Channel::Pair, None)
            .estimate
            .value;
        assert!((balance - 1.0).abs() < 0.005, "{balance}");
    }
}

#[test]
fn identical_channels_are_said_to_be() {
    // Real channels have noise of their own; equal ones have been copied, and say nothing of the other amplifier channel.
    let mut noise = 1u64;
    let samples: Vec<f64> = Tone {
        harmonics: PLAIN,
        ..clean(997.0, 2.0)
    }
    .samples()
    .into_iter()
    .map(|x| {
        noise = noise
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        x + 1e-5 * ((noise >> 11) as f64 / (1u64 << 53) as f64 - 0.5)
    })
    .collect();
    let take = examined(48_000, vec![samples.clone(), samples]);
    assert!(
        take.integrity.notes.iter().any(|n| n.contains("bit for bit")),
        "{:?}",
        take.integrity.notes
    );
}

#[test]
fn half_an_hour_needs_no_memory() {
    let before = peak_kib();
    let mut stimulus = stereo(
        1800.0,
        Signal::Tone {
            frequency_hz: 400.3,
            level_dbfs: -6.0,
        },
    );
    stimulus.sample_rate_hz = 8_000;
    stimulus.channels.truncate(1);
    let take = examine(Take::of(Arc::new(Renderer::new(&stimulus).unwrap())), None).unwrap();
    assert!((left(&of(&take), FigureId::Level).estimate.value + 6.0).abs() < 0.001);
    // All samples at once would be 115 MB; what other tests of this process do at the time is in the peak as well.
    if let (Some(before), Some(after)) = (before, peak_kib()) {
        assert!(after - before < 90_000, "{before} KiB before, {after} KiB after");
    }
}

/// Peak resident memory, where the system tells.
fn peak_kib() -> Option<i64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}
