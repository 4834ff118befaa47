//! Watches over the streams from the ordinary thread: what they report, whether they still move, and how fast.

use super::callbacks::{Event, Happening, Shared};
use super::words::{self, Side};
use crate::bench::Loss;
use crate::error::{Error, Result};
use cpal::ErrorKind;
use rtrb::Consumer;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// A stream that carries nothing for this long has failed.
const STALLED: Duration = Duration::from_secs(1);
/// Periods that a stream may be late before nobody listens to what is played, and the least time: a busy machine gives a
/// thread its turn within some ten milliseconds. Common practice, no source.
const LATE_PERIODS: u32 = 4;
const LATE: Duration = Duration::from_millis(60);
/// The most that one look counts of the time since the last: while this thread had no turn itself, the streams may have
/// had none either.
const A_LOOK: Duration = Duration::from_millis(10);
/// The same before its first samples: servers and drivers take their time.
const STARTING: Duration = Duration::from_secs(4);
/// Losses that are kept one by one.
const MOST_LOSSES: usize = 1_000;
/// Share by which a device's rate may differ from what was asked, as far as this machine's clock can tell: far beyond
/// any crystal, well inside the 8 % from one usual rate to the next.
const OFF_RATE: f64 = 0.05;

/// What the streams report.
pub(super) struct Watch<'a> {
    events: Vec<Consumer<Event>>,
    names: [&'a str; 2],
    period: Duration,
    /// Frames of output and input at the last look, and how long they have not changed.
    moved: [(u64, Duration); 2],
    looked: Instant,
    losses: Vec<Loss>,
    /// Frame and number of the frames that found no room there, until a later loss shows that these are all.
    dropped: Option<(u64, u64)>,
    more: u64,
    /// Recorded frames and the time, when the recording began.
    began: Option<(u64, Instant)>,
}

impl<'a> Watch<'a> {
    /// Watches streams with periods of at most `period`; `names` are those of output and input.
    pub(super) fn new(events: Vec<Consumer<Event>>, names: [&'a str; 2], period: Duration) -> Self {
        Self {
            events,
            names,
            period,
            moved: [(0, Duration::ZERO); 2],
            looked: Instant::now(),
            losses: Vec::new(),
            dropped: None,
            more: 0,
            began: None,
        }
    }

    /// The recording begins with the frame `first` that came from the device: what was lost before is of no account.
    pub(super) fn begin(&mut self, first: u64) {
        self.began = Some((first, Instant::now()));
    }

    /// Looks at what happened since the last time.
    ///
    /// # Errors
    /// Where a stream has failed or stands still.
    pub(super) fn look(&mut self, shared: &Shared) -> Result<()> {
        let mut failed = None;
        for index in 0..self.events.len() {
            while let Some(event) = self.events.get_mut(index).and_then(|e| e.pop().ok()) {
                failed = failed.or(self.note(event));
            }
        }
        let now = Instant::now();
        self.count(shared, now.duration_since(self.looked));
        self.looked = now;
        failed.map_or_else(|| self.still_moving(), Err)
    }

    /// The stream that is late, if one is: sound goes out that nobody hears, or what is heard is not what goes out. What it
    /// does may be lost, or come later.
    pub(super) fn late(&self) -> Option<Side> {
        let patience = (LATE_PERIODS * self.period).max(LATE);
        let late = |(_, still): &(u64, Duration)| *still > patience;
        let index = self.moved.iter().position(late)?;
        Some([Side::Output, Side::Input][index])
    }

    /// The error of a stream that has been late and is so still.
    pub(super) fn gone(&self, side: Side) -> Option<Error> {
        (self.late() == Some(side)).then(|| {
            let (_, still) = self.moved[side as usize];
            words::stalled(side, self.names[side as usize], still.as_secs_f64())
        })
    }

    /// Keeps a loss, or gives back a failure.
    fn note(&mut self, event: Event) -> Option<Error> {
        let what = match event.what {
            Happening::Dropped(frames) => {
                let (first, _) = self.began?;
                self.drop_at(event.at_frame.saturating_sub(first), frames);
                return None;
            }
            Happening::Output(e) if e.kind() == ErrorKind::Xrun => {
                "the output ran out of samples (underrun)".to_owned()
            }
            Happening::Input(e) if e.kind() == ErrorKind::Xrun => {
                "the input lost samples (overrun)".to_owned()
            }
            // The system gave the audio thread no precedence: nothing is lost yet.
            Happening::Output(e) | Happening::Input(e) if e.kind() == ErrorKind::RealtimeDenied => {
                return None;
            }
            Happening::Output(e) => return Some(words::failing(&e, Side::Output, self.names[0])),
            Happening::Input(e) => return Some(words::failing(&e, Side::Input, self.names[1])),
        };
        let (first, _) = self.began?;
        self.add(event.at_frame.saturating_sub(first), what);
        None
    }

    /// Frames that found no room, at one place after another: one loss a place.
    fn drop_at(&mut self, at_frame: u64, frames: u64) {
        let same = self.dropped.filter(|(at, _)| *at == at_frame);
        if same.is_none() {
            self.add_dropped();
        }
        self.dropped = Some((at_frame, same.map_or(0, |(_, n)| n) + frames));
    }

    fn add_dropped(&mut self) {
        if let Some((at_frame, frames)) = self.dropped.take() {
            self.add(
                at_frame,
                format!("{frames} recorded frames found no room: this machine or its disk was too slow"),
            );
        }
    }

    /// Adds a loss.
    pub(super) fn add(&mut self, at_frame: u64, what: String) {
        if self.losses.len() < MOST_LOSSES {
            self.losses.push(Loss { at_frame, what });
        } else {
            self.more += 1;
        }
    }

    /// Counts how long each stream stands still; the last look was `passed` ago.
    fn count(&mut self, shared: &Shared, passed: Duration) {
        let counted = |counter: &AtomicU64| counter.load(Ordering::Acquire);
        let frames = [
            counted(&shared.output_frames),
            counted(&shared.recorded) + counted(&shared.dropped),
        ];
        for ((last, still), frames) in self.moved.iter_mut().zip(frames) {
            if frames == *last {
                *still += passed.min(A_LOOK);
            } else {
                (*last, *still) = (frames, Duration::ZERO);
            }
        }
    }

    fn still_moving(&self) -> Result<()> {
        for (side, (last, still)) in [Side::Output, Side::Input].into_iter().zip(self.moved) {
            let patience = if last == 0 { STARTING } else { STALLED }.max(LATE_PERIODS * self.period);
            if still > patience {
                return Err(words::stalled(
                    side,
                    self.names[side as usize],
                    still.as_secs_f64(),
                ));
            }
        }
        Ok(())
    }

    /// Compares the recording's speed with this machine's clock.
    pub(super) fn check_pace(&mut self, shared: &Shared, rate: u32) {
        let Some((first, since)) = self.began else { return };
        let seconds = since.elapsed().as_secs_f64();
        let came = shared.recorded.load(Ordering::Acquire) + shared.dropped.load(Ordering::Acquire);
        #[allow(
            clippy::cast_precision_loss,
            reason = "recordings are far shorter than 2^52 frames"
        )]
        let (frames, period) = (
            came.saturating_sub(first) as f64,
            shared.input_period.load(Ordering::Relaxed) as f64,
        );
        let wanted = seconds * f64::from(rate);
        if seconds < 1.0 || (frames - wanted).abs() <= OFF_RATE * wanted + 2.0 * period {
            return;
        }
        let runs_at = frames / seconds / 1e3;
        self.add(
            0,
            format!(
                "the input delivered {runs_at:.1} thousand frames a second instead of {} thousand: samples are missing, or it runs at another rate",
                words::kilohertz(rate)
            ),
        );
    }

    /// All losses within the `frames` of the recording, in their order.
    pub(super) fn finish(mut self, shared: &Shared, frames: u64) -> Vec<Loss> {
        self.add_dropped();
        self.losses.retain(|l| l.at_frame <= frames);
        self.losses.sort_by_key(|l| l.at_frame);
        let more = self.more + shared.unreported.load(Ordering::Relaxed);
        if more > 0 {
            let at_frame = self.losses.last().map_or(0, |l| l.at_frame);
            self.losses.push(Loss {
                at_frame,
                what: format!("and {more} more"),
            });
        }
        self.losses
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rtrb::{Producer, RingBuffer};

    fn watch() -> (Watch<'static>, Producer<Event>) {
        let (to, from) = RingBuffer::new(8);
        (Watch::new(vec![from], ["out", "in"], Duration::ZERO), to)
    }

    fn xrun() -> Happening {
        Happening::Output(cpal::Error::new(ErrorKind::Xrun))
    }

    #[test]
    fn losses_are_counted_from_the_beginning_of_the_recording() {
        let (mut watch, mut ring) = watch();
        let shared = Shared::default();
        let mut tell = |at_frame, what| ring.push(Event { at_frame, what }).unwrap();
        tell(5, xrun());
        tell(6, Happening::Dropped(3));
        watch.look(&shared).unwrap();
        watch.begin(100);
        let mut tell = |at_frame, what| ring.push(Event { at_frame, what }).unwrap();
        tell(110, Happening::Dropped(3));
        tell(110, Happening::Dropped(4));
        tell(130, xrun());
        tell(150, Happening::Dropped(9));
        // After the recording's last frame.
        tell(500, xrun());
        watch.look(&shared).unwrap();
        let losses = watch.finish(&shared, 60);
        let at: Vec<u64> = losses.iter().map(|l| l.at_frame).collect();
        assert_eq!(at, [10, 30, 50]);
        assert!(losses[0].what.starts_with("7 recorded frames"), "{losses:?}");
        assert!(losses[1].what.contains("underrun"));
    }

    /// At 48 kHz four periods of 1024 frames last 85 ms, four of 64 frames only 5 ms.
    #[test]
    fn an_input_that_stops_is_late_after_four_periods_and_no_sooner_than_a_thread_may_wait() {
        let ms = Duration::from_millis;
        for (frames, least, most) in [(1_024u32, 85, 100), (64, 60, 75)] {
            let (mut watch, _ring) = watch();
            watch.period = Duration::from_secs_f64(f64::from(frames) / 48e3);
            let shared = Shared::default();
            let runs = |watch: &mut Watch<'_>, input: bool| {
                shared.output_frames.fetch_add(1, Ordering::Release);
                shared.recorded.fetch_add(u64::from(input), Ordering::Release);
                watch.count(&shared, ms(5));
            };
            for _ in 0..200 {
                runs(&mut watch, true);
                assert_eq!(watch.late(), None);
            }
            // A second in which this thread had no turn says nothing of the streams.
            watch.count(&shared, ms(1_000));
            assert_eq!(watch.late(), None);
            runs(&mut watch, true);
            let looks = (1u64..).find(|_| {
                runs(&mut watch, false);
                watch.late().is_some()
            });
            let after = 5 * looks.unwrap();
            assert!((least..=most).contains(&after), "{after} ms at {frames} frames");
            assert_eq!(watch.late(), Some(Side::Input));
            assert!(watch.gone(Side::Input).is_some() && watch.gone(Side::Output).is_none());
            runs(&mut watch, true);
            assert_eq!(watch.late(), None);
        }
    }

    #[test]
    fn a_device_that_goes_is_an_error_and_a_denied_precedence_is_not() {
        let (mut watch, mut ring) = watch();
        let shared = Shared::default();
        let mut tell = |kind| {
            let what = Happening::Input(cpal::Error::new(kind));
            ring.push(Event { at_frame: 0, what }).unwrap();
        };
        tell(ErrorKind::RealtimeDenied);
        watch.look(&shared).unwrap();
        tell(ErrorKind::DeviceNotAvailable);
        let error = watch.look(&shared).unwrap_err();
        assert_eq!(error.place(), Some("in"));
        assert!(error.to_string().contains("unplugged"), "{error}");
    }
}
