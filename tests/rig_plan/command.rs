//! The command, as a technician or a script calls it.

use super::close;
use assert_cmd::Command;

fn asleft() -> Command {
    Command::cargo_bin("asleft").unwrap()
}

const EXAMPLE: [&str; 9] = [
    "rig",
    "plan",
    "--power",
    "50",
    "--load",
    "8",
    "--phono",
    "2.5mV",
    "--noise-tap",
];

#[test]
fn the_committed_picture_is_what_the_command_draws() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("wiring.svg");
    let run = || asleft().args(EXAMPLE).arg("--svg").arg(&path).output().unwrap();
    assert_eq!(run().status.code(), Some(0));
    let drawn = std::fs::read_to_string(&path).unwrap();
    let committed =
        std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/reports/wiring.svg")).unwrap();
    assert_eq!(
        drawn,
        committed,
        "draw it again: asleft {} --svg reports/wiring.svg --force",
        EXAMPLE.join(" ")
    );
    // What is there is never overwritten unasked.
    assert_eq!(run().status.code(), Some(2));
}

#[test]
fn json_holds_the_plan_and_nothing_else_goes_to_standard_output() {
    let output = asleft().args(EXAMPLE).arg("--json").output().unwrap();
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(json["schema"], "asleft.rig-plan.v1");
    assert_eq!(json["request"]["interface"]["input_ohm"]["basis"], "typical");
    let volts = json["rated"]["terminals_v"].as_f64().unwrap();
    close(volts, 20.0, 1e-9);
    assert_eq!(json["attenuator"]["top"]["count"], 2);
}

#[test]
fn exit_codes_tell_a_plan_from_none_and_from_nonsense() {
    let code = |arguments: &[&str]| {
        let output = asleft().args(["rig", "plan"]).args(arguments).output().unwrap();
        (output.status.code(), String::from_utf8(output.stderr).unwrap())
    };
    assert_eq!(code(&["--power", "50", "--load", "8"]).0, Some(0));
    let (status, said) = code(&["--power", "0.5", "--load", "8"]);
    assert_eq!(status, Some(1));
    assert!(said.contains("series resistor"), "{said}");
    assert_eq!(code(&["--power", "-50", "--load", "8"]).0, Some(2));
    assert_eq!(code(&["--power", "50"]).0, Some(2));
    assert_eq!(code(&["--power", "50", "--load", "8 V"]).0, Some(2));
}

#[test]
fn unit_and_rig_files_give_the_figures() {
    let root = env!("CARGO_MANIFEST_DIR");
    let output = asleft()
        .args(["rig", "plan", "--json", "--unit"])
        .arg(format!("{root}/fixtures/unit/first-version.unit.toml"))
        .arg("--rig")
        .arg(format!("{root}/fixtures/rig/first-version.rig.toml"))
        .output()
        .unwrap();
    let json: serde_json::Value = serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&output.stderr)));
    let unit =
        asleft::unit::file::parse(include_str!("../../fixtures/unit/first-version.unit.toml"), "x").unwrap();
    close(
        json["request"]["rated_w"].as_f64().unwrap(),
        unit.power.watts,
        1e-12,
    );
    let full_scale = &json["request"]["interface"]["input_full_scale_v"];
    assert_eq!(full_scale["basis"], "calibrated");
    close(full_scale["value"].as_f64().unwrap(), 2.45, 1e-12);
    assert_eq!(json["loads"][0]["there"], true);
}
