//! Response, balance and separation figures against closed forms and scipy.

#[cfg(test)]
mod swept;

#[cfg(test)]
mod tests {
    use super::swept::{apart, capture, db, high_pass, low_pass, noise, parameters, short, warped};
    use asleft::dsp::spectrum::PowerSpectrum;
    use asleft::dsp::sweep::{SweepParameters, analyse};
    use asleft::dsp::tone::{Fundamental, ToneAnalysis};
    use asleft::figure::{Channel, Curve, Driven, Figure, FigureId, Findings, LimitedBy, Unit};
    use asleft::figures::balance::Balance;
    use asleft::figures::response::Response;
    use asleft::figures::separation::Separation;
    use asleft::figures::{Context, Measurement, Next, of_take};
    use asleft::rig::{Calibrated, Loopback, Rig, RigChannel, SCHEMA as RIG_SCHEMA};
    use asleft::signal::source::MemorySource;
    use asleft::signal::stimulus::{Signal, Stimulus};
    use asleft::signal::take::Take;
    use asleft::take::integrity::Integrity;
    use asleft::take::{ChannelView, Content, Examined};
    use proptest::prelude::*;
    use std::sync::Arc;

    const RATE: f64 = 48e3;

    fn stimulus(p: &SweepParameters, driven: Driven) -> Stimulus {
        let sweep = Signal::Sweep {
            from_hz: p.from_hz,
            to_hz: p.to_hz,
            level_dbfs: p.level_dbfs,
        };
        let mut stimulus = Stimulus::stereo(p.sample_rate_hz, p.seconds, &sweep, driven);
        (stimulus.lead_in_s, stimulus.fade_s) = (p.lead_in_s, p.fade_s);
        stimulus
    }

    fn examined(p: &SweepParameters, driven: Driven, planes: Vec<Vec<f64>>) -> Examined {
        let source = Arc::new(MemorySource::new(p.sample_rate_hz, planes));
        let analysis = analyse(source.as_ref(), p).unwrap();
        let mut take = Take::of(source);
        take.stimulus = Some(stimulus(p, driven));
        take.setup.driven = Some(driven);
        Examined {
            take,
            integrity: Integrity::default(),
            alignment: None,
            identical: Vec::new(),
            content: Content::Sweep(analysis),
        }
    }

    fn done(measurement: &dyn Measurement, take: Examined, rig: Option<&Rig>) -> Findings {
        let takes = [take];
        let Next::Done(findings) = measurement.next(&[&takes[0]], rig) else {
            panic!("not done");
        };
        for f in &findings.figures {
            let (low, high) = f.estimate.interval();
            assert!(f.estimate.value.is_finite() && low.is_finite() && high.is_finite());
            assert!(
                low < f.estimate.value && f.estimate.value < high,
                "{:?} has no interval",
                f.id
            );
        }
        for c in &findings.curves {
            assert!(c.x.len() == c.y.len() && c.y.iter().chain(&c.u).all(|v| v.is_finite()));
        }
        findings
    }

    fn figure(f: &Findings, id: FigureId) -> &Figure {
        f.figures
            .iter()
            .find(|x| x.id == id)
            .unwrap_or_else(|| panic!("no {id}: {:?}", f.not_measured))
    }

    fn curve(f: &Findings, id: FigureId, order: Option<u32>) -> &Curve {
        f.curves.iter().find(|c| c.id == id && c.order == order).unwrap()
    }

    fn at(c: &Curve, hz: f64) -> f64 {
        let i = c.x.iter().position(|f| (f - hz).abs() < 1e-6 * hz).unwrap();
        c.y[i]
    }

    #[test]
    fn first_order_corners_and_group_delay() {
        // Half-power points of 40 Hz and 12 kHz first-order networks, run at eight times the capture's rate. The
        // reference at 1 kHz lies 10 lg((1 + (40/1000)²)(1 + (1/12)²)) = 0.037 dB below the plateau, which moves the
        // crossings to where the product stands 3.0103 dB below that.
        let p = short();
        let fast = 8.0 * RATE;
        let x = capture(
            &SweepParameters {
                sample_rate_hz: 384_000,
                ..p
            },
            0.01,
            0.0,
        );
        let y: Vec<f64> = low_pass(&high_pass(&x, 40.0, fast), 12e3, fast)
            .into_iter()
            .step_by(8)
            .collect();
        let f = done(&Response::default(), examined(&p, Driven::Both, vec![y]), None);
        let gain = |hz: f64| {
            let (h, l) = (warped(hz, 40.0, fast), warped(hz, 12e3, fast));
            -10.0 * ((1.0 + 1.0 / (h * h)) * (1.0 + l * l)).log10()
        };
        for (id, mut low, mut high) in [
            (FigureId::CornerLow, 20.0f64, 1000.0),
            (FigureId::CornerHigh, 20e3, 1000.0),
        ] {
            for _ in 0..60 {
                let middle = (low * high).sqrt();
                if gain(middle) - gain(1000.0) < 10.0 * 0.5f64.log10() {
                    low = middle;
                } else {
                    high = middle;
                }
            }
            let corner = &figure(&f, id).estimate;
            // 0.05 dB of gating at 3 dB/octave is 1.2 % of frequency; above the settled region 0.2 %.
            let share = if id == FigureId::CornerLow { 0.012 } else { 0.002 };
            assert!(
                (corner.value / low - 1.0).abs() < share,
                "{id}: {} for {low}",
                corner.value
            );
            let (below, above) = corner.interval();
            assert!(below < low && low < above, "{id}: {below} … {above} misses {low}");
        }
        // Group delay of the low-pass: 1/(ωc(1 + r²)) less the path's delay: at 12 kHz half of that at 0, 13.26 µs.
        let delay = curve(&f, FigureId::GroupDelay, None);
        let step = at(delay, 1000.0) - at(delay, 12_500.0);
        let wc = 2.0 * std::f64::consts::PI * 12e3;
        let closed = |hz: f64, h: f64| 1.0 / (wc * (1.0 + (hz / 12e3).powi(2))) - h;
        // The high-pass advances by fc/(2πf²) = 6.4 µs at 1 kHz. Tolerance: the networks warp by (πf/fast)² < 1 %.
        let high = |hz: f64| 40.0 / (2.0 * std::f64::consts::PI * (hz * hz + 1600.0));
        let expected = closed(1000.0, -high(1000.0)) - closed(12_500.0, -high(12_500.0));
        assert!((step - expected).abs() < 0.3e-6, "{step} for {expected}");
        let phase = curve(&f, FigureId::Phase, None);
        assert!(
            apart(at(phase, 40.0), 45.0 - (40f64 / 12e3).atan().to_degrees()).abs() < 0.5,
            "{}",
            at(phase, 40.0)
        );
        // A low-pass' delay is told from the path's to 0.2 µs: 0.9° at 12.5 kHz.
        let closed = (40f64 / 12.5e3).atan().to_degrees() - (12.5f64 / 12.0).atan().to_degrees();
        assert!(
            apart(at(phase, 12_500.0), closed).abs() < 0.9,
            "{}",
            at(phase, 12_500.0)
        );
    }

    #[test]
    fn a_biquad_agrees_with_scipy() {
        // fixtures/scipy/biquad_response.csv: scipy.signal.freqz and group_delay; tolerances in fixtures/README.md.
        let text = include_str!("../fixtures/scipy/biquad_response.csv");
        let rows: Vec<Vec<f64>> = text
            .lines()
            .map(|l| l.split(',').map(|v| v.parse().unwrap()).collect())
            .collect();
        let [b0, b1, b2, a1, a2] = rows[0][..] else {
            panic!("no coefficients")
        };
        let p = short();
        let (mut z1, mut z2) = (0.0, 0.0);
        let fast = SweepParameters {
            sample_rate_hz: 384_000,
            ..p
        };
        let y = capture(&fast, 0.02, 0.0)
            .into_iter()
            .map(|v| {
                let out = b0 * v + z1;
                (z1, z2) = (b1 * v - a1 * out + z2, b2 * v - a2 * out);
                out
            })
            .step_by(8)
            .collect();
        let f = done(&Response::default(), examined(&p, Driven::Both, vec![y]), None);
        let reference = rows.iter().find(|r| (r[0] - 1000.0).abs() < 1e-9).unwrap()[1];
        for row in &rows[1..] {
            let hz = row[0];
            let limit = if hz < 60.0 { 0.05 } else { 0.01 };
            let gain = at(curve(&f, FigureId::Response, None), hz) - (row[1] - reference);
            assert!(gain.abs() < limit, "{hz} Hz: {gain} dB");
            let phase = apart(at(curve(&f, FigureId::Phase, None), hz), row[2]);
            assert!(phase.abs() < 0.1, "{hz} Hz: {phase}°");
            let delay = at(curve(&f, FigureId::GroupDelay, None), hz) - row[3];
            // 0.01 µs of path delay (0.1° at 20 kHz), 0.5 µs of curvature over the sixth of an octave that the slope is
            // taken on (at the peak; the filter's own delay is 66 µs), and 0.01° of gating over it.
            let limit = 0.5e-6 + 0.01 / 360.0 / (hz / 8.0);
            assert!(hz < 60.0 || delay.abs() < limit, "{hz} Hz: {delay} s");
        }
        let max = figure(&f, FigureId::ResponseMax);
        // |H(2 kHz)| = A² = 2.25 at the analogue centre.
        let peak = db(2.25) - reference;
        assert!(
            (max.estimate.value - peak).abs() < 0.01,
            "{} for {peak}",
            max.estimate.value
        );
        assert!((max.conditions.frequency_hz.unwrap() / 2000.0 - 1.0).abs() < 0.02);
        assert!(f.not_measured.iter().all(|n| n.code == "beyond_band") && f.not_measured.len() == 2);
    }

    #[test]
    fn harmonics_refer_to_the_fundamental_at_their_frequency() {
        // y = x + 0.02x² + 0.01x³, then 0.5: H2/H1 = 0.01/1.0075, H3/H1 = 0.0025/1.0075; no H4, no H5.
        let p = short();
        let x = capture(&p, 0.0, 0.0);
        let y = x
            .iter()
            .zip(noise(x.len(), 1e-6, 2))
            .map(|(x, n)| 0.5 * (x + 0.02 * x * x + 0.01 * x.powi(3)) + n);
        let f = done(
            &Response::default(),
            examined(&p, Driven::Both, vec![y.collect()]),
            None,
        );
        // Up to 7 kHz: the device works at the capture's rate, where the third order folds back above 8 kHz.
        for (order, ratio) in [(2, 0.01), (3, 0.0025)] {
            let c = curve(&f, FigureId::HarmonicResponse, Some(order));
            for (hz, y) in c.x.iter().zip(&c.y).filter(|(f, _)| (100.0..7000.0).contains(*f)) {
                assert!((y - db(ratio / 1.0075)).abs() < 0.02, "H{order} at {hz}: {y}");
                assert!(f64::from(order) * hz < 21_500.0);
            }
        }
        // What is not there is not drawn, but for the odd noise peak.
        let points = |order| {
            f.curves
                .iter()
                .find(|c| c.order == Some(order))
                .map_or(0, |c| c.x.len())
        };
        assert!(points(4) + points(5) < 40, "{} {}", points(4), points(5));
    }

    #[test]
    fn the_extremes_of_a_flat_response_are_not_raised_by_noise() {
        // A flat device in noise: the largest of some 480 points lies 3 standard deviations high. Corrected, the truth
        // (0 dB) must lie inside both intervals in most of the runs: at 95 % each, fewer than 7 of 10 is out of reach
        // (5 % of 10 is a half, standard deviation 0.7).
        let p = short();
        let x = capture(&p, 0.0, 0.0);
        let (mut inside, mut raised) = (0, 0.0);
        for start in 1..=5 {
            let y = x
                .iter()
                .zip(noise(x.len(), 0.02, start))
                .map(|(a, b)| a + b)
                .collect();
            let f = done(&Response::default(), examined(&p, Driven::Both, vec![y]), None);
            for (id, sign) in [(FigureId::ResponseMax, 1.0), (FigureId::ResponseMin, -1.0)] {
                let e = &figure(&f, id).estimate;
                let (low, high) = e.interval();
                inside += u32::from(low <= 0.0 && 0.0 <= high);
                raised += sign * e.value / e.standard_uncertainty() / 10.0;
            }
        }
        assert!(inside >= 7, "{inside} of 10");
        assert!(raised.abs() < 1.5, "mean {raised} standard deviations");
    }

    fn calibrated(value: f64, source: &str) -> Calibrated {
        Calibrated {
            value,
            u_percent: 0.5,
            source: source.to_owned(),
            date: "2024-05-01".to_owned(),
        }
    }

    /// A rig whose right input is 0.5 dB less sensitive, all from one meter, with a tilted loopback response.
    fn rig() -> Rig {
        let channel = |input: f64| RigChannel {
            output_full_scale_v: calibrated(2.0, "meter volts"),
            output_impedance_ohm: calibrated(100.0, "meter ohms"),
            input_full_scale_v: calibrated(input, "meter volts"),
            input_impedance_ohm: calibrated(10e3, "meter ohms"),
            load_ohm: calibrated(8.0, "meter ohms"),
            load_hot_ohm: None,
            load_rating_w: 100.0,
        };
        let loopback = |channel| Loopback {
            channel,
            level_dbfs: 0.0,
            date: "2024-05-01".to_owned(),
            frequency_hz: Vec::new(),
            noise_dbfs_per_hz: Vec::new(),
            response_hz: vec![5.0, 1000.0, 30_000.0],
            response_db: vec![0.0, 0.0, 0.0],
            response_deg: vec![0.0, 0.0, 0.0],
            response_u_db: 0.01,
            harmonics_db: vec![-100.0; 4],
        };
        Rig {
            schema: RIG_SCHEMA.to_owned(),
            name: "Example Bench".to_owned(),
            interface: None,
            channels: vec![channel(4.0), channel(4.0 * 10f64.powf(0.5 / 20.0))],
            taps: Vec::new(),
            pads: Vec::new(),
            ceiling_v: 2.0,
            loopback: vec![loopback(0), loopback(1)],
        }
    }

    #[test]
    fn the_rig_is_divided_out() {
        // A path that is a 5 kHz low-pass seen through a rig stored as the same low-pass is flat.
        let p = short();
        let y = low_pass(&capture(&p, 0.0, 0.0), 5000.0, RATE);
        let mut rig = rig();
        let hz: Vec<f64> = (0..300)
            .map(|i| 8.0 * 10f64.powf(f64::from(i) / 85.0))
            .filter(|f| *f < 23e3)
            .collect();
        let r = |f: f64| warped(f, 5000.0, RATE);
        for l in &mut rig.loopback {
            l.response_db = hz
                .iter()
                .map(|f| 10.0 * ((1.0 + r(1000.0).powi(2)) / (1.0 + r(*f).powi(2))).log10())
                .collect();
            l.response_deg = hz.iter().map(|f| -r(*f).atan().to_degrees()).collect();
            l.response_hz.clone_from(&hz);
        }
        let take = || examined(&p, Driven::Both, vec![y.clone(), y.clone()]);
        let f = done(&Response::default(), take(), Some(&rig));
        let (max, min) = (
            figure(&f, FigureId::ResponseMax),
            figure(&f, FigureId::ResponseMin),
        );
        // Gating of 0.05 dB and a curve interpolated over 1/25 octave (below 0.001 dB).
        assert!(max.estimate.value < 0.05 && min.estimate.value > -0.05);
        assert!(f.curves.iter().all(|c| c.corrected_for_rig));
        let names: Vec<&str> = min.estimate.budget().iter().map(|c| c.source.name()).collect();
        assert!(names.iter().any(|n| n.contains("rig response")), "{names:?}");
        let f = done(&Response::default(), take(), None);
        assert!(f.curves.iter().all(|c| !c.corrected_for_rig));
        assert!(figure(&f, FigureId::ResponseMin).estimate.value < -9.0);
    }

    #[test]
    fn balance_of_a_sweep_and_its_calibration() {
        // Right 1 dB down and with a first-order roll-off at 60 kHz·tan-warped 20 kHz corner: at 20 kHz 3.01 dB more.
        let p = short();
        let x = capture(&p, 0.0, 0.0);
        let right: Vec<f64> = low_pass(&x, 20e3, RATE)
            .iter()
            .map(|v| v * 10f64.powf(-1.0 / 20.0))
            .collect();
        let take = || examined(&p, Driven::Both, vec![x.clone(), right.clone()]);
        let f = done(&Balance::default(), take(), None);
        let at_1k = 1.0 + 10.0 * (1.0 + warped(1000.0, 20e3, RATE).powi(2)).log10();
        assert!((figure(&f, FigureId::Balance).estimate.value - at_1k).abs() < 0.01);
        let max = figure(&f, FigureId::BalanceMax);
        assert!(
            (max.estimate.value - 1.0 - 10.0 * 2f64.log10()).abs() < 0.02,
            "{max:?}"
        );
        assert!((max.conditions.frequency_hz.unwrap() - 20e3).abs() < 1.0);
        assert!(f.notes.iter().any(|n| n.contains("raw")));
        // With the rig: the right input reads 0.5 dB low, so the unit's right channel is 0.5 dB better than it looks;
        // one meter calibrated all, so its 0.5 % cancels and U is that of gating alone.
        let f = done(&Balance::default(), take(), Some(&rig()));
        let balance = figure(&f, FigureId::Balance);
        assert!(
            (balance.estimate.value - (at_1k - 0.5)).abs() < 0.01,
            "{}",
            balance.estimate.value
        );
        assert!(
            balance.estimate.expanded() < 0.02,
            "{}",
            balance.estimate.expanded()
        );
        // 0 dBFS of a channel whose input takes 4 V is 4 V.
        assert!((balance.conditions.level_v.unwrap() - 4.0).abs() < 0.01);
    }

    #[test]
    fn separation_of_a_sweep() {
        // Crosstalk through a small capacitance: −40 dB at 10 kHz, rising 6 dB an octave (first-order high-pass far
        // below its corner of 1 MHz·…: here 0.01·(f/10 kHz) from a difference of neighbouring samples).
        let p = short();
        let x = capture(&p, 0.0, 0.0);
        let slope = 0.01 / (2.0 * (std::f64::consts::PI * 10e3 / RATE).sin());
        let hiss = noise(x.len(), 1e-4, 8);
        let y: Vec<f64> = (0..x.len())
            .map(|k| slope * (x[k] - if k > 0 { x[k - 1] } else { 0.0 }) + hiss[k])
            .collect();
        let f = done(&Separation, examined(&p, Driven::Left, vec![x.clone(), y]), None);
        let closed = |hz: f64| -db(slope * 2.0 * (std::f64::consts::PI * hz / RATE).sin());
        for hz in [1000.0, 10_000.0] {
            let s = f
                .figures
                .iter()
                .find(|s| (s.conditions.frequency_hz.unwrap() - hz).abs() < 1e-6)
                .unwrap();
            assert_eq!(
                (s.channel, s.id, s.upper_limit),
                (Channel::Right, FigureId::Separation, false)
            );
            let (low, high) = s.estimate.interval();
            assert!(
                (low..high).contains(&closed(hz)),
                "{hz} Hz: {low} … {high} for {}",
                closed(hz)
            );
            assert!(high - low < 1.5);
        }
        assert_eq!(f.curves[0].channel, Channel::Right);
    }

    #[test]
    fn separation_in_noise_is_a_limit() {
        let p = short();
        let x = capture(&p, 0.0, 0.0);
        for quiet in [noise(x.len(), 1e-3, 8), vec![0.0; x.len()]] {
            let f = done(
                &Separation,
                examined(&p, Driven::Right, vec![quiet, x.clone()]),
                None,
            );
            for s in &f.figures {
                let (low, high) = s.estimate.interval();
                assert!(s.upper_limit && s.channel == Channel::Left);
                // Noise of rms 1e-3 leaves about −80 dB at 10 kHz (a hundredth of it through a gate of 12 ms in 2 s,
                // times √(f/f₂) of the sweep's spectrum); the limit lies at most 5.5 deviations, 15 dB, above.
                assert!(low > 60.0 && high > low + 90.0, "{low} … {high}");
            }
            assert_eq!(f.figures.len(), 2);
        }
    }

    fn view(frequency_hz: f64, amplitude: f64, amplitude_u: f64) -> ChannelView {
        let spectrum = PowerSpectrum {
            bin_hz: 1.0,
            density: vec![1e-14; 24_000],
            line_width_bins: 1.5,
            averages: 10.0,
            segments: Vec::new(),
        };
        let fundamental = Fundamental {
            frequency_hz,
            frequency_u: 1e-6,
            amplitude,
            amplitude_u,
            dof: 30.0,
            phase_rad: 0.0,
        };
        let tone = ToneAnalysis {
            fundamental,
            harmonics: Vec::new(),
        };
        ChannelView {
            tones: vec![tone],
            spectrum,
            dc: 0.0,
            quasi_peak: None,
        }
    }

    fn tones(driven: Driven, views: Vec<ChannelView>) -> Examined {
        let mut take = Take::of(Arc::new(MemorySource::new(48_000, vec![vec![0.0; 48_000]; 2])));
        take.setup.driven = Some(driven);
        Examined {
            take,
            integrity: Integrity::default(),
            alignment: None,
            identical: Vec::new(),
            content: Content::Tone(views),
        }
    }

    #[test]
    fn channels_with_tones_of_their_own_have_no_separation() {
        let own = || vec![view(1e3, 0.3, 1e-6), view(3e3, 0.3, 1e-6)];
        let f = done(&Separation, tones(Driven::Left, own()), None);
        assert!(f.figures.is_empty() && f.not_measured[0].code == "own_signal");
        // From samples, with nothing said of the driven channels.
        let sine = |hz: f64| -> Vec<f64> {
            (0..96_000)
                .map(|i| 0.316 * (std::f64::consts::TAU * hz * f64::from(i) / RATE).sin())
                .collect()
        };
        let source = Arc::new(MemorySource::new(48_000, vec![sine(1e3), sine(3e3)]));
        let e = asleft::take::examine(Take::of(source), None).unwrap();
        assert_eq!(e.take.setup.driven, Some(Driven::Both));
        let Content::Tone(views) = &e.content else {
            panic!("{e:?}")
        };
        let hz = |v: &ChannelView| v.tones[0].fundamental.frequency_hz;
        assert!((hz(&views[0]) - 1e3).abs() < 1e-3 && (hz(&views[1]) - 3e3).abs() < 1e-3);
        let f = of_take(&e, &Context::default());
        assert!(f.figures.iter().all(|f| f.id != FigureId::Separation));
    }

    #[test]
    fn only_the_last_take_is_compared() {
        let reference = tones(Driven::Left, vec![view(1e3, 0.5, 1e-6), view(1e3, 5e-4, 1e-6)]);
        let both = tones(Driven::Both, vec![view(1e3, 0.5, 1e-6), view(1e3, 0.45, 1e-6)]);
        for (takes, id, count) in [
            ([&reference, &both], FigureId::Separation, 0),
            ([&reference, &both], FigureId::Balance, 1),
            ([&both, &both], FigureId::Balance, 1),
            ([&both, &reference], FigureId::Balance, 0),
        ] {
            let measurement: &dyn Measurement = match id {
                FigureId::Separation => &Separation,
                _ => &Balance::default(),
            };
            let Next::Done(f) = measurement.next(&takes, None) else {
                panic!("not done");
            };
            assert_eq!(f.figures.len(), count, "{id}");
        }
    }

    #[test]
    fn one_channel_recorded_twice_says_nothing_of_two() {
        for driven in [Driven::Both, Driven::Left] {
            let mut e = tones(driven, vec![view(1e3, 0.5, 1e-6), view(1e3, 0.5, 1e-6)]);
            e.identical = vec![(0, 1)];
            let f = of_take(&e, &Context::default());
            let pair = |id| id == FigureId::Balance || id == FigureId::Separation;
            assert!(f.figures.iter().all(|f| !pair(f.id)));
            let refusals: Vec<_> = f.not_measured.iter().filter(|n| pair(n.id)).collect();
            assert_eq!(refusals.len(), 1);
            assert_eq!(refusals[0].code, "identical");
        }
    }

    #[test]
    fn clipping_is_carried_into_every_figure_of_the_take() {
        let mut e = tones(Driven::Both, vec![view(1e3, 0.5, 1e-6), view(1e3, 0.45, 1e-6)]);
        e.integrity.clipped_samples = vec![0, 7];
        let limited = |e: &Examined, id: FigureId| {
            let f = of_take(e, &Context::default());
            let all: Vec<_> = f.figures.iter().filter(|f| f.id == id).cloned().collect();
            assert!(!all.is_empty(), "no {id}");
            all.into_iter()
                .map(|f| (f.channel, f.limited_by == Some(LimitedBy::Clipping)))
                .collect::<Vec<_>>()
        };
        assert_eq!(limited(&e, FigureId::Balance), [(Channel::Pair, true)]);
        let mut e = tones(Driven::Left, vec![view(1e3, 0.5, 1e-6), view(1e3, 5e-4, 1e-6)]);
        e.integrity.clipped_samples = vec![7, 0];
        assert_eq!(limited(&e, FigureId::Separation), [(Channel::Right, true)]);
        let (Content::Tone(mut views), take) = (e.content, e.take) else {
            panic!("tones")
        };
        views.iter_mut().for_each(|v| v.tones.clear());
        let e = Examined {
            take,
            integrity: e.integrity,
            alignment: None,
            identical: Vec::new(),
            content: Content::Silence(views),
        };
        for (channel, clipped) in limited(&e, FigureId::Noise) {
            assert_eq!(clipped, channel == Channel::Left);
        }
    }

    #[test]
    fn the_largest_imbalance_says_over_which_band_it_was_measured() {
        let p = parameters(100.0, 10e3, 2.0, 48_000);
        let x = capture(&p, 0.0, 0.0);
        let f = done(
            &Balance::default(),
            examined(&p, Driven::Both, vec![x.clone(), x]),
            None,
        );
        let band = figure(&f, FigureId::BalanceMax).band.unwrap();
        // The grid has points within 1/24 octave of the sweep's ends, some of which its fades may take.
        assert!(band.low_hz >= 99.9 && band.low_hz < 130.0, "{band:?}");
        assert!(band.high_hz <= 10_010.0 && band.high_hz > 8e3, "{band:?}");
    }

    #[test]
    fn tones_give_balance_and_separation() {
        // 0.5 and 0.45: 20 lg(0.5/0.45) = 0.915 dB. 0.5 and 0.0005: 60 dB.
        let f = done(
            &Balance::default(),
            tones(Driven::Both, vec![view(1e3, 0.5, 1e-6), view(1e3, 0.45, 1e-6)]),
            None,
        );
        assert!((figure(&f, FigureId::Balance).estimate.value - db(0.5 / 0.45)).abs() < 1e-9);
        let f = done(
            &Separation,
            tones(Driven::Left, vec![view(1e3, 0.5, 1e-6), view(1e3, 5e-4, 1e-6)]),
            None,
        );
        let s = figure(&f, FigureId::Separation);
        assert!(
            (s.estimate.value - 60.0).abs() < 0.001
                && s.channel == Channel::Right
                && s.unit == Unit::Decibels
        );
        assert!(
            done(
                &Balance::default(),
                tones(Driven::Left, vec![view(1e3, 0.5, 1e-6), view(1e3, 5e-4, 1e-6)]),
                None
            )
            .figures
            .is_empty()
        );
        assert!(
            done(
                &Response::default(),
                tones(Driven::Both, vec![view(1e3, 0.5, 1e-6)]),
                None
            )
            .curves
            .is_empty()
        );
        let f = done(
            &Separation,
            tones(Driven::Right, vec![view(1e3, 0.5, 1e-6), view(1e3, 5e-4, 1e-6)]),
            None,
        );
        assert!(f.figures.is_empty() && f.not_measured[0].code == "swapped");
        // 50 Hz of hum on the undriven channel is not crosstalk of 1 kHz.
        let f = done(
            &Separation,
            tones(Driven::Left, vec![view(1e3, 0.5, 1e-6), view(50.0, 5e-3, 1e-6)]),
            None,
        );
        assert!(figure(&f, FigureId::Separation).upper_limit);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        #[test]
        fn swapping_channels_turns_balance_and_mirrors_separation(a in 0.01..1.0f64, b in 0.01..1.0f64) {
            let of = |l, r, driven| tones(driven, vec![view(1e3, l, 1e-7), view(1e3, r, 1e-7)]);
            let balance = |l, r| figure(&done(&Balance::default(), of(l, r, Driven::Both), None), FigureId::Balance).estimate.value;
            prop_assert!((balance(a, b) + balance(b, a)).abs() < 1e-9);
            prop_assert!((balance(0.3 * a, 0.3 * b) - balance(a, b)).abs() < 1e-9);
            let separation = |l, r, d| figure(&done(&Separation, of(l, r, d), None), FigureId::Separation).estimate.value;
            // The quiet channel is the quieter one: 0.009·b < 0.01 ≤ a.
            let c = 0.009 * b;
            prop_assert!((separation(a, c, Driven::Left) - separation(c, a, Driven::Right)).abs() < 1e-9);
        }
    }
}
