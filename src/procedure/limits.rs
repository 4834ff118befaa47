//! From the unit file to the numbers that the ceiling needs.

use crate::error::{Error, Kind, Result};
use crate::rig::ceiling::UnitLimits;
use crate::signal::take::{FULL_VOLUME, Setup};
use crate::unit::{OutputStage, UnitSpec};

/// What `unit` says of the input, mode and output that `setup` uses.
///
/// # Errors
/// Where the setup names no input of the unit, or the unit file no output.
pub fn of(unit: &UnitSpec, setup: &Setup) -> Result<UnitLimits> {
    at(unit, None, setup)
}

/// The same at the output of this name; the first where none is named.
///
/// # Errors
/// As [`of`], and where the unit file has no such output.
pub fn at(unit: &UnitSpec, output: Option<&str>, setup: &Setup) -> Result<UnitLimits> {
    let input = setup
        .input
        .as_deref()
        .and_then(|name| unit.input(name))
        .ok_or_else(|| {
            Error::new(Kind::Mismatch, "the step names no input of the unit")
                .next("name an input that the unit file has")
        })?;
    // Where none is named, the first is measured: speakers.
    let named = unit
        .outputs
        .iter()
        .find(|o| output.is_none_or(|name| o.name == name));
    let output = named.ok_or_else(|| {
        Error::new(
            Kind::Mismatch,
            format!("the unit file of {} names no output", unit.model),
        )
        .next("add an [[outputs]] entry with the loads that may be connected")
    })?;
    let power = unit.power_in(setup.mode.as_deref());
    Ok(UnitLimits {
        sensitivity_v: input.sensitivity_v,
        sensitivity_output_v: unit.power.volts().0,
        full_volume: setup.volume.as_deref() == Some(FULL_VOLUME),
        phono: input.phono,
        rated_w: power.watts,
        rated_load_ohm: power.load_ohm,
        loads_ohm: output.loads_ohm.clone(),
        transformer_coupled: output.stage == OutputStage::TransformerCoupled,
    })
}
