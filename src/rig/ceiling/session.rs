//! The ceiling with a unit on the bench: what it remembers, and every rule in its order.

use super::connection::{Answer, Connections, HAIR_DB, WRONG_GAIN, is_terminated};
use super::heat::{self, Heat};
use super::limits::UnitLimits;
use super::power::{self, DUTY, Delivered, Make};
use super::{Cleared, refuse_endless, sounding, within_ceiling};
use crate::error::{Error, Kind, Result};
use crate::figure::Channel;
use crate::quantity::Decibels;
use crate::rig::Rig;
use crate::signal::stimulus::{Signal, Stimulus};
use crate::signal::take::Setup;

/// Waits shorter than this are rounding, s.
const HAIR_S: f64 = 1e-6;

/// Where a gain lower than rated was accepted, the drive stays this much re the one of rated output with the rated gain.
/// Common practice, no source.
pub const DRIVE_RE_RATED: Decibels = Decibels(3.0);

/// What comes back on a channel that nothing is played on stays below this, re rated output: crosstalk, hum and noise of
/// a unit that works are far below; an output that oscillates is above. Common practice, no source.
pub const SILENT_RE_RATED: Decibels = Decibels(-10.0);

/// What somebody wants to play, and how the unit stands.
#[derive(Debug, Clone, Copy)]
pub struct Wish<'a> {
    /// The signal.
    pub stimulus: &'a Stimulus,
    /// How the unit stands.
    pub setup: &'a Setup,
    /// What its specification says of the selected input, mode and output.
    pub unit: &'a UnitLimits,
    /// Whether the operator confirmed what [`Ceiling::needs_confirmation`] asks.
    pub confirmed: bool,
}

/// The ceiling of a session with a unit on the bench.
///
/// What is cleared counts as played: its heat and its time are booked at once, so that nothing can be played twice on
/// one permission. Time that passes otherwise is told by [`Ceiling::rest`].
#[derive(Debug, Clone)]
pub struct Ceiling<'a> {
    pub(super) rig: &'a Rig,
    connections: Connections,
    loads: Vec<Heat>,
    unit: Vec<Heat>,
    now_s: f64,
    /// Before this time no burst of high frequency at power may sound.
    high_again_s: f64,
}

impl<'a> Ceiling<'a> {
    /// The ceiling of `rig`: nothing is proven, everything is cold.
    pub fn new(rig: &'a Rig) -> Self {
        let channels = rig.channels.len();
        Self {
            rig,
            connections: Connections::default(),
            loads: vec![Heat::cold(heat::LOAD_S, heat::LOAD_LIMIT); channels],
            unit: vec![Heat::cold(heat::UNIT_S, heat::unit_limit()); channels],
            now_s: 0.0,
            high_again_s: 0.0,
        }
    }

    /// Time passed in which nothing was played: what is hot cools.
    pub fn rest(&mut self, seconds: f64) {
        let seconds = if seconds.is_finite() {
            seconds.max(0.0)
        } else {
            0.0
        };
        self.now_s += seconds;
        for body in self.loads.iter_mut().chain(&mut self.unit) {
            *body = body.after(0.0, seconds);
        }
    }

    /// Tells what was played before this ceiling was made, and how long ago it ended (recording and all), s: the load and
    /// the unit do not cool because a command ended. The order does not matter. An age that is no number is none: just
    /// now. A take that was broken off counts as whole, and a gain that is not known now as the rated one.
    pub fn assume_played(&mut self, wish: &Wish<'_>, seconds_ago: f64) {
        let ago_s = if seconds_ago.is_finite() {
            seconds_ago.max(0.0)
        } else {
            0.0
        } + wish.stimulus.lead_out_s.max(0.0);
        for channel in sounding(wish.stimulus, self.rig) {
            let gain = self.limiting_gain(wish.setup, wish.unit, channel);
            let Ok(delivered) = self.delivered(wish, channel, gain) else {
                // The rig has changed since: as warm as it may have been.
                self.warm(channel, [f64::NAN; 2], wish, ago_s);
                continue;
            };
            for d in delivered.iter().filter(|d| !d.is_mark()) {
                let mut inputs = [0.0; 2];
                for (input, (_, into, _)) in inputs.iter_mut().zip(self.bodies(wish, d)) {
                    *input = into;
                }
                self.warm(channel, inputs, wish, ago_s);
                if d.is_high(wish.unit) {
                    let again = self.now_s - ago_s + rest_after_burst(d.make.on_s);
                    self.high_again_s = self.high_again_s.max(again);
                }
            }
        }
    }

    fn warm(&mut self, channel: usize, [load, unit]: [f64; 2], wish: &Wish<'_>, ago_s: f64) {
        let seconds = wish.stimulus.seconds;
        if let Some(body) = self.loads.get_mut(channel) {
            *body = body.warmed_by(load, seconds, ago_s);
        }
        if let Some(body) = self.unit.get_mut(channel) {
            *body = body.warmed_by(unit, seconds, ago_s);
        }
    }

    /// The voltage gain of a channel as it was heard last; `None` on a connection that nothing was heard on.
    pub fn gain(&self, setup: &Setup, channel: usize) -> Option<f64> {
        self.connections.gain(setup, channel)
    }

    /// The voltage gain of a channel that power is limited with, whatever is heard: where at full volume less is heard than
    /// the specification says, by more than an answer as expected may be off, the rated gain. The loss may be a contact's
    /// on the way back, and the unit may amplify as it should.
    pub fn limiting_gain(&self, setup: &Setup, unit: &UnitLimits, channel: usize) -> f64 {
        let rated = unit.rated_gain();
        match self.gain(setup, channel) {
            Some(heard) if !(unit.full_volume && is_low(heard, rated)) => heard,
            _ => rated,
        }
    }

    /// Whether the connection of every channel that `setup` drives is proven, so that any level may be played as far as
    /// that goes.
    pub fn is_proven(&self, setup: &Setup) -> bool {
        (0..self.rig.channels.len())
            .filter(|c| !is_terminated(setup, *c) && setup.driven.is_none_or(|d| d.includes(*c)))
            .all(|c| self.connections.is_proven(setup, c))
    }

    /// What the operator must confirm before this may be played, in words; `None` where nothing.
    ///
    /// # Errors
    /// As [`Ceiling::clear`] but for the confirmation and the rest.
    pub fn needs_confirmation(&self, wish: &Wish<'_>) -> Result<Option<String>> {
        let delivered = self.checked(wish)?;
        let high = delivered.iter().find(|d| d.is_high(wish.unit));
        Ok(high.map(|d| {
            format!(
                "{:.0} Hz at about {:.0} W for {:.1} s",
                d.make.band_hz[1], d.watts, d.make.on_s
            )
        }))
    }

    /// The rest that load and unit need before this may be played, s.
    ///
    /// # Errors
    /// As [`Ceiling::clear`] but for the confirmation and the rest; also where even cold bodies would get too hot.
    pub fn rest_before(&self, wish: &Wish<'_>) -> Result<f64> {
        self.rest_for(wish, &self.checked(wish)?)
    }

    /// Clears what is wished for.
    ///
    /// # Errors
    /// Names the first rule that forbids it, why, and what to do: volts above the rig's ceiling, a connection that is not
    /// proven that far, a sensitive input without a pad, a load that the unit must not drive or that cannot take the
    /// power, an open output transformer, an answer that the interface's input could not take, a sweep or a high frequency at too much power, a confirmation that is missing,
    /// or a rest that has not passed.
    pub fn clear(&mut self, wish: &Wish<'_>) -> Result<Cleared> {
        let delivered = self.checked(wish)?;
        if let (Some(what), false) = (self.needs_confirmation(wish)?, wish.confirmed) {
            return Err(Error::new(
                Kind::Unavailable,
                format!("{what}: the operator has not confirmed it"),
            )
            .next("confirm it at the bench, with a hand on the switch, or leave it out"));
        }
        let rest = self.rest_for(wish, &delivered)?;
        if rest > HAIR_S {
            return Err(Error::new(
                Kind::Unavailable,
                format!("load and unit must cool for {rest:.0} s before this"),
            )
            .next("wait, with nothing playing"));
        }
        self.connections.plug(wish.setup, self.rig.channels.len());
        for d in &delivered {
            if let Some(Signal::Tone { .. }) = wish.stimulus.channel(d.channel) {
                let input_v = d.make.level * self.rig.volts_at_unit(d.channel, wish.setup.pad.as_deref())?;
                self.connections.ask(wish.setup, d.channel, input_v, wish.unit);
            }
        }
        let rest_after_s = self.book(wish, &delivered);
        let mut cleared = Cleared::new(wish.stimulus.clone());
        cleared.prompt = self.is_prompt(wish)?;
        let channels = || 0..self.rig.channels.len();
        cleared.most_dbfs = self.returned(wish, &delivered);
        // A gain that is not known predicts nothing: the volume may stand anywhere.
        let known = |c: usize| wish.unit.full_volume || self.gain(wish.setup, c).is_some();
        cleared.expected_dbfs = channels()
            .map(|c| cleared.most_dbfs(c).filter(|_| known(c)))
            .collect();
        let silent_v = wish.unit.rated_v() * SILENT_RE_RATED.amplitude_ratio();
        cleared.silent_dbfs = channels().map(|c| self.read_as(wish, c, silent_v)).collect();
        cleared.rest_after_s = rest_after_s;
        Ok(cleared)
    }

    /// Compares the answer to the tone that was cleared last with what is expected: V rms at the unit's output, one entry
    /// a channel, `None` where no tone was heard.
    pub fn answer(&mut self, output_v: &[Option<f64>]) -> Answer {
        self.connections.answer(output_v)
    }

    /// The operator confirmed that the unit's gain is as it was heard last, though it is off: a faulty unit must be
    /// measurable as found.
    pub fn accept(&mut self) {
        self.connections.accept();
    }

    /// The gain to predict with: as heard, or as the specification says at full volume, which no other position exceeds.
    pub(super) fn predicted_gain(&self, wish: &Wish<'_>, channel: usize) -> f64 {
        self.gain(wish.setup, channel)
            .unwrap_or_else(|| wish.unit.rated_gain())
    }

    /// Every rule but confirmation and rest; what each sounding channel would deliver.
    fn checked(&self, wish: &Wish<'_>) -> Result<Vec<Delivered>> {
        let (stimulus, setup, unit) = (wish.stimulus, wish.setup, wish.unit);
        refuse_endless(stimulus)?;
        unit.check()?;
        power::refuse_open_transformer(setup.loaded, unit)?;
        let mut all = Vec::new();
        for channel in sounding(stimulus, self.rig) {
            if is_terminated(setup, channel) {
                return Err(Error::new(
                    Kind::Mismatch,
                    format!(
                        "{}: the input is terminated, so nothing can be played into it",
                        Channel::at(channel)
                    ),
                )
                .next("connect the interface, or leave this channel silent"));
            }
            let peak_v = within_ceiling(stimulus, channel, self.rig, setup.pad.as_deref())?;
            self.connections.refuse_unproven(setup, channel, peak_v, unit)?;
            let load = self.rig.channels.get(channel).ok_or_else(|| {
                Error::new(Kind::Mismatch, "the rig does not describe this channel")
                    .next("check the rig file")
            })?;
            if setup.loaded != Some(false) {
                power::refuse_wrong_load(channel, load.load_ohm.value, unit)?;
            }
            self.refuse_overloaded_input(wish, channel)?;
            let gain = self.limiting_gain(setup, unit, channel);
            let low = self
                .gain(setup, channel)
                .filter(|heard| unit.full_volume && is_low(*heard, gain));
            for delivered in self.delivered(wish, channel, gain)? {
                if let Some(heard) = low {
                    refuse_hard_drive(&delivered, heard / gain, unit)?;
                }
                delivered
                    .check(load, unit)
                    .map_err(|e| if low.is_some() { with_rated_gain(&e) } else { e })?;
                if !delivered.is_mark() {
                    all.push(delivered);
                }
            }
        }
        Ok(all)
    }

    /// What the signal of a channel, and its mark, would deliver.
    fn delivered(&self, wish: &Wish<'_>, channel: usize, gain: f64) -> Result<Vec<Delivered>> {
        let stimulus = wish.stimulus;
        let full_scale = self.rig.volts_at_unit(channel, wish.setup.pad.as_deref())?;
        let ohm = self
            .rig
            .channels
            .get(channel)
            .map_or(f64::NAN, |c| c.load_ohm.value);
        let of = |make: Make, sweeps: bool| {
            let output_v = make.level * full_scale * gain * wish.unit.tilt(make.band_hz[0]);
            Delivered {
                channel,
                make,
                output_v,
                watts: if wish.setup.loaded == Some(false) {
                    0.0
                } else {
                    output_v * output_v / ohm
                },
                sweeps,
            }
        };
        let signal = stimulus.channel(channel);
        let own = signal.and_then(|s| Make::of(s, stimulus.seconds, stimulus.sample_rate_hz));
        let sweeps = matches!(signal, Some(Signal::Sweep { .. }));
        let mark = stimulus
            .marks
            .as_ref()
            .filter(|m| m.channels.contains(&channel))
            .map(|m| Make::of_mark(m.level_dbfs));
        Ok(own
            .map(|make| of(make, sweeps))
            .into_iter()
            .chain(mark.map(|make| of(make, true)))
            .collect())
    }

    fn rest_for(&self, wish: &Wish<'_>, delivered: &[Delivered]) -> Result<f64> {
        let mut rest: f64 = 0.0;
        for d in delivered {
            for (body, input, name) in self.bodies(wish, d) {
                let needed = body.rest_before(input, wish.stimulus.seconds).ok_or_else(|| {
                    Error::new(
                        Kind::Value,
                        format!(
                            "{}: {:.1} s at about {:.1} W overheat the {name} even from cold; {:.0} s are its limit",
                            Channel::at(d.channel),
                            wish.stimulus.seconds,
                            d.watts,
                            body.longest_s(input)
                        ),
                    )
                    .next("shorten the signal, or lower the level")
                })?;
                rest = rest.max(needed);
            }
            if d.is_high(wish.unit) {
                rest = rest.max(self.high_again_s - self.now_s);
            }
        }
        Ok(rest)
    }

    /// The bodies that a channel heats, with what goes into each.
    fn bodies(&self, wish: &Wish<'_>, d: &Delivered) -> Vec<(Heat, f64, &'static str)> {
        let rating = self
            .rig
            .channels
            .get(d.channel)
            .map_or(f64::NAN, |c| c.load_rating_w);
        let duty = d.make.duty();
        let load = self
            .loads
            .get(d.channel)
            .map(|b| (*b, duty * d.watts / rating, "load"));
        let unit_input = duty * heat::unit_input(d.share(wish.unit));
        let unit = self.unit.get(d.channel).map(|b| (*b, unit_input, "unit"));
        load.into_iter().chain(unit).collect()
    }

    /// Books heat and time; returns the rest that a burst of high frequency needs after it.
    fn book(&mut self, wish: &Wish<'_>, delivered: &[Delivered]) -> f64 {
        let seconds = wish.stimulus.seconds;
        self.rest(wish.stimulus.lead_in_s);
        for channel in 0..self.loads.len() {
            let inputs = delivered
                .iter()
                .find(|d| d.channel == channel)
                .map(|d| self.bodies(wish, d));
            let input = |index: usize| inputs.as_ref().and_then(|i| i.get(index)).map_or(0.0, |i| i.1);
            self.loads[channel] = self.loads[channel].after(input(0), seconds);
            self.unit[channel] = self.unit[channel].after(input(1), seconds);
        }
        self.now_s += seconds;
        let longest = delivered
            .iter()
            .filter(|d| d.is_high(wish.unit))
            .map(|d| d.make.on_s)
            .fold(0.0, f64::max);
        let rest_after = rest_after_burst(longest);
        if longest > 0.0 {
            self.high_again_s = self.now_s + rest_after;
        }
        self.rest(wish.stimulus.lead_out_s);
        rest_after
    }
}

/// Whether less is heard than an answer as expected may be off.
fn is_low(heard: f64, rated: f64) -> bool {
    Decibels::from_amplitude_ratio(heard / rated) < -WRONG_GAIN
}

/// Where the gain that was accepted may be a contact's, the input is not driven harder than a sound unit needs.
fn refuse_hard_drive(d: &Delivered, lost: f64, unit: &UnitLimits) -> Result<()> {
    let drive = Decibels::from_power_ratio(d.share(unit));
    if drive.0 <= DRIVE_RE_RATED.0 + HAIR_DB {
        return Ok(());
    }
    Err(Error::new(
        Kind::Value,
        format!(
            "{}: the gain that was accepted is {:.1} dB below the rated one, and to make up for it the input would be driven {:.1} dB harder than rated output needs; if a plug or contact is the cause, the unit would get all of it",
            Channel::at(d.channel),
            -Decibels::from_amplitude_ratio(lost).0,
            drive.0
        ),
    )
    .next(format!(
        "find where the gain is lost (plugs, balance, volume), and run the connection steps again; up to {:+.0} dB may be played as it is",
        DRIVE_RE_RATED.0
    )))
}

/// The same error, with the reason for its numbers.
fn with_rated_gain(error: &Error) -> Error {
    let said = Error::new(
        error.kind(),
        format!(
            "{} (reckoned with the rated gain: the lower one that was accepted may be a plug or a contact)",
            error.what()
        ),
    );
    match error.next_step() {
        Some(next) => said.next(next),
        None => said,
    }
}

/// The rest that keeps a burst of high frequency at power within its share of the time, s.
fn rest_after_burst(on_s: f64) -> f64 {
    on_s * (1.0 / DUTY - 1.0)
}
