//! Running the self-check: what is played in which order, and what is not played any more once something is wrong.

use super::heard::{examine, examine_one_side, examine_silence, heard_hz, order, store_floors};
use super::player::{Player, cabled, terminated, tones};
use super::prompts::{asks_for_cable, asks_for_termination, confirm_bare};
use super::trouble::{self, CABLE_DB, Evidence};
use super::{
    ChannelCheck, Clock, HIGH_TONE_HZ, LEVELS_DBFS, REFERENCE_STEP_DBFS, Request, STEPS_DBFS, SelfCheck,
    Step, TONE_HZ, expected_gain, fitness, floor, swept, tones as tone,
};
use crate::bench::Bench;
use crate::dsp::sweep::{self, SweepParameters};
use crate::error::{Error, Kind, Result};
use crate::figure::{Channel, Driven};
use crate::procedure::operator::Operator;
use crate::quantity::Decibels;
use crate::rig::Rig;
use crate::rig::ceiling::BARE_DBFS;
use crate::signal::stimulus::Signal;
use crate::signal::take::{Setup, Take};
use crate::take::alignment;
use crate::take::{self, Examined};

/// Level of the first tone at the outputs, dBFS: what a cable lets through of it harms nothing, whatever stands at the
/// other end.
const FINDER_DBFS: f64 = -60.0;

/// The sweep's level at the inputs, dBFS.
const SWEEP_DBFS: f64 = -10.0;

/// The sweep's edges, Hz; the upper as far as the rate allows.
const SWEEP_FROM_HZ: f64 = 4.0;
const SWEEP_TO_HZ: f64 = 82_000.0;
const SWEEP_SHARE_OF_RATE: f64 = 0.46;

/// Runs the whole check of `rig` on `bench`. `operator` is asked to connect, and is told why.
///
/// # Errors
/// Where the operator does not confirm that no amplifier is connected or stops, the bench fails, or the rig has no two
/// channels. What is merely wrong with the path is no error: it is named in [`SelfCheck::troubles`].
pub fn run(
    bench: &mut dyn Bench,
    rig: &Rig,
    request: &Request,
    operator: &mut dyn Operator,
) -> Result<SelfCheck> {
    if rig.channels.len() != 2 {
        return Err(Error::new(
            Kind::Unavailable,
            format!(
                "the self-check drives left and right; this rig has {} channels",
                rig.channels.len()
            ),
        )
        .next("describe the two channels that are cabled in the rig file"));
    }
    confirm_bare(operator)?;
    let shorted = asks_for_termination(operator)?;
    let simulated = bench.simulated();
    let mut check = SelfCheck {
        rig: rig.name.clone(),
        simulated,
        sample_rates_hz: [request.sample_rate_hz, request.sweep_rate_hz],
        terminated: shorted,
        highest_input_dbfs: None,
        channels: (0..2).map(|c| ChannelCheck::of(Channel::at(c))).collect(),
        clock: None,
        troubles: Vec::new(),
        fitness: Vec::new(),
    };
    let mut running = Running {
        player: Player { bench, operator },
        request,
        rig,
        evidence: Evidence::default(),
        delay_s: 0.0,
        hz: TONE_HZ,
        hz_u: 0.0,
    };
    running.all(&mut check, shorted)?;
    check.troubles = trouble::all(&check, &running.evidence);
    check.fitness = fitness::all(&check, rig);
    Ok(check)
}

struct Running<'a> {
    player: Player<'a>,
    request: &'a Request,
    rig: &'a Rig,
    evidence: Evidence,
    /// Delay of the path as found so far, s.
    delay_s: f64,
    /// The tone's frequency by the recording clock, with its standard uncertainty, Hz.
    hz: f64,
    hz_u: f64,
}

impl Running<'_> {
    fn all(&mut self, check: &mut SelfCheck, shorted: bool) -> Result<()> {
        if shorted {
            let take = self.silence(&terminated())?;
            store_floors(check, &examine_silence(take)?);
            asks_for_cable(self.player.operator)?;
        }
        let silent = examine_silence(self.silence(&cabled(Driven::Both))?)?;
        self.evidence.cabled = floor::floors(&silent);
        if !shorted {
            store_floors(check, &silent);
        }
        if !self.find(check)? {
            return Ok(());
        }
        let outputs = self.outputs(check);
        check.highest_input_dbfs = Some(outputs.highest_input());
        self.levels(check, &outputs)?;
        self.steps(check, &outputs)?;
        self.one_side(check, &outputs, &silent)?;
        self.steady(check, &outputs)?;
        self.sweep(check, &outputs)
    }

    fn silence(&mut self, setup: &Setup) -> Result<Take> {
        let channels = vec![Signal::Silence, Signal::Silence];
        self.player
            .play(self.request.sample_rate_hz, self.request.floor_s, channels, setup)
    }

    /// A tone of `hz` at these output levels, dBFS.
    fn tone(&mut self, hz: f64, seconds: f64, levels: [Option<f64>; 2]) -> Result<Take> {
        let driven = match levels {
            [Some(_), None] => Driven::Left,
            [None, Some(_)] => Driven::Right,
            _ => Driven::Both,
        };
        self.player.play(
            self.request.sample_rate_hz,
            seconds,
            tones(hz, &levels),
            &cabled(driven),
        )
    }

    /// The faint first tone: the gain of each channel. False where nothing louder may be played or would tell anything.
    fn find(&mut self, check: &mut SelfCheck) -> Result<bool> {
        let take = self.tone(TONE_HZ, self.request.tone_s, [Some(FINDER_DBFS); 2])?;
        if let Some(stimulus) = &take.stimulus {
            self.delay_s = alignment::onset_delay(take.source.as_ref(), stimulus)?
                .unwrap_or(0.0)
                .max(0.0);
        }
        let found = tone::fitted(&take, TONE_HZ, self.delay_s)?;
        let mut go_on = true;
        for (index, (channel, f)) in check.channels.iter_mut().zip(&found).enumerate() {
            let expected = expected_gain(self.rig, index);
            channel.expected_gain_db = expected
                .as_ref()
                .map(|e| Decibels::from_amplitude_ratio(e.value).0);
            let Some(f) = f else {
                go_on = false;
                continue;
            };
            let (level, _) = tone::level(f);
            let gain = level - FINDER_DBFS;
            channel.gain_db = Some(gain);
            (self.hz, self.hz_u) = (f.frequency_hz, f.frequency_u);
            go_on &= channel.expected_gain_db.is_none_or(|e| gain <= e + CABLE_DB);
            self.evidence
                .expected_u_db
                .push(expected.map_or(0.0, |e| e.amplitude_to_db().standard_uncertainty()));
        }
        if !go_on {
            self.evidence.silent = crate::take::integrity::inspect(take.source.as_ref())?
                .peak
                .iter()
                .map(|p| *p <= 0.0)
                .collect();
            self.evidence.heard_hz = heard_hz(take);
        }
        Ok(go_on)
    }

    /// How output levels follow from those at the inputs.
    fn outputs(&self, check: &SelfCheck) -> Outputs {
        let gain = |c: usize| check.channels.get(c).and_then(|c| c.gain_db).unwrap_or(0.0);
        Outputs([gain(0), gain(1)])
    }

    fn levels(&mut self, check: &mut SelfCheck, outputs: &Outputs) -> Result<()> {
        let top = outputs.highest_input();
        let mut levels: Vec<f64> = LEVELS_DBFS.into_iter().filter(|l| *l <= top).collect();
        // Where the outputs do not reach the highest level, the highest they do reach.
        if levels
            .first()
            .is_none_or(|l| *l < LEVELS_DBFS[0] && top - *l > 0.5)
        {
            levels.insert(0, top);
        }
        for level in levels {
            let take = self.tone(TONE_HZ, self.request.tone_s, outputs.for_input(level))?;
            self.record_step(check, &take, level, outputs)?;
            let bits = floor::bits(take.source.as_ref())?;
            let examined = examine(take)?;
            let own = tone::distortion(&examined, check.channels.len());
            for (channel, own) in check.channels.iter_mut().zip(own) {
                channel.distortion.extend(own);
            }
            for (channel, bits) in check.channels.iter_mut().zip(bits) {
                channel.bits = bits;
            }
        }
        Ok(())
    }

    fn steps(&mut self, check: &mut SelfCheck, outputs: &Outputs) -> Result<()> {
        for level in STEPS_DBFS {
            let take = self.tone(TONE_HZ, self.request.step_s, outputs.for_input(level))?;
            self.record_step(check, &take, level, outputs)?;
        }
        // All against the one reference step, whose own deviation is then none.
        for channel in &mut check.channels {
            let reference = channel
                .steps
                .iter()
                .find(|s| (s.level_dbfs - REFERENCE_STEP_DBFS).abs() < 1e-9)
                .and_then(|s| s.deviation_db)
                .unwrap_or(0.0);
            for step in &mut channel.steps {
                step.deviation_db = step.deviation_db.map(|d| d - reference);
            }
            channel
                .steps
                .sort_by(|a, b| b.level_dbfs.total_cmp(&a.level_dbfs));
        }
        Ok(())
    }

    fn record_step(&self, check: &mut SelfCheck, take: &Take, level: f64, outputs: &Outputs) -> Result<()> {
        let found = tone::fitted(take, self.hz, self.delay_s)?;
        for ((channel, f), (output, gain)) in check
            .channels
            .iter_mut()
            .zip(found)
            .zip(outputs.for_input(level).iter().zip(outputs.0))
        {
            let Some(output) = output else { continue };
            let read = f.as_ref().map(tone::level);
            channel.steps.push(Step {
                level_dbfs: level,
                deviation_db: read.map(|(l, _)| l - output - gain),
                expanded_db: read.map_or(0.0, |(_, u)| 2.0 * u),
            });
        }
        Ok(())
    }

    /// One channel driven at a time: crosstalk, order of the channels, skirts.
    fn one_side(&mut self, check: &mut SelfCheck, outputs: &Outputs, silent: &Examined) -> Result<()> {
        let level = outputs.highest_input().min(-6.0);
        let both = outputs.for_input(level);
        for (driven, quiet) in [(0, 1), (1, 0)] {
            let mut levels = both;
            levels[quiet] = None;
            for hz in [TONE_HZ, HIGH_TONE_HZ] {
                let examined = examine_one_side(self.tone(hz, self.request.tone_s, levels)?, driven)?;
                self.evidence.order.push(order(&examined, driven));
                // With both sides driven a digital path rightly gives the same bits on both.
                self.evidence.twice |= examined.is_one_twice(0, 1);
                check.channels[quiet]
                    .crosstalk
                    .extend(tone::crosstalk(&examined, driven, quiet));
                if (hz - HIGH_TONE_HZ).abs() < 1.0 {
                    check.channels[driven].skirts = tone::skirts(&examined, silent, driven);
                }
            }
        }
        Ok(())
    }

    fn steady(&mut self, check: &mut SelfCheck, outputs: &Outputs) -> Result<()> {
        let take = self.tone(
            TONE_HZ,
            self.request.steady_s,
            outputs.for_input(REFERENCE_STEP_DBFS),
        )?;
        let wander = tone::wander(&take, self.hz, self.delay_s)?;
        for (channel, found) in check.channels.iter_mut().zip(wander) {
            channel.wander_db = found.map(|(db, _)| db);
            self.evidence.wander_u_db = self.evidence.wander_u_db.max(found.map_or(0.0, |(_, u)| u));
        }
        Ok(())
    }

    fn sweep(&mut self, check: &mut SelfCheck, outputs: &Outputs) -> Result<()> {
        let level = outputs.highest_input().min(SWEEP_DBFS);
        let rate = self.request.sweep_rate_hz;
        let signal = |level_dbfs: Option<f64>| {
            level_dbfs.map_or(Signal::Silence, |level_dbfs| Signal::Sweep {
                from_hz: SWEEP_FROM_HZ,
                to_hz: SWEEP_TO_HZ.min(SWEEP_SHARE_OF_RATE * f64::from(rate)),
                level_dbfs,
            })
        };
        let channels = outputs.for_input(level).map(signal).to_vec();
        let take = self
            .player
            .play(rate, self.request.sweep_s, channels, &cabled(Driven::Both))?;
        let Some(found) = self.deconvolved(&take, level)? else {
            return Ok(());
        };
        check.clock = Some(found.clock);
        for (channel, response) in check.channels.iter_mut().zip(found.responses) {
            channel.response = response;
        }
        for (channel, polarity) in check.channels.iter_mut().zip(found.polarity) {
            channel.polarity = polarity;
        }
        Ok(())
    }

    /// What a sweep at `level` gave. A path that does to it what no amplifier does is a finding, not a failure of the
    /// check; a filter of linear phase that ends the band, as conversions of rates have, is one that is read all the same.
    fn deconvolved(&mut self, take: &Take, level: f64) -> Result<Option<swept::Swept>> {
        let rate = f64::from(take.source.format().sample_rate_hz);
        let levels = [level; 2];
        let refused = match take::examine(take.clone(), None) {
            Ok(Examined {
                content: take::Content::Sweep(analysis),
                ..
            }) => {
                let found = swept::swept(&analysis, &levels, rate);
                return Ok(Some(if found.is_cut_off() {
                    self.with_clock_of_tone(found)
                } else {
                    found
                }));
            }
            Ok(_) => return Ok(None),
            Err(e) if e.kind() == Kind::Mismatch => e,
            Err(e) => return Err(e),
        };
        let parameters = take.stimulus.as_ref().and_then(SweepParameters::of);
        let analysis = parameters.and_then(|p| sweep::analyse(take.source.as_ref(), &p).ok());
        let found = analysis.map(|a| swept::swept(&a, &levels, rate));
        let cut_off = found.filter(swept::Swept::is_cut_off);
        if cut_off.is_none() {
            self.evidence.sweep_refused = Some(refused.what().to_owned());
        }
        Ok(cut_off.map(|found| self.with_clock_of_tone(found)))
    }
}

impl Running<'_> {
    /// A sweep of which half is missing does not tell the clock; the tone does.
    fn with_clock_of_tone(&self, found: swept::Swept) -> swept::Swept {
        swept::Swept {
            clock: Clock {
                ppm: alignment::clock_ppm(self.hz, TONE_HZ),
                u_ppm: self.hz_u / self.hz * 1e6,
                ..found.clock
            },
            ..found
        }
    }
}

/// Gain from output to input of left and right, dB.
struct Outputs([f64; 2]);

impl Outputs {
    /// Output levels for `input_dbfs` at the inputs.
    fn for_input(&self, input_dbfs: f64) -> [Option<f64>; 2] {
        self.0.map(|gain| Some((input_dbfs - gain).min(BARE_DBFS)))
    }

    /// The highest level that both inputs can be given, dBFS: no higher than the highest that is of use.
    fn highest_input(&self) -> f64 {
        let reach = self.0.map(|gain| BARE_DBFS + gain);
        reach[0].min(reach[1]).min(LEVELS_DBFS[0])
    }
}
