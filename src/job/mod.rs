//! The record of one unit's visit.
