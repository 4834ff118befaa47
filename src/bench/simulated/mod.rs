//! An amplifier and an interface from physics.
