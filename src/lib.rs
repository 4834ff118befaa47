//! asleft proves that a repaired hi-fi amplifier meets its rated specification.
//!
//! # The flow
//!
//! ```text
//! unit file ──► plan ──► stimulus ──► ceiling ──► BENCH ──► recording ──► integrity ──► figures ──► verdicts ──► job ──► report
//! rig file ─────┘                       live │ simulated
//! ```
//!
//! Live is capture, then offline: whatever bench recorded it, a take is analysed by the code that analyses a file. The
//! modules below are the layers; a file imports only from layers above it in the list of `tests/layering.rs`.
//!
//! # One sine, end to end
//!
//! A [`signal::stimulus::Stimulus`] says what is played. [`signal::synthesis::Renderer`] turns it into samples, full
//! scale ±1. [`rig::ceiling`] is the only maker of what a [`bench::Bench`] plays. What comes back is read
//! through a [`signal::source::BlockSource`], as often as analysis likes, and with its [`signal::take::Setup`] it is a
//! [`signal::take::Take`]. [`take::examine`] finds damage, recognises the sine and fits it; [`figures::of_take`] states
//! figures with budgets; [`verdict`] holds them against a [`unit::UnitSpec`].
//!
//! ```
//! use asleft::figure::{Driven, FigureId};
//! use asleft::figures::{self, Context};
//! use asleft::signal::{stimulus::{Signal, Stimulus}, synthesis::Renderer, take::Take};
//! use std::sync::Arc;
//!
//! let tone = Signal::Tone { frequency_hz: 997.0, level_dbfs: -6.0 };
//! let stimulus = Stimulus::stereo(48_000, 1.0, &tone, Driven::Both);
//! let take = Take::of(Arc::new(Renderer::new(&stimulus)?));
//! let examined = asleft::take::examine(take, None)?;
//! let findings = figures::of_take(&examined, &Context::default());
//! let level = findings.figures.iter().find(|f| f.id == FigureId::Level).ok_or("no level")?;
//! assert!((level.estimate.value + 6.0).abs() < 0.001);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! # Glossary
//!
//! *As found, as left*: readings before and after the work. *Take*: one recording with its circumstances. *Finding*: what
//! a take gave. *Tap*: an attenuator between the unit's output and the interface. *Pad*: one before the unit's input.
//! *Rig*: interface, taps, pads and loads as calibrated. *Limit*: what a specification states. *Upper limit*: a figure
//! that cannot be told from noise, with the most it can be.

pub mod atomic;
pub mod bench;
pub mod cli;
pub mod dsp;
pub mod error;
pub mod figure;
pub mod figures;
pub mod job;
pub mod ownfile;
pub mod procedure;
pub mod quantity;
pub mod report;
pub mod rig;
pub mod signal;
pub mod take;
pub mod unit;
pub mod verdict;
