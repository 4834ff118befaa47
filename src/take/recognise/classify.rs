//! From the lines of a channel to what it carries. The rule is told in the module above; here are its numbers.

use super::steady::Steadiness;
use super::view::{Seen, View};
use super::{Heard, Wanted};
use crate::quantity::Dbfs;
use crate::signal::stimulus::Signal;

/// Clocks of playback and capture differ by no more than this (±200 ppm, and some for the search).
pub(super) const CLOCK: f64 = 3e-4;

/// Lines within this power ratio of the strongest count: 20 dB.
const COUNTS: f64 = 0.01;

/// Steadiness of a tone: power within 2 dB, frequency within 500 ppm.
const SAME_LEVEL: f64 = 1.584_893;
const SAME_PITCH: f64 = 5e-4;

/// Pure lines at a low multiple of the mains are test tones from here on, dBFS.
const ABOVE_HUM_DBFS: f64 = -40.0;

/// Without a tone: below this level it is silence whatever else, dBFS.
const SILENT_DBFS: f64 = -60.0;

/// Without a tone: from this level on it is noise or unknown, dBFS.
const NOISE_DBFS: f64 = -40.0;

/// Steadiness of noise over groups of some 0.1 s: 4 dB between the percentiles (pink noise has up to 3).
const STEADY_NOISE: f64 = 2.5;

/// What a channel carries, by itself.
pub(super) fn by_itself(view: &View, level: &Steadiness, rate: f64) -> Heard {
    let lines = Lines::of(view, rate);
    match lines.signal() {
        Found::Tones(heard) => {
            // A line that is the lesser part must stand in something that is silence or noise without it.
            let strongest = lines.test.first().map_or(0.0, |l| l.power);
            let lesser = strongest < 0.25 * (view.total - lines.hum);
            if lesser && without_tone(view, &lines, level, rate) == Heard::Unknown {
                Heard::Unknown
            } else {
                heard
            }
        }
        Found::Material => Heard::Unknown,
        Found::NoLine => without_tone(view, &lines, level, rate),
    }
}

/// What a channel carries if it is what was played on it; `None` where that is not seen.
pub(super) fn as_played(view: &View, signal: &Signal) -> Option<Heard> {
    let found = |hz: f64| -> Option<f64> {
        let tolerance = CLOCK * hz + 2.0 * view.bin_hz;
        match view.near(hz, tolerance) {
            Some(line) => Some(line.hz),
            None => view.stands_out(hz).then_some(hz),
        }
    };
    match signal {
        Signal::Tone { frequency_hz, .. } => found(*frequency_hz).map(|hz| Heard::Tone { hz }),
        Signal::Tones { tones } if tones.len() == 2 => {
            let (mut a, mut b) = (tones[0], tones[1]);
            if b.level_dbfs > a.level_dbfs {
                std::mem::swap(&mut a, &mut b);
            }
            Some(Heard::TwoTone {
                hz: [found(a.frequency_hz)?, found(b.frequency_hz)?],
            })
        }
        Signal::Sweep { .. } => Some(Heard::Sweep),
        Signal::Noise { .. } => Some(Heard::Noise),
        Signal::Silence | Signal::Tones { .. } | Signal::Burst { .. } => None,
    }
}

/// What a channel carries if the user says so; unknown where the lines for it are missing.
pub(super) fn as_wanted(view: &View, wanted: Wanted, rate: f64) -> Heard {
    let lines = Lines::of(view, rate);
    let enough = if wanted == Wanted::TwoTone { 2 } else { 1 };
    // Where the user says so, a line of the mains may be the tone.
    let candidates = if lines.test.len() < enough {
        &view.lines
    } else {
        &lines.test
    };
    match (wanted, candidates.first()) {
        (Wanted::Silence, _) => Heard::Silence,
        (Wanted::Noise, _) => Heard::Noise,
        (Wanted::Sweep, _) => Heard::Sweep,
        (Wanted::Tone, Some(first)) => Heard::Tone {
            hz: lines.fundamental(first).hz,
        },
        (Wanted::TwoTone, Some(first)) => candidates[1..]
            .iter()
            .find(|l| !lines.harmonic(first.hz, l.hz))
            .or(candidates.get(1))
            .map_or(Heard::Unknown, |second| Heard::TwoTone {
                hz: [first.hz, second.hz],
            }),
        (Wanted::Tone | Wanted::TwoTone, None) => Heard::Unknown,
    }
}

/// What the lines are.
enum Found {
    Tones(Heard),
    Material,
    NoLine,
}

/// A channel's lines with those of the mains set apart.
struct Lines<'a> {
    view: &'a View,
    /// Lines that may be a test signal's, the strongest first.
    test: Vec<Seen>,
    /// Power of the mains' lines.
    hum: f64,
    rate: f64,
}

impl<'a> Lines<'a> {
    fn of(view: &'a View, rate: f64) -> Self {
        let mains = mains(view);
        let is_hum = |l: &Seen| mains.is_some_and(|m| belongs_to_hum(view, l, m));
        let (hum, test): (Vec<Seen>, Vec<Seen>) = view.lines.iter().partition(|l| is_hum(l));
        Self {
            view,
            test,
            hum: hum.iter().map(|l| l.power).sum(),
            rate,
        }
    }

    fn signal(&self) -> Found {
        let Some(strongest) = self.test.first() else {
            return Found::NoLine;
        };
        let first = self.fundamental(strongest);
        let counts = |l: &&Seen| l.power > COUNTS * strongest.power;
        let own =
            |l: &Seen| (self.harmonic(first.hz, l.hz) && !self.lone(&first, l)) || self.folded(&first, l);
        let mut others = self.test.iter().filter(counts).filter(|l| !own(l));
        let second = others.next();
        if let Some(second) = second {
            // Two tones: the first is the strongest itself, not a line of which it happens to be a multiple.
            let (a, b) = (strongest.hz, second.hz);
            let strange = others.any(|l| !self.harmonic(b, l.hz) && !self.product(a, b, l.hz));
            if strange || first.hz < 0.999 * a || !self.steady(strongest) || !self.steady(second) {
                return self.not_steady(strongest);
            }
            return Found::Tones(Heard::TwoTone { hz: [a, b] });
        }
        if self.steady(&first) && self.steady(strongest) {
            Found::Tones(Heard::Tone { hz: first.hz })
        } else {
            self.not_steady(strongest)
        }
    }

    /// Lines that come and go are material where they make up the signal, and nothing much where they do not.
    fn not_steady(&self, strongest: &Seen) -> Found {
        let rest = self.view.total - self.hum;
        if strongest.power > 0.05 * rest {
            Found::Material
        } else {
            Found::NoLine
        }
    }

    /// The lowest line of which `strongest` is a harmonic up to the ninth, if it is within 20 dB.
    fn fundamental(&self, strongest: &Seen) -> Seen {
        (2..=9)
            .rev()
            .filter_map(|k| {
                let hz = strongest.hz / f64::from(k);
                self.test.iter().find(|l| (l.hz - hz).abs() < self.tolerance(hz))
            })
            .find(|l| l.power > COUNTS * strongest.power)
            .copied()
            .unwrap_or(*strongest)
    }

    fn tolerance(&self, hz: f64) -> f64 {
        1.5 * self.view.bin_hz + 1e-4 * hz
    }

    /// Whether `hz` is a multiple of `f0`.
    fn harmonic(&self, f0: f64, hz: f64) -> bool {
        let order = (hz / f0).round();
        order >= 1.0 && (hz - order * f0).abs() < self.tolerance(hz)
    }

    /// Whether a line is a harmonic of `first` folded at the Nyquist frequency, as a square wave or sawtooth computed without
    /// band limiting has them: no stronger than 2/k of the fundamental's amplitude.
    fn folded(&self, first: &Seen, line: &Seen) -> bool {
        (2..=25).any(|k| {
            let f = f64::from(k) * first.hz;
            let folded = (f - (f / self.rate).round() * self.rate).abs();
            f > self.rate / 2.0
                && (folded - line.hz).abs() < self.tolerance(f)
                && line.power * f64::from(k * k) < 4.0 * first.power
        })
    }

    /// Whether a line at a high multiple of `first` stands far above all harmonics below it, as the upper of two tones
    /// does whose ratio happens to be whole (250 Hz and 8 kHz).
    fn lone(&self, first: &Seen, line: &Seen) -> bool {
        let below = |l: &&Seen| l.hz > 1.5 * first.hz && l.hz < line.hz - 0.5 * first.hz;
        line.hz > 9.5 * first.hz && !self.test.iter().filter(below).any(|l| l.power > 0.1 * line.power)
    }

    /// Whether `hz` is an intermodulation product of `a` and `b` up to the fifth order.
    fn product(&self, a: f64, b: f64, hz: f64) -> bool {
        (-5i32..=5).any(|m| {
            (-5i32..=5).any(|n| {
                let order = m.abs() + n.abs();
                let f = (f64::from(m) * a + f64::from(n) * b).abs();
                (1..=5).contains(&order) && (f - hz).abs() < self.tolerance(f)
            })
        })
    }

    fn steady(&self, line: &Seen) -> bool {
        let (level, hz) = line.spread;
        // A line near the noise moves with it.
        let weak = line.power < 0.1 * self.view.total;
        let level_limit = if weak { 4.0 * SAME_LEVEL } else { SAME_LEVEL };
        let pitch = (SAME_PITCH * line.hz).max(if weak { 1.5 } else { 0.3 } * self.view.bin_hz);
        level < level_limit && hz < pitch
    }
}

/// Frequency of the mains whose multiples carry more: 50 or 60 Hz, as the strongest of the first lines says exactly.
fn mains(view: &View) -> Option<f64> {
    [50.0, 60.0]
        .into_iter()
        .filter_map(|nominal| {
            let comb = |l: &&Seen| {
                let order = (l.hz / nominal).round();
                (1.0..=10.0).contains(&order) && (l.hz / order - nominal).abs() < 0.01 * nominal + view.bin_hz
            };
            let strongest = view.lines.iter().find(comb)?;
            let exact = strongest.hz / (strongest.hz / nominal).round();
            let power: f64 = view.lines.iter().filter(comb).map(|l| l.power).sum();
            Some((power, exact))
        })
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, exact)| exact)
}

/// Whether a line is the mains' rather than a test signal's.
fn belongs_to_hum(view: &View, line: &Seen, mains: f64) -> bool {
    let loud = Dbfs::from_rms(line.power.sqrt()).0 > ABOVE_HUM_DBFS;
    if view.bin_hz > 0.2 * mains {
        // Too short to tell the lines of a comb apart.
        return !loud && line.hz < 2.5 * mains;
    }
    let order = (line.hz / mains).round();
    // The mains wanders by 20 mHz, k times as much at its k-th line.
    let tolerance = |k: f64| 1.5 * view.bin_hz + 0.001 * mains * k;
    if !(1.0..=40.0).contains(&order) || (line.hz - order * mains).abs() > tolerance(order) {
        return false;
    }
    let at = |k: f64| view.near(k * mains, tolerance(k)).map_or(0.0, |l| l.power);
    if order > 6.0 {
        let beside = [-2.0, -1.0, 1.0, 2.0]
            .map(|d| at(order + d))
            .into_iter()
            .fold(0.0, f64::max);
        return line.power < 10.0 * beside;
    }
    // Lines of the comb that are not this line's own harmonics.
    let siblings = (1..=12)
        .map(f64::from)
        .filter(|k| (k / order).fract().abs() > 1e-9)
        .map(at)
        .fold(0.0, f64::max);
    let alone = line.power > 100.0 * siblings;
    !(alone && (loud || order > 3.0))
}

/// Silence, noise or something else.
fn without_tone(view: &View, lines: &Lines<'_>, level: &Steadiness, rate: f64) -> Heard {
    let rest = (view.total - lines.hum).max(0.0);
    let dbfs = Dbfs::from_rms(rest.sqrt()).0;
    let steady = level.spread < STEADY_NOISE;
    if dbfs < SILENT_DBFS || (steady && dbfs < NOISE_DBFS) {
        Heard::Silence
    } else if steady && dbfs >= NOISE_DBFS && straight(&view.octaves(rate)) {
        Heard::Noise
    } else {
        Heard::Unknown
    }
}

/// Whether octave levels lie on a line between +1.5 and −4.5 dB an octave, within 3 dB: white, pink and what a
/// tone control makes of them.
fn straight(octaves: &[f64]) -> bool {
    let n = octaves.len() as f64;
    if n < 3.0 {
        return true;
    }
    let middle = (n - 1.0) / 2.0;
    let mean = octaves.iter().sum::<f64>() / n;
    let (mut product, mut square) = (0.0, 0.0);
    for (i, v) in octaves.iter().enumerate() {
        let t = i as f64 - middle;
        product += t * (v - mean);
        square += t * t;
    }
    let slope = product / square;
    let off = |(i, v): (usize, &f64)| (v - mean - slope * (i as f64 - middle)).abs();
    (-4.5..=1.5).contains(&slope) && octaves.iter().enumerate().map(off).fold(0.0, f64::max) < 3.0
}
