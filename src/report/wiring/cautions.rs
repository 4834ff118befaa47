//! What to mind, at the moment it matters. The usual cautions of the trade; they replace neither local codes nor a
//! licensed person's practice.

use super::shown::about;
use crate::figure::Unit;
use crate::rig::planner::{Coupling, Negative, Plan};

/// Cautions that belong to one moment of the work.
pub(super) struct Moment {
    /// When.
    pub(super) when: &'static str,
    /// What to mind, one sentence or two each.
    pub(super) cautions: Vec<String>,
}

/// All cautions of a plan, in the order of the work.
pub(super) fn of(plan: &Plan) -> [Moment; 4] {
    [
        Moment {
            when: "Before you connect, mains unplugged",
            cautions: before_connecting(plan),
        },
        Moment {
            when: "Before power",
            cautions: before_power(plan),
        },
        Moment {
            when: "While it runs",
            cautions: running(plan),
        },
        Moment {
            when: "Afterwards",
            cautions: vec![
                "Volume down, amplifier off, reservoirs discharged; the attenuator is taken off last.".into(),
                "The load stays hot long after the power is off: let it cool before touching it.".into(),
                "Nothing here makes a unit electrically safe. Local codes and licensed practice decide who may work on mains wiring and who may pass it.".into(),
            ],
        },
    ]
}

fn before_connecting(plan: &Plan) -> Vec<String> {
    let mut cautions = vec![
        "Discharge the reservoir capacitors through a resistor, then measure them: they hold a charge for hours and recover some of it.".to_owned(),
    ];
    cautions.push(match plan.request.negative {
        Negative::Grounded => "The interface's shared ground joins L − and R −. With a meter: each − terminal to the input's shell, and L − to R −, under about 1 Ω; otherwise plan this output as bridged or floating.".into(),
        Negative::Driven => "Both terminals are driven: either one on the interface's ground is a short circuit of an output stage. Ground is taken at the shell of the amplifier's input, never at a speaker terminal.".into(),
        Negative::Floating => "Neither terminal is ground: neither may meet the interface's ground. Ground is taken at the shell of the amplifier's input, never at a speaker terminal.".into(),
    });
    cautions.push("Solder the two lower resistors side by side: with none, the interface would get the whole output voltage; with one left, the level rises and tells.".into());
    cautions.push("No speakers on the terminals, no headphones on the interface, phantom power off.".into());
    cautions
}

fn before_power(plan: &Plan) -> Vec<String> {
    let mut cautions = vec![
        "DC at the speaker terminals is read with a meter before load or interface is connected; above 100 mV nothing is connected.".to_owned(),
        "Attenuator and clamp first, with the volume down: they are connected before power comes on.".into(),
    ];
    if plan.request.coupling == Coupling::Transformer {
        cautions.push("An output transformer is never run without its load: an open output can break its insulation. Load first, always.".into());
    }
    if plan.request.coupling == Coupling::Capacitor {
        cautions.push("The output capacitor charges through the load at switch-on: expect a thump, and let the reading settle.".into());
    }
    cautions
}

fn running(plan: &Plan) -> Vec<String> {
    let heat = plan.loads.iter().map(|l| l.clipping_w).fold(0.0, f64::max);
    let mut cautions = vec![format!(
        "The load gets hot, up to {} of heat: on its heat sink, in moving air, away from plastic and leads, with a sign.",
        about(heat, Unit::Watts)
    )];
    cautions.push(format!(
        "If an output stage fails to its supply, the load takes about {} of DC until someone switches off: a fuse in series with it, and a hand near the switch.",
        about(plan.failures.load_w_at_rail, Unit::Watts)
    ));
    if plan.noise_tap.is_some() {
        cautions.push("On the noise tap nothing is played and the clamp is fitted; the plug goes back to the attenuator before anything is.".into());
    }
    if plan.legs == 2 {
        cautions.push("One channel of the amplifier at a time; the other channel keeps a load of its own and no ground on it.".into());
    }
    cautions
}
