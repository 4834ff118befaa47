//! A plan in words for the terminal, and as JSON.

use super::shown::{
    about, dbfs, decibels, frequency, loss, milliamperes, ohms, picofarads, rating, volts, watts,
};
use super::{cautions, chain, joined, known, parts, text};
use crate::error::{Error, Kind, Result};
use crate::figure::Unit;
use crate::quantity::significant;
use crate::report::table::wrapped;
use crate::rig::planner::Plan;
use crate::rig::planner::interface::Basis;
use crate::rig::planner::load::LoadPlan;
use crate::rig::planner::noise::NoiseSeen;
use crate::rig::planner::noise_tap::NoiseTap;
use crate::rig::planner::pad::PadPlan;
use crate::rig::planner::parts::Parts;
use crate::rig::wiring::Wiring;
use serde::Serialize;

/// Version tag of the JSON document.
pub const SCHEMA: &str = "asleft.rig-plan.v1";

/// Columns of the text.
const WIDTH: usize = 80;
/// Columns of what stands before a value.
const LABEL: usize = 24;

/// A label and what stands beside it.
type Row = (String, String);

/// The plan as text of 80 columns: drawing, parts, levels, noise, failures, cautions.
pub fn words(plan: &Plan) -> String {
    let wiring = Wiring::of(plan);
    let mut out = format!("{}\n\n{}", super::title(&wiring), text(&wiring));
    section(&mut out, "Attenuator", &attenuator(plan));
    section(&mut out, "Levels", &levels(plan, &wiring));
    section(
        &mut out,
        "Noise that the bench adds, as at the terminals, 20 Hz–20 kHz",
        &noise(&plan.noise),
    );
    if let Some(tap) = &plan.noise_tap {
        section(&mut out, "Noise tap", &noise_tap(tap));
    }
    section(
        &mut out,
        "Load",
        &plan.loads.iter().flat_map(load).collect::<Vec<_>>(),
    );
    for of in &plan.pads {
        section(&mut out, &format!("Input pad for \"{}\"", of.input), &pad(of));
    }
    section(&mut out, "If something fails", &failures(plan));
    if plan.legs == 2 {
        section(&mut out, "Two lines for one channel", &differential(plan));
    }
    typical(&mut out, plan);
    for moment in cautions::of(plan) {
        out.push_str(&format!("\n{}\n", moment.when));
        for caution in moment.cautions {
            bullet(&mut out, &caution);
        }
    }
    out
}

/// The plan as one JSON document, with its wiring's levels.
///
/// # Errors
/// Where a number cannot be written.
pub fn json(plan: &Plan) -> Result<String> {
    #[derive(Serialize)]
    struct Document<'a> {
        schema: &'static str,
        #[serde(flatten)]
        plan: &'a Plan,
    }
    let document = Document { schema: SCHEMA, plan };
    serde_json::to_string_pretty(&document).map_err(|e| {
        Error::new(
            Kind::Unavailable,
            format!("the plan cannot be written as JSON: {e}"),
        )
        .next("please report this with the command")
    })
}

fn section(out: &mut String, heading: &str, rows: &[Row]) {
    out.push_str(&format!("\n{heading}\n"));
    let indent = " ".repeat(LABEL + 2);
    for (label, value) in rows {
        let lines = wrapped(value, &indent, WIDTH);
        let gap = LABEL.saturating_sub(label.chars().count());
        let value = lines.get(indent.len()..).unwrap_or_default();
        out.push_str(&format!("  {label}{}{value}", " ".repeat(gap)));
    }
}

fn bullet(out: &mut String, text: &str) {
    let lines = wrapped(text, "    ", WIDTH);
    out.push_str("  - ");
    out.push_str(lines.trim_start());
}

fn row(label: &str, value: String) -> Row {
    (label.to_owned(), value)
}

fn to_buy(parts_: &Parts) -> String {
    format!(
        "{} {}, metal film, 1 % or better, {} each or more (each takes {} at rated power)",
        parts(parts_),
        joined(parts_),
        rating(parts_.rating_w),
        about(parts_.each_w, Unit::Watts)
    )
}

fn attenuator(plan: &Plan) -> Vec<Row> {
    let a = &plan.attenuator;
    let each = if plan.legs == 2 {
        ", one on each terminal"
    } else {
        ", one for each channel"
    };
    vec![
        row("build two", format!("alike{each}")),
        row("top", to_buy(&a.top)),
        row("bottom", to_buy(&a.bottom)),
        row(
            "ratio",
            format!(
                "{} ({}) with the interface connected; calibrate it there",
                significant(a.ratio, 3),
                decibels(a.ratio_db)
            ),
        ),
        row("the interface sees", ohms(a.source_ohm)),
        row(
            "bandwidth",
            format!(
                "−3 dB at {} with {} of cable; {} lost at 20 kHz",
                frequency(a.corner_hz),
                picofarads(plan.request.cable_farad),
                loss(a.droop_20k_db)
            ),
        ),
        row(
            "on the load",
            format!("lowers it by {} %", significant(a.load_error_percent, 1)),
        ),
    ]
}

fn levels(plan: &Plan, wiring: &Wiring) -> Vec<Row> {
    let clipping = format!("clipping, +{} dB", significant(plan.request.headroom_db, 2));
    vec![
        row("rated power", chain(&plan.rated, wiring)),
        (clipping, chain(&plan.clipping, wiring)),
    ]
}

fn noise(noise: &NoiseSeen) -> Vec<Row> {
    let v = |x: f64| about(x, Unit::Volts);
    vec![
        row("resistors", v(noise.thermal_v)),
        row("interface", v(noise.interface_v)),
        row(
            "both",
            format!("{}; A-weighted {}", v(noise.total_v), v(noise.total_a_v)),
        ),
        row(
            "best S/N re 1 W",
            format!(
                "{:.0} dB; A-weighted {:.0} dB",
                noise.snr_1w_db, noise.snr_1w_a_db
            ),
        ),
        row(
            "best S/N re rated",
            format!(
                "{:.0} dB; A-weighted {:.0} dB",
                noise.snr_rated_db, noise.snr_rated_a_db
            ),
        ),
    ]
}

fn noise_tap(tap: &NoiseTap) -> Vec<Row> {
    let mut rows = vec![
        row(
            "series resistor",
            format!(
                "{}, {} or more, then the same clamp",
                ohms(tap.series_ohm),
                rating(tap.rating_w)
            ),
        ),
        row(
            "ratio",
            format!(
                "{} into the interface; 0 dBFS is {} at the terminals; {} lost at 20 kHz",
                decibels(tap.ratio_db),
                volts(tap.full_scale_v),
                loss(tap.droop_20k_db)
            ),
        ),
        row(
            "use",
            "noise and hum only: nothing is played on it; volume at minimum first, never during a power test"
                .into(),
        ),
    ];
    rows.extend(noise(&tap.noise));
    rows
}

fn load(load: &LoadPlan) -> Vec<Row> {
    let minutes = |seconds: Option<f64>| {
        seconds.map_or_else(
            || "continuous".to_owned(),
            |s| format!("{} s in each minute", significant(s, 2)),
        )
    };
    let bought = if load.there {
        format!("rated {} continuous on its heat sink", rating(load.rating_w))
    } else {
        format!(
            "buy {} or more, continuous on its heat sink (without one it bears a fraction of that)",
            rating(load.rating_w)
        )
    };
    vec![
        (ohms(load.load_ohm), bought),
        row(
            "  at rated voltage",
            format!("{}, {}", watts(load.rated_w), minutes(load.rated_s_per_min)),
        ),
        row(
            "  at clipping",
            format!(
                "{}, {}",
                about(load.clipping_w, Unit::Watts),
                minutes(load.clipping_s_per_min)
            ),
        ),
    ]
}

fn pad(pad: &PadPlan) -> Vec<Row> {
    vec![
        row(
            "resistors",
            format!(
                "{} in series, {} across the unit's input, at the unit's end of the cable",
                ohms(pad.divider.top_ohm),
                ohms(pad.divider.bottom_ohm)
            ),
        ),
        row(
            "level",
            format!(
                "{}; 0 dBFS gives {}, rated sensitivity ({}) is at {}",
                decibels(pad.ratio_db),
                volts(pad.full_scale_v),
                volts(pad.sensitivity_v),
                dbfs(pad.sensitivity_dbfs)
            ),
        ),
        row("the unit sees", ohms(pad.source_ohm)),
        row(
            "noise",
            format!(
                "{} of the pad itself, {:.0} dB below the sensitivity (unweighted, before equalisation)",
                about(pad.thermal_v, Unit::Volts),
                pad.snr_db
            ),
        ),
    ]
}

fn failures(plan: &Plan) -> Vec<Row> {
    let f = &plan.failures;
    vec![
        row(
            "clamp",
            format!(
                "±{}, after the resistors: three times the working peak of {} or more, low leakage, low capacitance; compare THD with and without it",
                volts(f.clamp_v),
                volts(f.working_peak_v)
            ),
        ),
        row(
            "output at supply DC",
            format!(
                "about {}: the interface sees {}, the top takes {}, the clamp at most {}",
                about(f.rail_v, Unit::Volts),
                about(f.rail_at_interface_v, Unit::Volts),
                about(f.top_w_at_rail, Unit::Watts),
                milliamperes(f.clamped_current_a)
            ),
        ),
        row(
            "bottom open",
            format!(
                "without a clamp the interface would get {} at the peak of clipping, through the top resistors: hence two, soldered",
                about(f.bottom_open_v, Unit::Volts)
            ),
        ),
        row(
            "one of two open",
            format!("the level rises by {}", decibels(f.one_open_db)),
        ),
    ]
}

fn differential(plan: &Plan) -> Vec<Row> {
    let mut rows = vec![
        row(
            "connection",
            "each terminal through its own divider to signal ground at the shell of the amplifier's input; left minus right is taken in software, or both lines go to one balanced input".into(),
        ),
        row("on two inputs", "one channel of the amplifier in each pass".into()),
    ];
    rows.extend(plan.rejection.iter().map(|r| {
        (
            format!("resistors of {} %", significant(r.tolerance_percent, 2)),
            format!(
                "common-mode rejection {:.0} dB at worst, {:.0} dB likely, before it is trimmed with a common-mode tone",
                r.worst_db, r.likely_db
            ),
        )
    }));
    rows
}

/// Which figures of the interface are only typical.
fn typical(out: &mut String, plan: &Plan) {
    let i = &plan.request.interface;
    let values = [
        (
            "input full scale",
            volts(i.input_full_scale_v.value),
            i.input_full_scale_v,
        ),
        ("input impedance", ohms(i.input_ohm.value), i.input_ohm),
        (
            "input noise",
            about(i.input_noise_v.value, Unit::Volts),
            i.input_noise_v,
        ),
        (
            "output full scale",
            volts(i.output_full_scale_v.value),
            i.output_full_scale_v,
        ),
        ("output impedance", ohms(i.output_ohm.value), i.output_ohm),
    ];
    let rows: Vec<Row> = values
        .into_iter()
        .map(|(name, shown, of)| (name.to_owned(), known(shown, of)))
        .collect();
    section(out, "Interface", &rows);
    if i.all().iter().any(|(_, k, _)| k.basis == Basis::Typical) {
        out.push_str("  * typical until calibrated: calibrate before you rely on any of this\n");
    }
}
