//! What is changed by hand between two takes. The oracle is the two setups: nothing is asked where they are equal, whatever
//! differs is named once, and the order is the one in which nothing is plugged at full volume.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    dead_code,
    reason = "a test may stop where it stands; the script serves several tests"
)]

mod script;

use asleft::figure::Driven;
use asleft::procedure::changes::{Change, Part, ask_for, between};
use asleft::procedure::plan;
use asleft::signal::take::Setup;
use asleft::unit;
use proptest::prelude::*;
use script::Script;

fn text(changes: &[Change]) -> String {
    let lines: Vec<&str> = changes.iter().map(|c| c.text.as_str()).collect();
    lines.join("\n")
}

fn at_full() -> Setup {
    Setup {
        driven: Some(Driven::Both),
        mode: Some("class AB".to_owned()),
        input: Some("Tuner".to_owned()),
        volume: Some("maximum".to_owned()),
        termination: None,
        tap: Some("power".to_owned()),
        pad: None,
        loaded: Some(true),
    }
}

fn silent() -> Setup {
    Setup {
        driven: None,
        termination: Some("shorted plug".to_owned()),
        tap: Some("noise".to_owned()),
        ..at_full()
    }
}

#[test]
fn the_shorted_plug_goes_in_at_minimum_volume() {
    assert_eq!(
        text(&between(&at_full(), &silent())),
        "Turn the volume to minimum.\n\
         Switch the unit off. Unplug the attenuator \"power\" at the interface, then at the load. Connect the attenuator \
         \"noise\", left and right: at the load first, at the interface last. Switch the unit on again.\n\
         Take the interface's cables out of Tuner. Put the shorted plug into Tuner, left and right.\n\
         Turn the volume slowly back to maximum.\n\
         Nothing is driven now."
    );
    assert_eq!(
        text(&between(&silent(), &at_full())),
        "Turn the volume to minimum.\n\
         Switch the unit off. Unplug the attenuator \"noise\" at the interface, then at the load. Connect the attenuator \
         \"power\", left and right: at the load first, at the interface last. Switch the unit on again.\n\
         Take the shorted plug out of Tuner. Connect the interface's outputs to Tuner, left and right.\n\
         Turn the volume slowly back to maximum.\n\
         Leave the cables: both channels are driven now."
    );
}

#[test]
fn one_change_is_one_instruction() {
    let driven = Setup {
        driven: Some(Driven::Left),
        ..at_full()
    };
    let changes = between(&at_full(), &driven);
    assert!(changes.len() == 1 && !changes[0].by_hand, "{changes:?}");
    let down = Setup {
        volume: Some("minimum".to_owned()),
        ..at_full()
    };
    assert_eq!(text(&between(&at_full(), &down)), "Turn the volume to minimum.");
    assert_eq!(
        text(&between(&down, &at_full())),
        "Turn the volume slowly to maximum."
    );
    let phono = Setup {
        input: Some("Phono".to_owned()),
        ..silent()
    };
    assert_eq!(
        text(&between(&silent(), &phono)),
        "Turn the volume to minimum.\nSet the input selector to Phono. Take the shorted plug out of Tuner. Put the shorted \
         plug into Phono, left and right.\nTurn the volume slowly back to maximum."
    );
}

#[test]
fn a_change_that_needs_no_hand_is_told_and_not_asked() {
    let mut script = Script::default().agrees("changed", true);
    let left = Setup {
        driven: Some(Driven::Left),
        ..at_full()
    };
    ask_for(&at_full(), &left, &mut script).unwrap();
    assert!(script.asked.is_empty() && script.dialogue.contains("left channel"));
    ask_for(&left, &silent(), &mut script).unwrap();
    assert_eq!(script.asked, ["changed"]);
    let mut no = Script::default().agrees("changed", false);
    let error = ask_for(&left, &silent(), &mut no).unwrap_err();
    assert!(error.to_string().contains("kept"), "{error}");
}

#[test]
fn a_whole_plan_asks_for_few_changes() {
    let text = include_str!("../units/tarnbeck-60.unit.toml");
    let unit = unit::file::parse(text, "unit").unwrap();
    let steps = plan::full(&unit, "power", "noise").unwrap();
    let mut before = Setup::default();
    let mut by_hand = 0;
    for step in &steps {
        let changes = between(&before, &step.setup);
        by_hand += usize::from(changes.iter().any(|c| c.by_hand));
        before = step.setup.clone();
    }
    // Counted in the setups themselves: those where something other than the driven channels differs.
    let mut expected = 0;
    let mut before = Setup::default();
    for step in &steps {
        let same_drive = Setup {
            driven: step.setup.driven,
            ..before
        };
        expected += usize::from(same_drive != step.setup);
        before = step.setup.clone();
    }
    assert_eq!(by_hand, expected);
    assert!(
        by_hand * 3 < steps.len(),
        "{by_hand} changes in {} steps",
        steps.len()
    );
}

fn maybe(words: &'static [&'static str]) -> impl Strategy<Value = Option<String>> {
    prop::option::of(prop::sample::select(words).prop_map(str::to_owned))
}

fn any_setup() -> impl Strategy<Value = Setup> {
    (
        prop::option::of(prop::sample::select(
            &[Driven::Left, Driven::Right, Driven::Both][..],
        )),
        maybe(&["class AB", "class A"]),
        maybe(&["Tuner", "Phono", "Aux"]),
        maybe(&["minimum", "reference", "maximum"]),
        maybe(&["shorted plug", "1 kΩ"]),
        maybe(&["power", "noise"]),
        maybe(&["phono", "line pad"]),
        prop::option::of(any::<bool>()),
    )
        .prop_map(
            |(driven, mode, input, volume, termination, tap, pad, loaded)| Setup {
                driven,
                mode,
                input,
                volume,
                termination,
                tap,
                pad,
                loaded,
            },
        )
}

proptest! {
    #[test]
    fn nothing_is_asked_where_nothing_changed(setup in any_setup()) {
        prop_assert_eq!(between(&setup, &setup), vec![]);
    }

    #[test]
    fn whatever_differs_is_named_once_with_its_new_value(before in any_setup(), after in any_setup()) {
        let changes = between(&before, &after);
        let mut named: Vec<Part> = changes.iter().flat_map(|c| c.parts.clone()).collect();
        named.sort();
        // Field by field, not by the function under test.
        let mut differs = Vec::new();
        let mut check = |part, same: bool, new: Option<&String>| {
            if !same {
                differs.push((part, new.cloned()));
            }
        };
        check(Part::Driven, before.driven == after.driven, None);
        check(Part::Mode, before.mode == after.mode, after.mode.as_ref());
        check(Part::Input, before.input == after.input, after.input.as_ref());
        check(Part::Volume, before.volume == after.volume, after.volume.as_ref());
        check(Part::Termination, before.termination == after.termination, after.termination.as_ref());
        check(Part::Tap, before.tap == after.tap, after.tap.as_ref());
        check(Part::Pad, before.pad == after.pad, after.pad.as_ref());
        check(Part::Load, before.loaded == after.loaded, None);
        let parts: Vec<Part> = differs.iter().map(|(p, _)| *p).collect();
        prop_assert_eq!(named, parts);
        for (part, value) in differs {
            let of = changes.iter().find(|c| c.parts.contains(&part)).unwrap();
            prop_assert!(value.is_none_or(|v| of.text.contains(&v)), "{part:?}: {}", of.text);
        }
    }

    /// Between the first plug and the last, the volume is down.
    #[test]
    fn plugs_are_touched_at_minimum_volume(before in any_setup(), after in any_setup()) {
        let changes = between(&before, &after);
        let plugs = |c: &Change| c.parts.iter().any(|p| {
            matches!(p, Part::Input | Part::Termination | Part::Pad | Part::Tap | Part::Load)
        });
        let mut down = before.volume.as_deref() == Some("minimum");
        for change in &changes {
            if change.text.starts_with("Turn the volume") {
                down = change.text.contains("to minimum");
            }
            prop_assert!(!(plugs(change) && change.by_hand) || down, "{}", text(&changes));
        }
        if let Some(position) = &after.volume && changes.iter().any(|c| c.by_hand) {
            prop_assert_eq!(down, position == "minimum", "it ends where it should: {}", text(&changes));
        }
    }
}
