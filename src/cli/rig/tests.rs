//! `asleft rig` as a technician or a script uses it.

use super::{Args, run_with};
use crate::cli::{CommandResult, Ending, Streams};
use crate::rig::file;
use clap::Parser;
use std::path::Path;

/// The command alone, as the program embeds it.
#[derive(Debug, Parser)]
struct Program {
    #[command(flatten)]
    rig: Args,
}

struct Ran {
    result: CommandResult,
    out: String,
    err: String,
}

fn rig(args: &[&str], answers: &str) -> Ran {
    let program = Program::try_parse_from(std::iter::once(&"rig").chain(args)).unwrap();
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let mut io = Streams {
        out: &mut out,
        err: &mut err,
        interactive: false,
    };
    let result = run_with(&program.rig, &mut io, &mut answers.as_bytes());
    Ran {
        result,
        out: String::from_utf8_lossy(&out).into_owned(),
        err: String::from_utf8_lossy(&err).into_owned(),
    }
}

/// Answers of a rehearsal up to the first input, and from there on. An empty line takes what the simulated multimeter
/// shows.
const FIRST: &str = "Example Bench\n\n\nyes\n\nyes\n\ntypical\nyes\n\n";
const REST: &str = "yes\n\ntypical\n\n\n\n200\n\npower\n10k\n470\nyes\n\nyes\n\nnone\nskip\n";

fn path_in(folder: &tempfile::TempDir, name: &str) -> String {
    folder.path().join(name).display().to_string()
}

#[test]
fn an_interrupted_calibration_goes_on_where_it_stopped() {
    let folder = tempfile::tempdir().unwrap();
    let path = path_in(&folder, "example.rig.toml");
    let draft = path_in(&folder, "example.rig.draft.toml");
    let stopped = rig(&["new", "--simulated", &path], FIRST);
    let error = stopped.result.unwrap_err().to_string();
    assert!(
        error.contains("same command again") && error.contains(&draft),
        "{error}"
    );
    assert!(Path::new(&draft).exists() && !Path::new(&path).exists());
    let done = rig(&["new", "--simulated", &path], REST);
    assert_eq!(done.result, Ok(Ending::Done), "{}", done.err);
    assert!(
        done.err.contains("Kept from") && done.err.contains("input-left-volts"),
        "{}",
        done.err
    );
    assert!(!done.err.contains("Sample rate in Hz"), "{}", done.err);
    assert!(
        done.out.contains("left tap \"power\"") && done.out.contains("is written"),
        "{}",
        done.out
    );
    assert!(!Path::new(&draft).exists());
    let text = std::fs::read_to_string(&path).unwrap();
    assert!(text.starts_with("# SIMULATED"));
    assert_eq!(file::parse(&text, "x").unwrap().name, "Example Bench");
    // What is there is left alone.
    let again = rig(&["new", "--simulated", &path], "");
    assert!(again.result.unwrap_err().to_string().contains("exists already"));
    assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
}

#[test]
fn every_hazard_is_told_before_the_first_tone() {
    let folder = tempfile::tempdir().unwrap();
    let ran = rig(
        &["new", "--simulated", &path_in(&folder, "a.rig.toml")],
        "\n\n\nno\n",
    );
    assert!(ran.result.unwrap_err().what().contains("stopped"));
    for words in [
        "CAUTION: Unplug headphones",
        "CAUTION: Switch phantom power",
        "CAUTION: On a balanced output",
    ] {
        assert!(ran.err.contains(words), "{words}: {}", ran.err);
    }
    assert!(!ran.err.contains("A tone of"), "{}", ran.err);
}

#[test]
fn the_template_is_written_or_printed() {
    let folder = tempfile::tempdir().unwrap();
    let path = path_in(&folder, "b.rig.toml");
    assert_eq!(rig(&["new", "--template"], "").out, file::template());
    let ran = rig(&["new", "--template", &path], "");
    assert!(ran.out.contains("asleft rig show"), "{}", ran.out);
    assert_eq!(std::fs::read_to_string(&path).unwrap(), file::template());
    assert!(rig(&["new", "--template", &path], "").result.is_err());
    assert!(Program::try_parse_from(["rig", "new"]).is_err());
    assert!(Program::try_parse_from(["rig", "new", "--template", "--simulated", "x"]).is_err());
}
