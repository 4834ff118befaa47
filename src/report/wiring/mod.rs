//! The bench's wiring as a picture and as text, and the plan it follows from in words and JSON.
//!
//! Both drawings come from [`Wiring`]: what is joined to what is described once, in `rig::wiring`.

mod cautions;
mod pen;
pub mod plan;
mod shown;
mod svg;
mod text;

pub use svg::svg;
pub use text::text;

use crate::rig::planner::interface::{Basis, Known};
use crate::rig::planner::parts::{Joined, Parts};
use crate::rig::planner::{Level, Negative};
use crate::rig::wiring::{Line, Wiring};
use shown::{dbfs, ohms, volts, watts};

/// "2 × 5.1 kΩ".
fn parts(parts: &Parts) -> String {
    format!("{} × {}", parts.count, ohms(parts.each_ohm))
}

/// "in series".
fn joined(parts: &Parts) -> &'static str {
    match parts.joined {
        Joined::Series => "in series",
        Joined::Parallel => "in parallel",
    }
}

/// "20 V → 1.22 V → −6.06 dBFS".
fn chain(level: &Level, wiring: &Wiring) -> String {
    let leg = match wiring.negative {
        Negative::Grounded => "",
        Negative::Driven => " on each input",
        Negative::Floating => " at most, on either input",
    };
    format!(
        "{} → {} → {}{leg}",
        volts(level.terminals_v),
        volts(level.interface_v),
        dbfs(level.dbfs)
    )
}

/// Where a line begins: "L +".
fn terminal(line: &Line) -> String {
    let sign = if line.positive { "+" } else { "−" };
    let side = match line.channel {
        crate::figure::Channel::Left => "L",
        crate::figure::Channel::Right => "R",
        _ => "",
    };
    format!("{side} {sign}")
}

/// A value, and a mark where it is only typical.
fn known(value: String, known: Known) -> String {
    match known.basis {
        Basis::Typical => format!("{value}*"),
        Basis::Stated | Basis::Calibrated => value,
    }
}

/// Whether any value drawn is only typical.
fn any_typical(wiring: &Wiring) -> bool {
    let (i, o) = (wiring.input, wiring.output);
    [i.full_scale_v, i.ohm, o.full_scale_v, o.ohm]
        .iter()
        .any(|k| k.basis == Basis::Typical)
}

/// What the picture shows, in a line.
fn title(wiring: &Wiring) -> String {
    let output = match wiring.negative {
        Negative::Grounded => "negative terminals grounded",
        Negative::Driven => "bridged output, one channel at a time",
        Negative::Floating => "floating output, one channel at a time",
    };
    format!(
        "Bench wiring for {} into {}: {output}",
        watts(wiring.rated_w),
        ohms(wiring.load.0)
    )
}

/// The remarks under a drawing: the levels, what * means, and the cautions that belong to the wires.
fn remarks(wiring: &Wiring) -> Vec<String> {
    let mut lines = vec![
        format!("Full power: {}", chain(&wiring.rated, wiring)),
        format!("Clipping:   {}", chain(&wiring.clipping, wiring)),
    ];
    if wiring.differential() {
        lines.push(
            "No speaker terminal may ever meet the interface's ground: it would short an output stage."
                .into(),
        );
    } else {
        lines
            .push("The interface joins L − and R −: connect only after both were found to be ground.".into());
    }
    if wiring.noise_tap.is_some() {
        lines.push("Noise tap: nothing is played on it, and it is never used during a power test.".into());
    }
    if any_typical(wiring) {
        lines.push("* typical until calibrated".into());
    }
    lines
}
