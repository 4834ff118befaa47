//! How hot load and unit are, as bodies with one time constant each, and the rest that they need.
//!
//! Heat is counted in parts of what the body would reach in the long run at its rating: θ' = (x − θ)/τ, with x the part
//! of the rating that goes in. From θ₀ it reaches x + (θ₀ − x)·e^{−t/τ} (Newton's law of cooling).
//!
//! The numbers are common practice, no source: a power resistor in air follows in about a minute, and at half its rating
//! it neither drifts much nor burns the bench. An amplifier's heat follows its supply current, so the root of its power;
//! the output devices' mounting follows in about a minute as well. One eighth of rated power may last for ever: that is
//! what amplifiers are run in with (16 CFR 432). At rated power that leaves half a minute, which is what workshops allow.

/// Time constant of a load resistor, s.
pub(super) const LOAD_S: f64 = 60.0;
/// Heat that a load is kept below.
pub(super) const LOAD_LIMIT: f64 = 0.5;
/// Time constant of a unit, s.
pub(super) const UNIT_S: f64 = 70.0;

/// Part of its limit from which a body counts as cold: it cools for ever, and nothing waits for more.
const COLD: f64 = 0.01;

/// Heat that a unit is kept below: that of one eighth of rated power.
pub(super) fn unit_limit() -> f64 {
    unit_input(0.125)
}

/// What goes into a unit that delivers this part of its rated power.
pub(super) fn unit_input(part: f64) -> f64 {
    part.max(0.0).sqrt()
}

/// One body.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Heat {
    time_s: f64,
    limit: f64,
    now: f64,
}

impl Heat {
    /// A cold body.
    pub(super) fn cold(time_s: f64, limit: f64) -> Self {
        Self {
            time_s,
            limit,
            now: 0.0,
        }
    }

    /// After `seconds` with `input` going in.
    pub(super) fn after(self, input: f64, seconds: f64) -> Self {
        Self {
            now: input + (self.now - input) * (-seconds.max(0.0) / self.time_s).exp(),
            ..self
        }
    }

    /// With the heat of an earlier `input` of `seconds` that ended `ago_s` ago on top: the law is linear, so what several
    /// left adds up in any order. What is no number counts as all that the body may bear.
    pub(super) fn warmed_by(self, input: f64, seconds: f64, ago_s: f64) -> Self {
        let cold = Self { now: 0.0, ..self };
        let left = cold.after(input, seconds).now;
        let left = if left.is_finite() { left } else { self.limit };
        Self {
            now: self.now + left * (-ago_s.max(0.0) / self.time_s).exp(),
            ..self
        }
    }

    /// The rest before `input` may go in for `seconds`, s; `None` where even a cold body would get too hot.
    pub(super) fn rest_before(self, input: f64, seconds: f64) -> Option<f64> {
        if !(input.is_finite() && seconds.is_finite()) {
            return None;
        }
        let kept = (-seconds.max(0.0) / self.time_s).exp();
        // The hottest it may be at the start.
        let most = ((self.limit - input) / kept + input).min(self.limit);
        if most < COLD * self.limit {
            return None;
        }
        if self.now <= most {
            return Some(0.0);
        }
        Some(self.time_s * (self.now / most).ln())
    }

    /// The longest time that `input` may go in once the body is cold, s; infinite where it may for ever.
    pub(super) fn longest_s(self, input: f64) -> f64 {
        if input <= self.limit {
            return f64::INFINITY;
        }
        self.time_s * ((input - COLD * self.limit) / (input - self.limit)).ln()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rests_are_those_of_newtons_law() {
        let cold = Heat::cold(60.0, 0.5);
        // At the rating half is reached from a hundredth of that after 60·ln(0.995/0.5) = 41.288 s.
        assert!((cold.longest_s(1.0) - 60.0 * (0.995f64 / 0.5).ln()).abs() < 1e-9);
        assert_eq!(cold.rest_before(1.0, 41.2), Some(0.0));
        assert_eq!(cold.rest_before(1.0, 41.3), None);
        // From 0.4, 20 s at the rating need a start at 1 − 0.5·e^{1/3} = 0.302194: a rest of 60·ln(0.4/0.302194) s.
        let warm = Heat { now: 0.4, ..cold };
        let rest = warm.rest_before(1.0, 20.0).unwrap();
        assert!(
            (rest - 60.0 * (0.4f64 / 0.302_193_787).ln()).abs() < 1e-4,
            "{rest}"
        );
        let hot = warm.after(0.0, rest).after(1.0, 20.0);
        assert!((hot.now - 0.5).abs() < 1e-9, "{}", hot.now);
        // Half the rating may last for ever.
        assert_eq!(cold.rest_before(0.5, 1e9), Some(0.0));
        assert!(cold.rest_before(f64::NAN, 1.0).is_none());
    }

    #[test]
    fn what_earlier_inputs_left_adds_up_as_if_they_were_followed() {
        let cold = Heat::cold(60.0, 0.5);
        let followed = cold.after(0.3, 10.0).after(0.0, 25.0).after(0.6, 5.0).after(0.0, 7.0);
        // The first ended 25 s + 5 s + 7 s before now.
        let told = cold.warmed_by(0.6, 5.0, 7.0).warmed_by(0.3, 10.0, 37.0);
        assert!((followed.now - told.now).abs() < 1e-12, "{told:?}");
        assert!((cold.warmed_by(f64::NAN, 1.0, 0.0).now - 0.5).abs() < 1e-12);
    }

    #[test]
    fn a_unit_bears_half_a_minute_of_rated_power_and_an_eighth_for_ever() {
        let unit = Heat::cold(UNIT_S, unit_limit());
        let longest = unit.longest_s(unit_input(1.0));
        assert!((25.0..35.0).contains(&longest), "{longest}");
        assert!(unit.longest_s(unit_input(0.125)).is_infinite());
    }
}
