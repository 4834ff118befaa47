//! Clipping: how much of a wanted voltage the supply rail cuts off.

/// The part of `wanted` that lies beyond ±`limit`, V. `knee` is the width of the transition, V; at 0 the limiter is ideal
/// and what is left is min(|wanted|, limit).
///
/// With a knee k it is k·ln(1 + e^((|wanted| − limit)/k)), which is smooth, so that harmonics die out exponentially.
pub fn cut_off_v(wanted: f64, limit: f64, knee: f64) -> f64 {
    let beyond = wanted.abs() - limit;
    if beyond <= -KNEES_UNTOUCHED * knee {
        return 0.0;
    }
    let cut = if knee > 0.0 {
        let x = beyond / knee;
        if x > 0.0 {
            beyond + knee * (-x).exp().ln_1p()
        } else {
            knee * x.exp().ln_1p()
        }
    } else {
        beyond
    };
    cut.copysign(wanted)
}

/// Below the limit by this many knees the cut is under e⁻²⁸ = 7e-13 knees: nothing.
pub const KNEES_UNTOUCHED: f64 = 28.0;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_ideally_without_a_knee_and_tends_to_it_with_one() {
        assert!((cut_off_v(-12.0, 10.0, 0.0) + 2.0).abs() < 1e-15);
        assert!(cut_off_v(9.9, 10.0, 0.0).abs() < 1e-15);
        assert!((cut_off_v(20.0, 10.0, 0.2) - 10.0).abs() < 1e-12);
        // At the limit itself ln 2 knees are cut.
        assert!((cut_off_v(10.0, 10.0, 0.2) - 0.2 * 2f64.ln()).abs() < 1e-15);
    }
}
