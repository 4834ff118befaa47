//! The swept-sine analysis against closed forms, and the refusal of captures that are not of the sweep.

#[cfg(test)]
mod swept;

#[cfg(test)]
mod tests {
    use super::swept::{apart, capture, db, high_pass, low_pass, noise, parameters, short, sweep_at, warped};
    use asleft::dsp::sweep::{SweepAnalysis, SweepParameters, analyse};
    use asleft::error::{Error, Kind};
    use asleft::signal::source::MemorySource;
    use asleft::take::alignment::{Alignment, identical};
    use asleft::take::integrity::Integrity;
    use asleft::take::sweep_check::check;
    use std::f64::consts::PI;

    fn run(p: &SweepParameters, planes: Vec<Vec<f64>>) -> SweepAnalysis {
        analyse(&MemorySource::new(p.sample_rate_hz, planes), p).unwrap()
    }

    fn checked(p: &SweepParameters, plane: Vec<f64>) -> Result<SweepAnalysis, Error> {
        let analysis = analyse(&MemorySource::new(p.sample_rate_hz, vec![plane]), p)?;
        check(&analysis, p, &Integrity::default())?;
        Ok(analysis)
    }

    fn refusal(p: &SweepParameters, plane: Vec<f64>) -> String {
        let error = checked(p, plane).unwrap_err();
        assert_eq!(error.kind(), Kind::Mismatch, "{error}");
        assert!(error.next_step().is_some());
        error.what().to_owned()
    }

    fn map(x: &[f64], f: impl Fn(f64) -> f64) -> Vec<f64> {
        x.iter().map(|v| f(*v)).collect()
    }

    /// The largest departure of H₁ from `expected` (gain, degrees) from `low` to `high` Hz: (dB, degrees).
    fn worst(a: &SweepAnalysis, low: f64, high: f64, expected: impl Fn(f64) -> (f64, f64)) -> (f64, f64) {
        let mut worst = (0.0f64, 0.0f64);
        for (hz, h) in a.frequency_hz.iter().zip(&a.channels[0].linear) {
            if (low..=high).contains(hz) {
                let (gain, degrees) = expected(*hz);
                worst.0 = worst.0.max(db(h.norm() / gain).abs());
                worst.1 = worst.1.max(apart(h.arg().to_degrees(), degrees).abs());
            }
        }
        worst
    }

    #[test]
    fn polynomial_device_has_its_orders() {
        // y = x + 0.02x² + 0.01x³ with x = sin φ: x² = ½ − ½cos 2φ, x³ = ¾ sin φ − ¼ sin 3φ, so |H1| = 1.0075,
        // |H2| = 0.01 ∠−90°, |H3| = 0.0025 ∠180°, H4 = H5 = 0. Required: 0.02 dB and 0.5°, fundamental from 100 Hz,
        // harmonics below 20 kHz.
        let p = parameters(20.0, 20_000.0, 6.0, 96_000);
        let a = run(
            &p,
            vec![map(&capture(&p, 0.0123, 0.0), |x| {
                x + 0.02 * x * x + 0.01 * x.powi(3)
            })],
        );
        let (gain, degrees) = worst(&a, 100.0, 20_000.0, |_| (1.0075, 0.0));
        assert!(gain < 0.02 && degrees < 0.5, "H1: {gain} dB, {degrees}°");
        for (index, gain, degrees) in [(0, 0.01, -90.0), (1, 0.0025, 180.0)] {
            let higher = &a.channels[0].higher[index];
            let order = f64::from(higher.order);
            let mut count = 0;
            for (hz, v) in a
                .frequency_hz
                .iter()
                .zip(&higher.values)
                .filter(|(f, _)| **f >= 100.0)
            {
                assert!(order * hz <= 20_000.0, "H{order} at {hz} Hz leaves the band");
                assert!(
                    db(v.norm() / gain).abs() < 0.02,
                    "H{order} at {hz} Hz: {}",
                    v.norm()
                );
                assert!(
                    apart(v.arg().to_degrees(), degrees).abs() < 0.5,
                    "H{order} at {hz} Hz: {}",
                    v.arg()
                );
                count += 1;
            }
            assert!(count > 250, "H{order} has {count} points");
        }
        for higher in &a.channels[0].higher[2..] {
            // What a cubic has not stands below −120 dB.
            let from = a.frequency_hz.partition_point(|f| *f < 100.0);
            assert!(
                higher.values[from..].iter().all(|v| v.norm() < 1e-6),
                "H{}",
                higher.order
            );
        }
        assert!((a.delay_s - 0.0123).abs() < 1e-8 && a.clock_ppm.abs() < 1e-12);
    }

    #[test]
    fn an_order_is_above_its_floor_or_hidden_by_it() {
        // A linear device has no orders: all that is found must be called indistinguishable from its floor.
        let p = short();
        let x = capture(&p, 0.0, 0.0);
        let y: Vec<f64> = high_pass(&x, 8.0, 48e3)
            .iter()
            .zip(noise(x.len(), 1e-5, 3))
            .map(|(a, b)| a + b)
            .collect();
        for higher in &run(&p, vec![y]).channels[0].higher {
            // A Rayleigh-distributed modulus exceeds 2 × its rms in e⁻⁴ = 1.8 % of cases; neighbours share noise, so
            // 8 % of the points is far out.
            let above = higher
                .values
                .iter()
                .zip(&higher.floor)
                .filter(|(v, f)| v.norm() > 2.0 * **f)
                .count();
            assert!(
                above * 100 <= 8 * higher.values.len(),
                "H{}: {above}",
                higher.order
            );
        }
    }

    #[test]
    fn first_order_networks_have_their_closed_form() {
        // The networks run at eight times the rate of the capture, where they are as good as analogue; nothing of the
        // sweep is above its last frequency, so every eighth sample is the capture.
        let p = short();
        let rate = 8.0 * 48e3;
        let x = capture(
            &SweepParameters {
                sample_rate_hz: 384_000,
                ..p
            },
            0.0101,
            0.0,
        );
        let y = low_pass(&high_pass(&x, 5.0, rate), 30e3, rate);
        // 5 Hz high-pass and 30 kHz low-pass. Magnitude: gating leaves 0.005 dB (documented). Phase: a delay of the
        // low-pass cannot be told from one of the path but by its magnitude in band, to about 0.06 µs: 0.4° at 20 kHz.
        let a = run(&p, vec![y.into_iter().step_by(8).collect()]);
        let expected = |f: f64| {
            let (h, l) = (warped(f, 5.0, rate), warped(f, 30e3, rate));
            let gain = 1.0 / ((1.0 + 1.0 / (h * h)) * (1.0 + l * l)).sqrt();
            (gain, (1.0 / h).atan().to_degrees() - l.atan().to_degrees())
        };
        let (gain, degrees) = worst(&a, a.settled_from_hz, 20_000.0, expected);
        assert!(gain < 0.005 && degrees < 0.4, "{gain} dB, {degrees}°");
        let (gain, degrees) = worst(&a, 12.0, 1000.0, expected);
        assert!(gain < 0.05 && degrees < 0.5, "{gain} dB, {degrees}°");
        for (hz, h) in a.frequency_hz.iter().zip(&a.channels[0].linear) {
            assert!(
                db(h.norm() / expected(*hz).0).abs() < a.gating_limit_db(*hz),
                "{hz} Hz"
            );
        }
        assert!((a.delay_s - 0.0101).abs() < 0.06e-6, "{}", a.delay_s);
    }

    #[test]
    fn delays_of_either_sign_and_fractions_of_a_sample_are_taken_out() {
        let p = short();
        for delay in [0.123_456_7, 0.0, -0.05, -0.23] {
            let a = run(&p, vec![capture(&p, delay, 0.0)]);
            let (gain, degrees) = worst(&a, 30.0, 20_000.0, |_| (1.0, 0.0));
            assert!((a.delay_s - delay).abs() < 1e-8, "{delay}: {}", a.delay_s);
            // −0.23 s cuts the first 30 ms of the sweep away, an eighth of an octave at its start.
            assert!(gain < 0.005 && degrees < 0.05, "{delay}: {gain} dB, {degrees}°");
        }
    }

    #[test]
    fn two_clocks_cost_nothing() {
        let p = short();
        for ppm in [200.0, -200.0, 17.0] {
            let a = run(&p, vec![capture(&p, 0.02, ppm)]);
            // 0.05 ppm of a sweep of L = 0.26 s is 0.1 µs over the band: 0.7° at 20 kHz at most.
            assert!((a.clock_ppm - ppm).abs() < 0.05, "{ppm}: {}", a.clock_ppm);
            let (gain, degrees) = worst(&a, 30.0, 20_000.0, |_| (1.0, 0.0));
            assert!(gain < 0.005 && degrees < 0.7, "{ppm}: {gain} dB, {degrees}°");
        }
    }

    #[test]
    fn polarity_offset_and_a_dead_channel() {
        let p = short();
        let x = capture(&p, 0.01, 0.0);
        let a = run(
            &p,
            vec![map(&x, |v| 0.3 - 0.5 * v), x.clone(), vec![0.0; x.len()]],
        );
        assert_eq!(Alignment::of_sweep(&a).polarity, vec![-1, 1, 0]);
        // The offset of 0.3 must not leak: a tenth of the documented gating limit.
        let (gain, degrees) = worst(&a, 20.0, 20_000.0, |_| (0.5, 180.0));
        assert!(gain < 5e-4 && degrees < 0.05, "{gain} dB, {degrees}°");
        assert_eq!(a.strongest, 1);
        assert!(!identical(&a) && identical(&run(&p, vec![x.clone(), x])));
    }

    #[test]
    fn noise_is_covered_by_its_uncertainty() {
        let p = short();
        let x = capture(&p, 0.01, 0.0);
        let (mut inside, mut count, mut spread) = (0, 0, 0.0);
        for start in 1..=3 {
            let y: Vec<f64> = x
                .iter()
                .zip(noise(x.len(), 0.01, start))
                .map(|(a, b)| a + b)
                .collect();
            let a = run(&p, vec![y]);
            let values = a.channels[0].linear.iter().zip(&a.channels[0].linear_u);
            // Every twelfth point is independent of its neighbours at 20 periods a gate.
            for ((h, u), _) in values.zip(&a.frequency_hz).skip(100).step_by(12) {
                let z = (h.norm() - 1.0) / u;
                inside += usize::from(z.abs() < 2.12);
                spread += z * z;
                count += 1;
            }
        }
        // t₉₅.₄₅(16) = 2.17: at least 88 % of some 120 values (95 % less 3 binomial deviations of 2 %), and a mean
        // square near 16/14: between 0.7 and 1.7 (±3 deviations of √(2/120)·1.2 and the correlation left).
        let (inside, count) = (f64::from(inside as u32), f64::from(count));
        assert!(count > 100.0 && inside / count > 0.88, "{inside} of {count}");
        assert!((0.7..1.7).contains(&(spread / count)), "{}", spread / count);
    }

    #[test]
    fn hum_and_noise_do_not_move_the_delay() {
        let p = short();
        let x = capture(&p, 0.0337, 57.0);
        let y = x
            .iter()
            .zip(noise(x.len(), 0.01, 9))
            .enumerate()
            .map(|(k, (a, b))| 0.5 * a + 0.5 * b + 0.005 * (2.0 * PI * 50.0 * k as f64 / 48e3).sin());
        let a = checked(&p, y.collect()).unwrap();
        assert!((a.delay_s - 0.0337).abs() < 2e-6, "{}", a.delay_s);
        assert!(
            (a.clock_ppm - 57.0).abs() < 4.0 * a.clock_ppm_u + 0.1,
            "{} ± {}",
            a.clock_ppm,
            a.clock_ppm_u
        );
    }

    #[test]
    fn other_sweeps_are_refused() {
        let p = short();
        for (from, to, seconds) in [
            (20.0, 20_000.0, 2.0),
            (10.0, 21_500.0, 1.8),
            (10.0, 21_500.0, 1.996),
            (10.0, 20_000.0, 2.0),
        ] {
            let other = parameters(from, to, seconds, 48_000);
            let what = refusal(&p, capture(&other, 0.01, 0.0));
            assert!(what.contains("sweep"), "{what}");
        }
        let reversed: Vec<f64> = capture(&p, 0.0, 0.0).into_iter().rev().collect();
        assert!(refusal(&p, reversed).contains("not of this sweep"));
    }

    #[test]
    fn no_signal_noise_and_tones_are_refused() {
        let p = short();
        let n = capture(&p, 0.0, 0.0).len();
        assert!(refusal(&p, noise(n, 0.1, 5)).contains("not of this sweep"));
        assert!(refusal(&p, noise(n, 1e-5, 5)).contains("no signal"));
        refusal(&p, vec![0.0; n]);
        let tone = (0..n)
            .map(|k| (2.0 * PI * 997.0 * k as f64 / 48e3).sin())
            .collect();
        assert!(refusal(&p, tone).contains("not of this sweep"));
    }

    #[test]
    fn cut_captures_are_refused() {
        let p = short();
        let x = capture(&p, 0.0, 0.0);
        assert!(refusal(&p, x[..96_000].to_vec()).contains("ends 0.20 s before"));
        assert!(refusal(&p, x[..40_000].to_vec()).contains("the sweep alone"));
        assert!(refusal(&p, x[24_000..].to_vec()).contains("begins 0.30 s after"));
        let long = SweepParameters { seconds: 61.0, ..p };
        let error = analyse(&MemorySource::new(48_000, vec![x]), &long).unwrap_err();
        assert!(error.what().contains("longer than the 60 s"), "{error}");
    }

    #[test]
    fn clipped_captures_are_refused() {
        let p = short();
        let a = run(&p, vec![capture(&p, 0.0, 0.0)]);
        let clipped = Integrity {
            clipped_samples: vec![3],
            ..Integrity::default()
        };
        assert!(check(&a, &p, &clipped).unwrap_err().what().contains("clipped"));
    }

    /// A gain control that follows the level: gain (1 + envelope)^−½.
    fn gain_control(x: &[f64], attack_s: f64) -> Vec<f64> {
        let mut envelope = 0.0f64;
        x.iter()
            .map(|v| {
                let slow = if v.abs() > envelope {
                    attack_s
                } else {
                    10.0 * attack_s
                };
                envelope += (v.abs() - envelope) / (slow * 48e3);
                v / (1.0 + envelope).sqrt()
            })
            .collect()
    }

    #[test]
    fn a_gain_that_moves_is_refused() {
        let p = parameters(10.0, 21_500.0, 3.0, 48_000);
        let x = capture(&p, 0.01, 0.0);
        for attack_s in [0.3, 1.0, 3.0] {
            assert!(
                refusal(&p, gain_control(&x, attack_s)).contains("gain changed"),
                "{attack_s}"
            );
        }
        let touched = x
            .iter()
            .enumerate()
            .map(|(k, v)| if k > 70_000 { 0.89 * v } else { *v })
            .collect();
        assert!(refusal(&p, touched).contains("gain changed"));
    }

    #[test]
    fn honest_amplifiers_are_accepted() {
        let p = short();
        let x = capture(&p, 0.01, 0.0);
        let steep = (0..3).fold(x.clone(), |y, _| low_pass(&high_pass(&y, 15.0, 48e3), 12e3, 48e3));
        // IEC 60098 playback: poles at 50.05 Hz and 2122 Hz, a zero at 500.5 Hz.
        let shelf = 2122.0 / 500.5;
        let bass = low_pass(&x, 50.05, 48e3);
        let treble = low_pass(&bass, 2122.0, 48e3);
        let disc = treble
            .iter()
            .zip(&bass)
            .map(|(l, b)| shelf * b + (1.0 - shelf) * l);
        for (name, y) in [
            ("disc equalisation", disc.collect()),
            ("soft clipping", map(&x, |v| (1.5 * v).tanh())),
            (
                "one-sided",
                map(&x, |v| if v > 0.0 { (2.0 * v).tanh() } else { v }),
            ),
            ("hard clipping", map(&x, |v| v.clamp(-0.5, 0.5))),
            ("steep filters", steep),
            (
                "loud noise",
                x.iter().zip(noise(x.len(), 0.5, 4)).map(|(a, b)| a + b).collect(),
            ),
        ] {
            checked(&p, y).unwrap_or_else(|e| panic!("{name}: {e}"));
        }
    }

    #[test]
    fn scaling_and_shifting_change_nothing_else() {
        // y = c·x by whole samples later: gains ×c, delay + n/fs, everything else as before.
        let p = short();
        let x = high_pass(&capture(&p, 0.01, 0.0), 30.0, 48e3);
        let mut shifted = vec![0.0; 480];
        shifted.extend(x[..x.len() - 480].iter().map(|v| -0.25 * v));
        let (a, b) = (run(&p, vec![x]), run(&p, vec![shifted]));
        assert!((b.delay_s - a.delay_s - 0.01).abs() < 1e-9);
        for (h, g) in a.channels[0].linear.iter().zip(&b.channels[0].linear).skip(100) {
            assert!((g / h + 0.25).norm() < 1e-5, "{h} {g}");
        }
    }

    #[test]
    fn a_sweep_starts_and_ends_where_it_says() {
        // Instantaneous frequency f₁e^{t/L}: f₁ at 0, f₂ at T.
        let p = short();
        assert!((p.frequency_at(0.0) - 10.0).abs() < 1e-12 && (p.frequency_at(2.0) - 21_500.0).abs() < 1e-8);
        assert!((p.time_of(p.frequency_at(1.3)) - 1.3).abs() < 1e-12);
        for t in [0.001, 0.5, 1.0, 1.995] {
            assert!((p.order_at(1, t, 22e3) - sweep_at(&p, t)).abs() < 1e-9);
        }
    }
}
