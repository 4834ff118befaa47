//! One file per measurement, all of one shape.
//!
//! A [`Measurement`] is a small state machine over takes, so that one tone, a stepped search, two loads and a meter
//! reading have one shape. Live, the procedure drives it; offline, `analyse` hands it the takes it has. Every file's
//! doc has the same headings: definition, source, conditions, assumptions, uncertainty.

use crate::figure::Findings;
use crate::rig::Rig;
use crate::signal::stimulus::Stimulus;
use crate::signal::take::Setup;
use crate::take::Examined;

/// What a measurement wants next.
#[derive(Debug)]
pub enum Next {
    /// Play this with the unit set up so, and bring the take.
    Play(Box<Stimulus>, Setup),
    /// Ask the operator.
    Ask(Question),
    /// All that can be said.
    Done(Findings),
}

/// A question to the operator, answered by a setting or a meter reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Question {
    /// In the technician's words: what to connect or set, and why.
    pub text: String,
}

/// A figure's way from takes to findings.
pub trait Measurement {
    /// Looks at the takes so far and says what is next. Pure: equal arguments, equal answer.
    fn next(&self, takes: &[Examined], rig: Option<&Rig>) -> Next;
}
