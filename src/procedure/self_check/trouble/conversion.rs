//! Signs of resampling and of clocks.

use super::super::{ChannelCheck, Clock, Purpose, SelfCheck};
use super::{Evidence, Kind, Trouble, those, trouble};

/// One clock for both directions is exact; two crystals are never as near to each other, ppm.
const ONE_CLOCK_PPM: f64 = 0.5;

/// Skirts that matter, dB re the tone.
const SKIRTS_DB: f64 = -80.0;

/// A response that ends at 20 kHz is that of a rate of 44.1 kHz, 22 kHz of 48 kHz: about 2.16 times where it ends.
const RATE_OF_END: f64 = 2.16;

/// What the way from playing to recording does beside amplifying.
pub(super) fn of_conversion(check: &SelfCheck, evidence: &Evidence) -> Vec<Trouble> {
    let refused = evidence.sweep_refused.as_ref().map(|why| {
        trouble(
            Kind::SweepRefused,
            Vec::new(),
            format!("the sweep that came back is of no use: {why}"),
            "remove what changes signals on their way (enhancements, automatic gain, conversion of rates), then check \
             again",
            &[Purpose::Response, Purpose::Separation],
        )
    });
    let clock = check
        .clock
        .filter(|c| c.ppm.abs() > ONE_CLOCK_PPM + 3.0 * c.u_ppm);
    [refused, converted(check), clock.map(two_clocks), skirts(check)]
        .into_iter()
        .flatten()
        .collect()
}

fn converted(check: &SelfCheck) -> Option<Trouble> {
    let ends = |c: &ChannelCheck| c.response.as_ref().and_then(|r| r.cut_off_hz);
    let hz = check.channels.iter().find_map(ends)?;
    let what = format!(
        "nothing above {:.1} kHz comes back at {} kHz: somewhere on the way the rate is only about {:.0} kHz",
        hz / 1000.0,
        f64::from(check.sample_rates_hz[1]) / 1000.0,
        RATE_OF_END * hz / 1000.0
    );
    Some(trouble(
        Kind::Converted,
        those(check, |c| ends(c).is_some()),
        what,
        "set the interface and the system's mixer to the rate that is asked for, or check at the lower rate (--rate)",
        &[Purpose::Response],
    ))
}

fn two_clocks(clock: Clock) -> Trouble {
    let what = format!(
        "the recording clock is {:.1} ppm {} than the playing clock: two devices, or a conversion in between. Figures are \
         corrected for it",
        clock.ppm.abs(),
        if clock.ppm > 0.0 { "faster" } else { "slower" }
    );
    trouble(
        Kind::TwoClocks,
        Vec::new(),
        what,
        "better play and record on one device",
        &[],
    )
}

fn skirts(check: &SelfCheck) -> Option<Trouble> {
    let wide = |c: &ChannelCheck| c.skirts.filter(|s| !s.at_most && s.db > SKIRTS_DB);
    let all = check.channels.iter().filter_map(wide);
    let worst = all.max_by(|a, b| a.db.total_cmp(&b.db))?;
    let what = format!(
        "beside a tone of 10 kHz stand skirts of {:.0} dB: an unsteady clock (jitter of {:.1} ns) or a conversion",
        worst.db,
        worst.jitter_s * 1e9
    );
    Some(trouble(
        Kind::Skirts,
        those(check, |c| wide(c).is_some()),
        what,
        "clock the interface from its own crystal, and avoid conversion of rates",
        &[],
    ))
}
