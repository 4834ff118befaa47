//! `asleft interfaces`: the audio interfaces of this machine.

use super::{CommandResult, Ending, Streams, output_error};
use crate::bench::live::{Ends, InterfaceInfo, interfaces};
use crate::error::{Error, Kind, Result};
use serde::Serialize;
use std::fmt::Write as _;

/// Version tag of `asleft interfaces --json`.
const SCHEMA: &str = "asleft.interfaces.v1";

/// The audio interfaces of this machine: names for the rig file, channels, rates, sample formats.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example:\n  asleft interfaces\n\nExit code 0: there is one that can be measured through; 1: there is none."
)]
pub(super) struct Args {
    /// Print one JSON document instead of the list.
    #[arg(long)]
    json: bool,
}

/// What `--json` prints.
#[derive(Serialize)]
struct Listing<'a> {
    schema: &'static str,
    interfaces: &'a [InterfaceInfo],
}

/// Runs the command.
///
/// # Errors
/// Where the system's sound cannot be asked.
pub(super) fn run(args: &Args, io: &mut Streams<'_>) -> CommandResult {
    let found = interfaces()?;
    let text = if args.json { json(&found)? } else { list(&found) };
    io.out.write_all(text.as_bytes()).map_err(|e| output_error(&e))?;
    Ok(if found.iter().any(InterfaceInfo::is_usable) {
        Ending::Done
    } else {
        Ending::Doubtful
    })
}

fn json(found: &[InterfaceInfo]) -> Result<String> {
    let listing = Listing {
        schema: SCHEMA,
        interfaces: found,
    };
    serde_json::to_string_pretty(&listing)
        .map(|text| text + "\n")
        .map_err(|e| {
            Error::new(Kind::Format, format!("the list cannot be written as JSON: {e}"))
                .next("run the command without --json")
        })
}

fn list(found: &[InterfaceInfo]) -> String {
    let mut out = String::new();
    let (usable, rest): (Vec<_>, Vec<_>) = found.iter().partition(|i| i.is_usable());
    if usable.is_empty() {
        out.push_str(
            "There is no audio interface that can be measured through.\n\
             Plug it in, switch it on, close programs that use it, and run this again.\n",
        );
    } else {
        out.push_str("Interfaces that can be measured through; the rig file names them like this:\n");
    }
    for info in usable {
        block(&mut out, info);
    }
    let (converting, silent): (Vec<_>, Vec<_>) = rest.into_iter().partition(|i| i.converts.is_some());
    lines(
        &mut out,
        "Could not be opened:",
        silent.iter().map(|i| (&i.id, i.note.as_ref())),
    );
    lines(
        &mut out,
        "Not measured through, because samples may be changed on the way without a word:",
        converting.iter().map(|i| (&i.id, i.converts.as_ref())),
    );
    out
}

fn block(out: &mut String, info: &InterfaceInfo) {
    let usual = match (info.usual_output, info.usual_input) {
        (true, true) => "  (the system's usual output and input)",
        (true, false) => "  (the system's usual output)",
        (false, true) => "  (the system's usual input)",
        (false, false) => "",
    };
    // Writing to a string cannot fail.
    let _ = writeln!(out, "\n{}{usual}\n  {}", info.id, info.description);
    for (what, ends) in [("outputs", &info.outputs), ("inputs", &info.inputs)] {
        match ends {
            Some(ends) => put(out, what, ends),
            None => out.push_str(&format!("  {what:<8} none\n")),
        }
    }
    if let Some(note) = &info.note {
        let _ = writeln!(out, "  note     {note}");
    }
}

fn put(out: &mut String, what: &str, ends: &Ends) {
    let rates: Vec<String> = ends
        .rates_hz
        .iter()
        .map(|r| (f64::from(*r) / 1e3).to_string())
        .collect();
    let formats: Vec<&str> = ends.formats.iter().map(|f| in_words(f)).collect();
    let _ = writeln!(out, "  {what:<8} {:<3} {} kHz", ends.channels, rates.join(", "));
    let _ = write!(out, "  {:<12} {}", "", formats.join(", "));
    if let Some((least, most)) = ends.period_frames {
        let _ = write!(out, "; periods {least} to {most}");
    }
    out.push('\n');
}

fn in_words(format: &str) -> &str {
    match format {
        "i16" => "16 bits",
        "i24" => "24 bits",
        "i32" => "32 bits",
        "f32" => "32-bit float",
        other => other,
    }
}

fn lines<'a>(out: &mut String, head: &str, names: impl Iterator<Item = (&'a String, Option<&'a String>)>) {
    let names: Vec<_> = names.collect();
    if names.is_empty() {
        return;
    }
    let width = names.iter().map(|(id, _)| id.len()).max().unwrap_or(0).min(30);
    let _ = writeln!(out, "\n{head}");
    for (id, why) in names {
        let why = why.map_or("", String::as_str);
        let _ = writeln!(out, "{}", format!("  {id:<width$}  {why}").trim_end());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn interface(id: &str, converts: Option<&str>) -> InterfaceInfo {
        let ends = Ends {
            channels: 18,
            rates_hz: vec![44_100, 48_000, 88_200, 96_000, 176_400, 192_000],
            formats: vec![
                "i32".to_owned(),
                "i24".to_owned(),
                "f32".to_owned(),
                "i16".to_owned(),
            ],
            period_frames: Some((16, 65_536)),
        };
        InterfaceInfo {
            id: id.to_owned(),
            host: "ALSA".to_owned(),
            description: "Example USB, USB Audio".to_owned(),
            outputs: converts.is_none().then(|| ends.clone()),
            inputs: converts.is_none().then_some(ends),
            usual_output: true,
            usual_input: true,
            converts: converts.map(str::to_owned),
            note: None,
        }
    }

    #[test]
    fn the_list_fits_80_columns_and_tells_what_converts() {
        let found = [
            interface("alsa:hw:CARD=Example,DEV=0", None),
            interface(
                "alsa:default",
                Some("goes where the system says, and may convert"),
            ),
        ];
        let text = list(&found);
        for line in text.lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
        let (good, bad) = text.split_once("Not measured through").unwrap();
        assert!(good.contains("CARD=Example") && good.contains("192 kHz") && good.contains("24 bits"));
        assert!(bad.contains("alsa:default") && !good.contains("alsa:default"));
        assert!(list(&[]).starts_with("There is no audio interface"));
    }

    #[test]
    fn json_carries_its_schema_and_every_interface() {
        let text = json(&[interface("alsa:hw:CARD=Example,DEV=0", None)]).unwrap();
        let value: serde_json::Value = serde_json::from_str(&text).unwrap();
        assert_eq!(value["schema"], SCHEMA);
        assert_eq!(value["interfaces"][0]["outputs"]["rates_hz"][5], 192_000);
        assert!(value["interfaces"][0]["converts"].is_null());
    }
}
