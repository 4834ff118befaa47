//! The invented unit of the demo, the interface it is measured with, and rig files as a technician would have calibrated
//! them.

use super::amplifier::{
    AmplifierModel, ChannelModel, Crosstalk, HumLine, InputStage, NoiseVoltage, OperatingMode, PhonoStage,
    ToneControls, VolumeControl,
};
use super::interface::{Attenuator, InterfaceModel};
use super::power_stage::{LoopGain, PowerStage};
use super::supply::{Mains, Supply};
use super::thermal::CELSIUS_ZERO;
use crate::rig::{Calibrated, Loopback, Pad, Rig, RigChannel, SCHEMA, Tap};
use crate::signal::random::Random;

/// Temperature of the workshop, K.
const ROOM_KELVIN: f64 = CELSIUS_ZERO + 23.0;

/// The Tarnbeck 60: an integrated amplifier of 2 × 60 W into 8 Ω, 20 Hz–20 kHz, at no more than 0.05 % THD, as the late
/// seventies built them. Line inputs (`Tuner`, `Aux`, `Tape`) need 150 mV, `Phono` 2.5 mV, at full volume; the reference
/// position of the volume control gives rated output for 0.5 V. Modes: `class AB` and `class A`, the latter with a rich
/// bias on lower rails for some 20 W.
pub fn tarnbeck_60() -> AmplifierModel {
    let line = |name: &str| InputStage {
        name: name.to_owned(),
        resistance_ohm: 47e3,
        capacitance_f: 100e-12,
        phono: None,
    };
    let phono = InputStage {
        name: "Phono".to_owned(),
        resistance_ohm: 47e3,
        capacitance_f: 220e-12,
        phono: Some(PhonoStage {
            gain_1khz: 60.0,
            noise: NoiseVoltage {
                density: 4e-9,
                corner_hz: 150.0,
            },
            subsonic: false,
        }),
    };
    AmplifierModel {
        name: "Tarnbeck 60".to_owned(),
        inputs: vec![line("Aux"), line("Tuner"), line("Tape"), phono],
        modes: vec![
            OperatingMode {
                name: "class AB".to_owned(),
                idle_a: 0.085,
                rail_v: 42.0,
            },
            OperatingMode {
                name: "class A".to_owned(),
                idle_a: 1.1,
                rail_v: 27.0,
            },
        ],
        volume: VolumeControl {
            track_ohm: 20e3,
            reference_db: 20.0 * (0.5f64 / 0.15).log10(),
            minimum_db: 90.0,
        },
        tone: ToneControls {
            bass_db: 0.0,
            treble_db: 0.0,
            bass_hz: 150.0,
            treble_hz: 4000.0,
        },
        channels: [channel(147.0, 0.0), channel(145.2, 0.012)],
        supply: Supply {
            resistance_ohm: 0.9,
            reservoir_f: 10e-3,
            settling_s: 0.1,
            charging: 0.15,
            leakage: 2e-4,
            mains: Mains {
                frequency_hz: 50.0,
                wander_hz: 0.02,
            },
        },
        kelvin: CELSIUS_ZERO + 35.0,
    }
}

fn channel(gain: f64, track_error: f64) -> ChannelModel {
    let line = |order, volts, phase_deg| HumLine {
        order,
        volts,
        phase_deg,
    };
    ChannelModel {
        gain,
        track_error,
        coupling_f: 2.2e-6,
        coupling_ohm: 33e3,
        bandwidth_hz: vec![150e3, 300e3],
        line_noise: NoiseVoltage {
            density: 3e-9,
            corner_hz: 120.0,
        },
        output_noise: NoiseVoltage {
            density: 180e-9,
            corner_hz: 60.0,
        },
        output_hum: vec![line(1, 22e-6, 35.0), line(3, 7e-6, -60.0), line(5, 3e-6, 100.0)],
        input_hum: vec![line(1, 0.15e-6, -20.0)],
        crosstalk: Crosstalk {
            level: 6e-4,
            corner_hz: 2_500.0,
        },
        stage: PowerStage {
            emitter_ohm: 0.22,
            internal_ohm: 0.05,
            junction_kelvin: CELSIUS_ZERO + 55.0,
            second_per_v: 1.5e-4,
            third_per_v2: 5.0e-6,
            loop_gain: LoopGain {
                dc: 20.0,
                corner_hz: 18e3,
            },
            wiring_ohm: 0.06,
            inductance_h: 1.0e-6,
            contact: None,
            dropout_v: 2.5,
            knee_v: 0.4,
        },
        idle_ratio: 1.0,
    }
}

/// The bench's interface: a good one of its class, with two taps and a pad.
pub fn bench_interface() -> InterfaceModel {
    InterfaceModel {
        output_full_scale_v: [4.92, 4.89],
        output_ohm: 100.0,
        output_range_db: 112.0,
        input_full_scale_v: [7.81, 7.74],
        input_ohm: 20e3,
        input_range_db: 110.0,
        bits: Some(24),
        second: 0.9e-5,
        third: 2.0e-5,
        coupling_hz: 0.8,
        bandwidth_hz: 180e3,
        latency_frames: 2311.4,
        clock_ppm: 0.0,
        crosstalk: 1e-5,
        taps: vec![
            Attenuator {
                name: "power".to_owned(),
                ratio: [0.043_93, 0.043_81],
                source_ohm: 449.0,
            },
            Attenuator {
                name: "noise".to_owned(),
                ratio: [0.952_1, 0.952_6],
                source_ohm: 953.0,
            },
        ],
        pads: vec![Attenuator {
            name: "phono".to_owned(),
            ratio: [9.98e-3, 10.03e-3],
            source_ohm: 99.0,
        }],
        load_ohm: [Some(8.03), Some(7.96)],
        load_rating_w: 200.0,
        kelvin: ROOM_KELVIN,
    }
}

/// Seed of the demo's rig file.
const DEMO_SEED: u64 = 60;

/// The rig file of the demo: the bench's interface as somebody calibrated it once.
pub fn demo_rig() -> Rig {
    drawn_rig(DEMO_SEED)
}

/// Relative standard uncertainties of a calibration with a good handheld meter, percent.
mod stated {
    /// AC volts near 300 Hz.
    pub(super) const VOLTS: f64 = 0.5;
    /// Ohms at a few ohms, leads subtracted.
    pub(super) const OHMS: f64 = 0.6;
    /// A ratio of two voltages on one range.
    pub(super) const RATIO: f64 = 0.15;
    /// Reading of one channel's full scale: repeatability.
    pub(super) const IMPEDANCE: f64 = 3.0;
}

/// Standard uncertainty of the stored response, dB.
const RESPONSE_U_DB: f64 = 0.005;
/// When the rig was calibrated.
const DATE: &str = "2025-01-15";

/// One calibration of [`bench_interface`] with errors drawn from what it states (normal, one draw a source of error, so
/// that values that share a meter share its error). Equal seeds give equal rigs.
pub fn drawn_rig(seed: u64) -> Rig {
    let interface = bench_interface();
    let mut errors = Errors {
        random: Random::stream(seed, 0),
        drawn: Vec::new(),
    };
    let channels = (0..2).map(|c| channel_of(&interface, c, &mut errors)).collect();
    let taps = interface.taps.iter().map(|t| {
        let ratio = ratios(t, &mut errors);
        Tap {
            name: t.name.clone(),
            ratio,
            source_impedance_ohm: t.source_ohm,
        }
    });
    let taps = taps.collect();
    let mut pads = Vec::new();
    for p in &interface.pads {
        pads.push(Pad {
            name: p.name.clone(),
            ratio: ratios(p, &mut errors),
            source_impedance_ohm: p.source_ohm,
        });
    }
    Rig {
        schema: SCHEMA.to_owned(),
        name: "Example Bench".to_owned(),
        interface: None,
        channels,
        taps,
        pads,
        ceiling_v: 2.5,
        loopback: loopback(&interface),
    }
}

/// The errors of one calibration, each drawn once.
struct Errors {
    random: Random,
    drawn: Vec<(String, f64)>,
}

impl Errors {
    /// What somebody reads who calibrates `truth` with the relative standard uncertainty `u_percent` from `source`.
    fn read(&mut self, truth: f64, u_percent: f64, source: &str) -> Calibrated {
        let known = self
            .drawn
            .iter()
            .find(|(name, _)| name == source)
            .map(|(_, e)| *e);
        let error = known.unwrap_or_else(|| {
            let (error, _) = self.random.normal_pair(f64::INFINITY);
            self.drawn.push((source.to_owned(), error));
            error
        });
        Calibrated {
            value: truth * (1.0 + error * u_percent / 100.0),
            u_percent,
            source: source.to_owned(),
            date: DATE.to_owned(),
        }
    }
}

const SIDES: [&str; 2] = ["left", "right"];

fn channel_of(interface: &InterfaceModel, channel: usize, errors: &mut Errors) -> RigChannel {
    let side = SIDES.get(channel).copied().unwrap_or("");
    let of = |values: [f64; 2]| values.get(channel).copied().unwrap_or(0.0);
    let load = interface.load_ohm.get(channel).copied().flatten().unwrap_or(0.0);
    RigChannel {
        output_full_scale_v: errors.read(of(interface.output_full_scale_v), stated::VOLTS, "meter volts"),
        output_impedance_ohm: errors.read(
            interface.output_ohm,
            stated::IMPEDANCE,
            &format!("output impedance {side}"),
        ),
        input_full_scale_v: errors.read(of(interface.input_full_scale_v), stated::VOLTS, "meter volts"),
        input_impedance_ohm: errors.read(
            interface.input_ohm,
            stated::IMPEDANCE,
            &format!("input impedance {side}"),
        ),
        load_ohm: errors.read(load, stated::OHMS, "meter ohms"),
        load_hot_ohm: None,
        load_rating_w: interface.load_rating_w,
    }
}

fn ratios(attenuator: &Attenuator, errors: &mut Errors) -> Vec<Calibrated> {
    attenuator
        .ratio
        .iter()
        .zip(SIDES)
        .map(|(ratio, side)| {
            errors.read(
                *ratio,
                stated::RATIO,
                &format!("ratio {} {side}", attenuator.name),
            )
        })
        .collect()
}

/// Levels of the stored loopback tones, dBFS.
const LOOPBACK_DBFS: [f64; 4] = [-1.0, -6.0, -12.0, -24.0];
/// Frequencies of the stored curves: third octaves from 5 Hz to 80 kHz, beyond both edges of the widest rated response.
fn third_octaves() -> Vec<f64> {
    (7..=49).map(|n| 10f64.powf(f64::from(n) / 10.0)).collect()
}

/// The bare interface's own curves, from its closed forms.
fn loopback(interface: &InterfaceModel) -> Vec<Loopback> {
    let hertz = third_octaves();
    let response: Vec<_> = hertz
        .iter()
        .map(|f| interface.side_response(*f) * interface.side_response(*f))
        .collect();
    let mut curves = Vec::new();
    for channel in 0..2 {
        // One half is the mean square of a full-scale sine.
        let noise_db = 10.0 * (2.0 * interface.noise_density(channel, None)).log10();
        for level_dbfs in LOOPBACK_DBFS {
            let amplitude = crate::quantity::Dbfs(level_dbfs).sine_peak();
            curves.push(Loopback {
                channel,
                level_dbfs,
                date: DATE.to_owned(),
                frequency_hz: hertz.clone(),
                noise_dbfs_per_hz: vec![noise_db; hertz.len()],
                response_hz: hertz.clone(),
                response_db: response.iter().map(|z| 20.0 * z.norm().log10()).collect(),
                response_deg: response.iter().map(|z| z.arg().to_degrees()).collect(),
                response_u_db: RESPONSE_U_DB,
                harmonics_db: interface
                    .harmonics(amplitude)
                    .map(|h| 20.0 * h.abs().log10())
                    .to_vec(),
            });
        }
    }
    curves
}
