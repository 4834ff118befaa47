//! Figures made for tests of verdicts.

use asleft::figure::{Channel, Conditions, Figure, FigureId, Unit};
use asleft::quantity::Estimate;

/// A figure of the left channel without conditions.
pub(crate) fn figure(id: FigureId, estimate: Estimate, unit: Unit) -> Figure {
    Figure {
        id,
        channel: Channel::Left,
        estimate,
        unit,
        db: None,
        order: None,
        weighting: None,
        band: None,
        conditions: Conditions::default(),
        limited_by: None,
        upper_limit: false,
    }
}

/// Distortion in percent with one source of standard uncertainty `u`.
pub(crate) fn thd(percent: f64, u: f64) -> Figure {
    figure(
        FigureId::Thd,
        Estimate::exact(percent).with("rig response", u),
        Unit::Percent,
    )
}
