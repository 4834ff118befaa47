//! The self-check of a bench as text for a terminal, and as the JSON document `asleft.rig-check.v1`.

use super::number::{setting, signed};
use super::table::{Style, wrapped};
use crate::error::{Error, Kind, Result};
use crate::figure::Unit;
use crate::procedure::self_check::{ChannelCheck, Fitness, Purpose, SelfCheck, Step};
use crate::quantity::significant;
use serde::Serialize;

/// Version tag of the document.
pub const SCHEMA: &str = "asleft.rig-check.v1";

/// Outputs that do not reach this level leave the top of the inputs unseen, dBFS.
const UNREACHED_DBFS: f64 = -1.5;

/// Where texts stand under their heading.
const INDENT: &str = "    ";

#[derive(Serialize)]
struct Document<'a> {
    schema: &'static str,
    fit: bool,
    asked: &'a [Purpose],
    #[serde(flatten)]
    check: &'a SelfCheck,
}

/// The JSON document; `asked` are the purposes that decide `fit`.
///
/// # Errors
/// Where a number is not finite, which the check never makes.
pub fn json(check: &SelfCheck, asked: &[Purpose]) -> Result<String> {
    let document = Document {
        schema: SCHEMA,
        fit: check.is_fit_for(asked),
        asked,
        check,
    };
    let text = serde_json::to_string_pretty(&document).map_err(|e| {
        Error::new(Kind::Value, format!("the result cannot be written as JSON: {e}"))
            .next("please report this: the program made a value that it cannot write")
    })?;
    Ok(text + "\n")
}

/// The verdict first, then what is wrong, then the numbers.
pub fn text(check: &SelfCheck, style: Style) -> String {
    let width = style.width;
    let mut out = String::new();
    if check.simulated {
        out.push_str("SIMULATED: no real interface was measured\n");
    }
    out.push_str(&format!("Self-check of {}\n", check.rig));
    verdict(&mut out, check, width);
    troubles(&mut out, check, width);
    numbers(&mut out, check, width);
    out
}

fn verdict(out: &mut String, check: &SelfCheck, width: usize) {
    for (fit, heading) in [(true, "Fit for"), (false, "Not fit for")] {
        let mut those = check.fitness.iter().filter(|f| f.fit == fit).peekable();
        if those.peek().is_none() {
            continue;
        }
        out.push_str(&format!("\n{heading}\n"));
        for one in those {
            let mark = if fit { '✓' } else { '✗' };
            out.push_str(&format!("  {mark} {}\n", one.purpose));
            if fit {
                for line in reaches(one) {
                    out.push_str(&wrapped(&line, INDENT, width));
                }
            } else {
                // A trouble is told once, under its own heading.
                let told = check.troubles.iter().any(|t| t.spoils.contains(&one.purpose));
                let because = if told {
                    "see what was found"
                } else {
                    one.because.as_str()
                };
                out.push_str(&wrapped(&format!("because: {because}"), INDENT, width));
                if !told {
                    out.push_str(&wrapped(&format!("next: {}", one.next), INDENT, width));
                }
            }
        }
    }
}

/// One line a tap, those without a tap together.
fn reaches(fitness: &Fitness) -> Vec<String> {
    let mut lines: Vec<(Option<&str>, Vec<String>)> = Vec::new();
    for reach in &fitness.limits {
        let text = format!("{} {}", reach.what, value(reach.value, reach.unit));
        let text = if reach.unit == "dBFS" {
            format!("({text})")
        } else {
            text
        };
        match lines.iter_mut().find(|(tap, _)| *tap == reach.tap.as_deref()) {
            Some((_, all)) => all.push(text),
            None => lines.push((reach.tap.as_deref(), vec![text])),
        }
    }
    let mut out: Vec<String> = lines
        .into_iter()
        .map(|(tap, all)| match tap {
            Some(tap) => format!("tap \"{tap}\": {}", all.join(", ")),
            None => all.join(" "),
        })
        .collect();
    if fitness.purpose == Purpose::Noise {
        out.insert(0, "at the unit's output, down to its own:".to_owned());
    }
    signed_all(out)
}

/// With true minus signs before numbers.
fn signed_all(lines: Vec<String>) -> Vec<String> {
    lines.into_iter().map(|l| l.replace(" -", " −")).collect()
}

fn value(value: f64, unit: &str) -> String {
    match unit {
        "W" => format!("{} W", significant(value, 2)),
        "V" => setting(two_digits(value), Unit::Volts),
        "Hz" => setting(two_digits(value), Unit::Hertz),
        "%" => format!("{} %", significant(value, 2)),
        _ => format!("{value:.0} {unit}"),
    }
}

/// Rounded to two significant digits, as a limit deserves.
fn two_digits(value: f64) -> f64 {
    significant(value, 2).parse().unwrap_or(value)
}

fn troubles(out: &mut String, check: &SelfCheck, width: usize) {
    if check.troubles.is_empty() {
        out.push_str("\nNothing wrong was found.\n");
        return;
    }
    out.push_str("\nFound\n");
    for trouble in &check.troubles {
        let mark = if trouble.spoils.is_empty() { '·' } else { '!' };
        let first = wrapped(&trouble.what, INDENT, width);
        out.push_str(&format!("  {mark} {}", first.trim_start()));
        out.push_str(&wrapped(&format!("next: {}", trouble.next), INDENT, width));
    }
}

fn numbers(out: &mut String, check: &SelfCheck, width: usize) {
    let [tones, sweep] = check.sample_rates_hz;
    out.push_str(&format!(
        "\nNumbers (0 dBFS is a full-scale sine; tones at {}, sweep at {})\n",
        setting(f64::from(tones), Unit::Hertz),
        setting(f64::from(sweep), Unit::Hertz),
    ));
    let mut head = vec![String::new()];
    head.extend(check.channels.iter().map(|c| c.channel.to_string()));
    let mut rows = vec![head];
    rows.extend(path(check));
    rows.extend(levels(check));
    rows.extend(beside(check));
    columns(out, &rows, width);
    if let Some(top) = check.highest_input_dbfs.filter(|top| *top < UNREACHED_DBFS) {
        let text = format!("the outputs reach {top:.1} dBFS at the inputs; nothing above was looked at");
        out.push_str(&wrapped(&text.replace(" -", " −"), "  ", width));
    }
    if let Some(clock) = check.clock {
        out.push_str(&format!(
            "  delay {}, clock {}\n",
            setting(clock.delay_s, Unit::Seconds),
            signed(&format!("{:+.2} ppm", clock.ppm)),
        ));
    }
}

/// A name and a cell for each channel; `None` where no channel has one.
fn row(
    check: &SelfCheck,
    name: impl Into<String>,
    cell: impl Fn(&ChannelCheck) -> Option<String>,
) -> Option<Vec<String>> {
    let cells: Vec<Option<String>> = check.channels.iter().map(cell).collect();
    cells.iter().any(Option::is_some).then(|| {
        let mut line = vec![name.into()];
        line.extend(cells.into_iter().map(|c| c.unwrap_or_else(|| "–".to_owned())));
        line
    })
}

fn db(value: f64, places: usize, unit: &str) -> String {
    signed(&format!("{value:.places$} {unit}"))
}

/// "≤ " before what is only known from above.
fn bound(at_most: bool) -> &'static str {
    if at_most { "≤ " } else { "" }
}

/// Gain, polarity, noise.
fn path(check: &SelfCheck) -> Vec<Vec<String>> {
    let floor = if check.terminated {
        "inputs shorted"
    } else {
        "outputs cabled"
    };
    let polarity = |c: &ChannelCheck| Some(if c.polarity? > 0 { "as played" } else { "inverted" }.to_owned());
    let rows = [
        row(check, "gain, output to input", |c| Some(db(c.gain_db?, 2, "dB"))),
        row(check, "  expected by calibration", |c| {
            Some(db(c.expected_gain_db?, 2, "dB"))
        }),
        row(check, "polarity", polarity),
        row(check, format!("noise 20 Hz–20 kHz, {floor}"), |c| {
            Some(db(c.floor.as_ref()?.flat_dbfs, 1, "dBFS"))
        }),
        row(check, "  A-weighted", |c| {
            Some(db(c.floor.as_ref()?.a_dbfs, 1, "dBFS"))
        }),
        row(check, "  mains lines together", |c| {
            Some(db(c.floor.as_ref()?.hum_dbfs?, 1, "dBFS"))
        }),
    ];
    rows.into_iter().flatten().collect()
}

/// Distortion and steps, level by level.
fn levels(check: &SelfCheck) -> Vec<Vec<String>> {
    let distortion = longest(check, |c| c.distortion.len())
        .enumerate()
        .map(|(index, own)| {
            let level = own.distortion.get(index).map_or(0.0, |d| d.level_dbfs);
            row(check, signed(&format!("THD, 1 kHz, {level:.0} dBFS")), |c| {
                let d = c.distortion.get(index)?;
                Some(format!("{}{} %", bound(d.at_most), significant(d.thd_percent, 2)))
            })
        });
    distortion
        .flatten()
        .chain(steps_that_follow(check))
        .chain(steps_that_do_not(check))
        .collect()
}

fn follows(step: &Step) -> bool {
    step.deviation_db.is_some() && !step.is_off()
}

/// One row for all the steps that follow.
fn steps_that_follow(check: &SelfCheck) -> Option<Vec<String>> {
    let levels = check
        .channels
        .iter()
        .flat_map(|c| &c.steps)
        .filter(|s| follows(s));
    let (low, high) = levels.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), s| {
        (low.min(s.level_dbfs), high.max(s.level_dbfs))
    });
    let name = signed(&format!("steps {high:.0} to {low:.0} dBFS follow within"));
    row(check, name, |c| {
        let own = c
            .steps
            .iter()
            .filter(|s| follows(s))
            .filter_map(|s| s.deviation_db);
        let most = own.map(f64::abs).reduce(f64::max)?;
        Some(format!("{:.3} dB", most.max(0.001)))
    })
}

/// A row for each step that does not follow on some channel.
fn steps_that_do_not(check: &SelfCheck) -> impl Iterator<Item = Vec<String>> {
    longest(check, |c| c.steps.len())
        .enumerate()
        .filter(|(index, _)| {
            let of = |c: &ChannelCheck| c.steps.get(*index).is_some_and(|s| !follows(s));
            check.channels.iter().any(of)
        })
        .filter_map(|(index, own)| {
            let level = own.steps.get(index).map_or(0.0, |s| s.level_dbfs);
            row(check, signed(&format!("step to {level:.0} dBFS, off by")), |c| {
                c.steps.get(index).map(step)
            })
        })
}

/// Crosstalk, steadiness, skirts, response.
fn beside(check: &SelfCheck) -> Vec<Vec<String>> {
    let crosstalk = ["1 kHz", "10 kHz"].into_iter().enumerate().map(|(index, hz)| {
        row(check, format!("crosstalk into it, {hz}"), |c| {
            let x = c.crosstalk.get(index)?;
            Some(format!("{}{}", bound(x.at_most), db(x.db, 0, "dB")))
        })
    });
    let steady = row(check, "steady tone wanders by", |c| {
        Some(db(c.wander_db?, 3, "dB"))
    });
    let skirts = row(check, "skirts beside 10 kHz", |c| {
        let s = c.skirts?;
        Some(format!("{}{}", bound(s.at_most), db(s.db, 0, "dB")))
    });
    let response = [20.0, 20_000.0, 40_000.0, 80_000.0].into_iter().map(|hz| {
        row(check, format!("response at {}", setting(hz, Unit::Hertz)), |c| {
            let r = c.response.as_ref()?;
            let near = r.frequency_hz.iter().position(|f| (f / hz - 1.0).abs() < 0.03)?;
            Some(db(*r.db.get(near)?, 3, "dB"))
        })
    });
    crosstalk
        .chain([steady, skirts])
        .chain(response)
        .flatten()
        .collect()
}

/// The channel that has most of something, once for each of them.
fn longest(check: &SelfCheck, count: fn(&ChannelCheck) -> usize) -> impl Iterator<Item = &ChannelCheck> {
    let most = check.channels.iter().max_by_key(|c| count(c));
    most.into_iter()
        .flat_map(move |c| std::iter::repeat_n(c, count(c)))
}

fn step(step: &Step) -> String {
    match step.deviation_db {
        Some(d) => {
            let text = format!("{d:+.3} ± {:.3} dB", step.expanded_db.max(0.001));
            signed(&text.replace("-0.000", "+0.000"))
        }
        None => "not seen".to_owned(),
    }
}

fn columns(out: &mut String, rows: &[Vec<String>], width: usize) {
    let wide = |column: usize| {
        rows.iter()
            .filter_map(|r| r.get(column))
            .map(|t| t.chars().count())
            .max()
            .unwrap_or(0)
    };
    let first = wide(0);
    // A narrow terminal still shows every column; its lines then break where it likes.
    let others = (1..rows.first().map_or(0, Vec::len))
        .map(wide)
        .max()
        .unwrap_or(0)
        .min(width / 3);
    for row in rows {
        let mut line = format!("  {:<first$}", row[0]);
        for cell in &row[1..] {
            line.push_str(&format!("  {cell:>others$}"));
        }
        out.push_str(line.trim_end());
        out.push('\n');
    }
}
