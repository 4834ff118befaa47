//! `asleft rig check`: the self-check of a bare bench.

use crate::atomic;
use crate::bench::simulated::{SimulatedBench, bench_interface, demo_rig};
use crate::cli::operator::Terminal;
use crate::cli::session::open_live;
use crate::cli::{CommandResult, Ending, Streams, style};
use crate::error::{Error, Kind, Result};
use crate::procedure::operator::Unattended;
use crate::procedure::plan::{SAMPLE_RATE_HZ, WIDE_RATE_HZ};
use crate::procedure::self_check::{self, Purpose, Request, SelfCheck, loopback};
use crate::report::self_check as shown;
use crate::rig::file;
use std::io::BufRead;
use std::path::{Path, PathBuf};

/// Arguments of `rig check`.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  asleft rig check --simulated\n  asleft rig check bench.rig.toml\n  \
                  asleft rig check bench.rig.toml --for noise --save\n\n\
                  Exit codes: 0 fit for everything asked; 1 not fit for something; 2 it could not be done."
)]
pub(super) struct Args {
    /// The rig file; with --simulated it may be left out.
    #[arg(required_unless_present = "simulated")]
    file: Option<PathBuf>,
    /// Check only for this (may be repeated); without it, for everything.
    #[arg(long = "for", value_name = "PURPOSE", value_enum)]
    purposes: Vec<PurposeArg>,
    /// Sample rate of the sweep, and the most of the tones, Hz; without it the highest that the interface offers, 192000
    /// at most.
    #[arg(long, value_name = "HZ", value_parser = clap::value_parser!(u32).range(44_100..=384_000))]
    rate: Option<u32>,
    /// Write the result into the rig file, as the floor of every later plot.
    #[arg(long, conflicts_with = "simulated")]
    save: bool,
    /// On the simulated interface: nothing is played.
    #[arg(long)]
    simulated: bool,
    /// One JSON document.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Clone, Copy, clap::ValueEnum)]
enum PurposeArg {
    Power,
    Distortion,
    Noise,
    Response,
    Separation,
}

impl From<PurposeArg> for Purpose {
    fn from(arg: PurposeArg) -> Self {
        match arg {
            PurposeArg::Power => Self::Power,
            PurposeArg::Distortion => Self::Distortion,
            PurposeArg::Noise => Self::Noise,
            PurposeArg::Response => Self::Response,
            PurposeArg::Separation => Self::Separation,
        }
    }
}

/// Runs the command.
///
/// # Errors
/// Where the rig file cannot be read, the interface cannot be opened, or the check is stopped.
pub(super) fn run(args: &Args, io: &mut Streams<'_>, input: &mut dyn BufRead) -> CommandResult {
    let rig = match &args.file {
        Some(path) => file::read(path)?,
        None => demo_rig(),
    };
    let asked: Vec<Purpose> = if args.purposes.is_empty() {
        Purpose::ALL.to_vec()
    } else {
        args.purposes.iter().map(|p| Purpose::from(*p)).collect()
    };
    let check = if args.simulated {
        let rate = args.rate.unwrap_or(WIDE_RATE_HZ);
        let request = Request::at(rate.min(SAMPLE_RATE_HZ), rate);
        let mut bench = SimulatedBench::loopback(bench_interface(), 1);
        // Nothing can be connected wrongly here.
        let mut nobody = Unattended::yes_to(&["loopback-bare", "loopback-cabled"]);
        self_check::run(&mut bench, &rig, &request, &mut nobody)?
    } else {
        let mut bench = open_live(&rig)?;
        let request = request(&bench.rates_hz(), args.rate)?;
        let mut operator = Terminal::new(input, io.err, io.interactive)?;
        self_check::run(&mut bench, &rig, &request, &mut operator)?
    };
    let text = if args.json {
        shown::json(&check, &asked)?
    } else {
        shown::text(&check, style(false))
    };
    io.out
        .write_all(text.as_bytes())
        .map_err(|e| crate::cli::output_error(&e))?;
    if let (true, Some(path)) = (args.save, &args.file) {
        save(path, &check)?;
        let said = format!("the floor was written into {}\n", path.display());
        io.err
            .write_all(said.as_bytes())
            .map_err(|e| Error::io("print", Path::new("standard error"), &e))?;
    }
    Ok(if check.is_fit_for(&asked) {
        Ending::Done
    } else {
        Ending::Doubtful
    })
}

/// What is played on an interface that runs at the rates `offered`: at `asked`, or at the best of them.
fn request(offered: &[u32], asked: Option<u32>) -> Result<Request> {
    Request::within(offered, asked.unwrap_or(WIDE_RATE_HZ))
        .filter(|r| asked.is_none_or(|rate| rate == r.sweep_rate_hz))
        .ok_or_else(|| {
            let rates: Vec<String> = offered.iter().map(u32::to_string).collect();
            Error::new(
                Kind::Unavailable,
                format!(
                    "the interface does not play and record at this rate; at both it offers {} Hz",
                    rates.join(", ")
                ),
            )
            .at("--rate")
            .next("leave out --rate, or choose another interface of those that `asleft interfaces` lists")
        })
}

/// Writes the floor into the rig file; the rest of it stays as it is.
fn save(path: &Path, check: &SelfCheck) -> Result<()> {
    let text = std::fs::read_to_string(path).map_err(|e| Error::io("read the rig file", path, &e))?;
    let today = crate::cli::measure::now().date().to_string();
    let entries = loopback::entries(check, &today)?;
    let text = loopback::with_entries(&text, &path.display().to_string(), &entries)?;
    atomic::replace(path, text.as_bytes())
}
