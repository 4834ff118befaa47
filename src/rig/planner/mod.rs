//! Plans a bench before anything is bought or soldered: attenuator, load, input pad, noise tap, from the amplifier's
//! rated power and the interface's figures.
//!
//! Pure arithmetic. [`divider`] is Ohm, Nyquist and one pole; [`e24`] the values that are sold; `attenuator`,
//! [`noise_tap`], [`pad`] and [`load`] choose, each saying by which rule; [`plan`] puts it together.

mod attenuator;
pub mod differential;
pub mod divider;
pub mod e24;
mod failure;
pub mod interface;
pub mod load;
pub mod noise;
pub mod noise_tap;
pub mod pad;
pub mod parts;

pub use attenuator::{CLIPPING_DBFS, LEAST_RATED_DBFS};
pub use failure::Failures;

use crate::error::{Error, Kind, Result};
use crate::quantity::{Decibels, Ohms, Watts};
use differential::Rejection;
use divider::Divider;
use interface::InterfaceFigures;
use load::LoadPlan;
use noise::NoiseSeen;
use noise_tap::NoiseTap;
use pad::PadPlan;
use parts::{Joined, Parts};
use serde::Serialize;

/// How far clipping lies above rated power where nobody says otherwise, dB. Common practice, no source: ratings are
/// given at the lowest mains voltage, both channels driven, and a supply sags less on a burst.
pub const HEADROOM_DB: f64 = 3.0;

/// More would put rated power below the least level that is read well, dB.
const MOST_HEADROOM_DB: f64 = 8.0;

/// Capacitance of a screened cable of about three metres, F. Common practice, no source.
pub const CABLE_FARAD: f64 = 300e-12;

/// Loss at 20 kHz that is put up with, dB.
const MOST_DROOP_DB: f64 = 0.1;

/// What the negative speaker terminal is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Negative {
    /// The amplifier's ground.
    Grounded,
    /// Another amplifier's output.
    Driven,
    /// Neither.
    Floating,
}

/// What lies between the output stage and its terminals.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Coupling {
    /// Nothing.
    Direct,
    /// A capacitor.
    Capacitor,
    /// A transformer: never without its load.
    Transformer,
}

/// An input of the unit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct InputRequest {
    /// Name on the panel.
    pub name: String,
    /// V rms for rated output.
    pub sensitivity_v: f64,
}

/// What is to be measured, and with what.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Request {
    /// Rated power, W.
    pub rated_w: f64,
    /// Into this load, Ω.
    pub load_ohm: f64,
    /// Other loads that will be connected, Ω.
    pub other_loads_ohm: Vec<f64>,
    /// Continuous rating of the load that is there, W.
    pub load_rating_w: Option<f64>,
    /// How far clipping lies above rated power, dB.
    pub headroom_db: f64,
    /// The negative terminal.
    pub negative: Negative,
    /// The way to the terminals.
    pub coupling: Coupling,
    /// Inputs that will be driven.
    pub inputs: Vec<InputRequest>,
    /// The interface.
    pub interface: InterfaceFigures,
    /// Capacitance of the cable to the interface, F.
    pub cable_farad: f64,
    /// Whether a second tap for noise is wanted.
    pub noise_tap: bool,
}

/// One level on its way.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Level {
    /// At the speaker terminals, V rms (of a sine of that peak).
    pub terminals_v: f64,
    /// At the interface's input, V rms; of one leg where there are two.
    pub interface_v: f64,
    /// There, dBFS.
    pub dbfs: f64,
}

/// The attenuator with what follows from it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Attenuator {
    /// Resistors to the speaker terminal.
    pub top: Parts,
    /// Resistors to ground.
    pub bottom: Parts,
    /// Tap / top with the interface connected.
    pub ratio: f64,
    /// The same, dB.
    pub ratio_db: f64,
    /// What the interface's input sees, Ω.
    pub source_ohm: f64,
    /// −3 dB frequency with cable and interface, Hz.
    pub corner_hz: f64,
    /// Loss at 20 kHz, dB.
    pub droop_20k_db: f64,
    /// How much less than the load alone the amplifier sees, percent.
    pub load_error_percent: f64,
}

/// The whole plan.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plan {
    /// What was asked.
    pub request: Request,
    /// Dividers for each channel of the amplifier: 1, or 2 where no terminal is ground.
    pub legs: u32,
    /// At rated power.
    pub rated: Level,
    /// At clipping.
    pub clipping: Level,
    /// The attenuator.
    pub attenuator: Attenuator,
    /// What the bench adds through it.
    pub noise: NoiseSeen,
    /// What happens when something fails.
    pub failures: Failures,
    /// The loads, that of the rated power first.
    pub loads: Vec<LoadPlan>,
    /// Pads for inputs that need one.
    pub pads: Vec<PadPlan>,
    /// The second tap, if asked for.
    pub noise_tap: Option<NoiseTap>,
    /// How well two dividers agree, by tolerance; empty with one.
    pub rejection: Vec<Rejection>,
}

impl Plan {
    /// The divider of the attenuator.
    pub fn divider(&self) -> Divider {
        Divider {
            top_ohm: self.attenuator.top.ohm(),
            bottom_ohm: self.attenuator.bottom.ohm(),
        }
    }
}

/// Plans the bench.
///
/// # Errors
/// [`Kind::Value`] where a value is not a positive number; [`Kind::Mismatch`] where this interface will not do, with
/// what would.
pub fn plan(request: &Request) -> Result<Plan> {
    check(request)?;
    let rated_v = Watts(request.rated_w).volts_across(Ohms(request.load_ohm)).0;
    let clipping_v = rated_v * Decibels(request.headroom_db).amplitude_ratio();
    let interface = &request.interface;
    let share = share_of_a_leg(request.negative);
    let (full_scale, input_ohm) = (interface.input_full_scale_v.value, interface.input_ohm.value);
    let task = attenuator::Task {
        rated_v: rated_v * share,
        clipping_v: clipping_v * share,
        load_ohm: request.loads().fold(0.0, f64::max),
        full_scale_v: full_scale,
        input_ohm,
    };
    reachable(request, &task)?;
    let chosen = task.choose().ok_or_else(|| too_low(input_ohm))?;
    let divider = chosen.divider();
    let legs = if request.negative == Negative::Grounded {
        1
    } else {
        2
    };
    let ratio = divider.ratio(input_ohm);
    let level = |volts: f64| Level {
        terminals_v: volts,
        interface_v: volts * share * ratio,
        dbfs: Decibels::from_amplitude_ratio(volts * share * ratio / full_scale).0,
    };
    let (rated, clipping) = (level(rated_v), level(clipping_v));
    if rated.dbfs < LEAST_RATED_DBFS {
        return Err(too_low(input_ohm));
    }
    let failures = Failures::new(request, &divider, rated.interface_v, task.clipping_v);
    let noise_tap = request
        .noise_tap
        .then(|| tapped(request, legs, rated_v, failures.rail_v))
        .transpose()?;
    let pads = request.inputs.iter();
    Ok(Plan {
        request: request.clone(),
        legs,
        rated,
        clipping,
        attenuator: described(request, &chosen, task.rated_v, legs)?,
        noise: NoiseSeen::through(&divider, legs, interface, rated_v, request.watt_v()),
        failures,
        loads: request
            .loads()
            .map(|ohm| LoadPlan::new(ohm, rated_v, clipping_v, request.load_rating_w))
            .collect(),
        pads: pads
            .filter_map(|i| PadPlan::new(&i.name, i.sensitivity_v, interface))
            .collect(),
        noise_tap,
        rejection: rejection(legs, &divider),
    })
}

impl Request {
    /// Output voltage at 1 W into the rated load, V rms.
    fn watt_v(&self) -> f64 {
        Watts(1.0).volts_across(Ohms(self.load_ohm)).0
    }

    /// The load of the rated power, then the others.
    pub fn loads(&self) -> impl Iterator<Item = f64> {
        std::iter::once(self.load_ohm).chain(self.other_loads_ohm.iter().copied())
    }
}

/// Share of the output voltage on one leg. Two driven terminals share it; of a floating pair either may carry all.
fn share_of_a_leg(negative: Negative) -> f64 {
    match negative {
        Negative::Driven => 0.5,
        Negative::Grounded | Negative::Floating => 1.0,
    }
}

/// The second tap.
fn tapped(request: &Request, legs: u32, rated_v: f64, rail_v: f64) -> Result<NoiseTap> {
    let task = noise_tap::Task {
        interface: &request.interface,
        cable_farad: request.cable_farad,
        legs,
        rated_v,
        watt_v: request.watt_v(),
        rail_v,
    };
    task.choose().ok_or_else(|| untappable(request))
}

/// How well two of `divider` agree with usual and with close tolerances; nothing of one.
fn rejection(legs: u32, divider: &Divider) -> Vec<Rejection> {
    if legs == 1 {
        return Vec::new();
    }
    [0.01, 0.001].map(|t| Rejection::new(divider, t)).to_vec()
}

/// What follows from the chosen resistors.
fn described(request: &Request, chosen: &attenuator::Chosen, rated_v: f64, legs: u32) -> Result<Attenuator> {
    let divider = chosen.divider();
    let input_ohm = request.interface.input_ohm.value;
    let droop_20k_db = divider.droop_db(20_000.0, input_ohm, request.cable_farad);
    if droop_20k_db > MOST_DROOP_DB {
        return Err(cable(request, divider::parallel(divider.source_ohm(), input_ohm)));
    }
    // Two legs lie across the load one after the other.
    let across = divider.taken_ohm(input_ohm) * f64::from(legs);
    let ratio = divider.ratio(input_ohm);
    Ok(Attenuator {
        top: Parts::new(
            attenuator::TOP_COUNT,
            chosen.top_each_ohm,
            Joined::Series,
            divider.top_watts(rated_v, input_ohm),
        ),
        bottom: Parts::new(
            attenuator::BOTTOM_COUNT,
            chosen.bottom_each_ohm,
            Joined::Parallel,
            divider.bottom_watts(rated_v, input_ohm),
        ),
        ratio,
        ratio_db: Decibels::from_amplitude_ratio(ratio).0,
        source_ohm: divider.source_ohm(),
        corner_hz: divider.corner_hz(input_ohm, request.cable_farad),
        droop_20k_db,
        load_error_percent: 100.0 * request.load_ohm / (request.load_ohm + across),
    })
}

fn check(request: &Request) -> Result<()> {
    let loads = request.loads().map(|ohm| ("load", ohm, 0.5..=10_000.0, "Ω"));
    let inputs = request
        .inputs
        .iter()
        .map(|i| ("input sensitivity", i.sensitivity_v, 1e-4..=10.0, "V"));
    let of_interface = request.interface.all().map(|(name, known, unit)| {
        // From a wire's resistance to an open input; from the noise of a cold resistor to the rails of a valve stage.
        (name, known.value, 1e-8..=1e8, unit)
    });
    let all = [
        ("rated power", request.rated_w, 0.01..=10_000.0, "W"),
        ("cable capacitance", request.cable_farad, 1e-12..=1e-7, "F"),
        (
            "load rating",
            request.load_rating_w.unwrap_or(1.0),
            0.1..=100_000.0,
            "W",
        ),
    ];
    for (name, value, range, unit) in all.into_iter().chain(loads).chain(inputs).chain(of_interface) {
        if !range.contains(&value) {
            let (low, high) = (range.start(), range.end());
            return Err(
                Error::new(Kind::Value, format!("{value} {unit} is no real {name}"))
                    .next(format!("give {low} to {high} {unit}")),
            );
        }
    }
    if !(0.0..=MOST_HEADROOM_DB).contains(&request.headroom_db) {
        let what = format!("clipping cannot lie {} dB above rated power", request.headroom_db);
        let range = format!("give 0 to {MOST_HEADROOM_DB} dB; {HEADROOM_DB} is usual");
        return Err(Error::new(Kind::Value, what).next(range));
    }
    Ok(())
}

/// Whether the output is neither too small nor the interface's output too weak.
fn reachable(request: &Request, task: &attenuator::Task) -> Result<()> {
    let ratio = task.highest_ratio();
    if ratio > 0.5 {
        let clipping = request.rated_w * Decibels(request.headroom_db).power_ratio();
        return Err(Error::new(
            Kind::Mismatch,
            format!(
                "this interface takes {:.2} V, and the output reaches {:.2} V at clipping ({clipping:.2} W): there is too little to divide",
                task.full_scale_v, task.clipping_v
            ),
        )
        .next("connect through a series resistor of 1 kΩ and a clamp alone, or set the interface's input to a smaller full scale"));
    }
    let output = request.interface.output_full_scale_v.value;
    if let Some(deaf) = request.inputs.iter().find(|i| i.sensitivity_v > output) {
        return Err(Error::new(
            Kind::Mismatch,
            format!(
                "the interface's output reaches {output:.2} V, but input \"{}\" needs {:.2} V for rated power",
                deaf.name, deaf.sensitivity_v
            ),
        )
        .next("drive a more sensitive input, or use an interface whose line output reaches further"));
    }
    Ok(())
}

fn too_low(input_ohm: f64) -> Error {
    Error::new(
        Kind::Mismatch,
        format!("the interface's input of {input_ohm:.0} Ω loads the attenuator too much"),
    )
    .next("use a line input of 10 kΩ or more, never one meant for microphones")
}

/// Why no series resistor serves as a noise tap.
fn untappable(request: &Request) -> Error {
    let input_ohm = request.interface.input_ohm.value;
    if noise_tap::loads_too_much(input_ohm) {
        return too_low(input_ohm);
    }
    cable(request, divider::parallel(noise_tap::LEAST_OHM, input_ohm))
}

/// The cable's capacitance across `source_ohm` costs too much treble.
fn cable(request: &Request, source_ohm: f64) -> Error {
    // 10 lg(1 + (2πfRC)²) = the most that is put up with.
    let most = (Decibels(MOST_DROOP_DB).power_ratio() - 1.0).sqrt()
        / (std::f64::consts::TAU * 20_000.0 * source_ohm);
    Error::new(
        Kind::Mismatch,
        format!(
            "a cable of {:.0} pF takes more than {MOST_DROOP_DB} dB off at 20 kHz",
            request.cable_farad * 1e12
        ),
    )
    .next(format!(
        "put the attenuator at the interface's end, with no more than {:.0} pF of cable behind it",
        most * 1e12
    ))
}
