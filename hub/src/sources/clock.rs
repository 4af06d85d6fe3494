//! Keeps a source's own time from going back, and knows a clock that has started again from a row out of order.

/// So many times in a row that go forward among themselves, all before the latest, mean that the clock started again.
const STARTED_AGAIN: u32 = 5;
/// Times beyond this, in seconds, are no times: 1e11 s is past the year 5000 as seconds since 1970.
pub const FARTHEST_S: f64 = 1e11;

/// A source's own time.
#[derive(Clone, Debug, Default)]
pub struct SourceClock {
    /// Added to what the source says, since its clock last started again.
    offset: f64,
    /// The latest time taken, offset included.
    last: Option<f64>,
    /// The latest of the refused times in a row, as the source says it, and how many there were.
    back: Option<(f64, u32)>,
}

/// What a time is worth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Tick {
    /// It goes on, or is the same; this is the time to pass on.
    On(f64),
    /// It goes back by so many seconds; what came with it is to be refused and counted.
    Back(f64),
    /// It goes back, but so did several before it: the source's clock has started again, and goes on from where it was.
    Again(f64),
}

impl SourceClock {
    /// A clock whose first time `said` stands for `start`.
    pub fn starting(said: f64, start: f64) -> Self {
        Self {
            offset: start - said,
            ..Self::default()
        }
    }

    /// Takes the next time that the source says, in seconds.
    pub fn take(&mut self, said: f64) -> Tick {
        let time = said + self.offset;
        let Some(last) = self.last.filter(|last| time < *last) else {
            self.back = None;
            self.last = Some(time);
            return Tick::On(time);
        };
        let run = match self.back {
            Some((before, run)) if said >= before => run + 1,
            _ => 1,
        };
        if run < STARTED_AGAIN {
            self.back = Some((said, run));
            return Tick::Back(last - time);
        }
        self.offset = last - said;
        self.back = None;
        Tick::Again(last)
    }

    /// From the next time on, the source's clock starts anew (another client, the same file again): its first time is
    /// taken as so many seconds after the latest.
    pub fn start_again(&mut self, first_said: f64, after_s: f64) {
        self.back = None;
        if let Some(last) = self.last {
            self.offset = last + after_s - first_said;
        }
    }

    /// The latest time taken.
    pub fn last(&self) -> Option<f64> {
        self.last
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_times_are_taken_and_a_row_out_of_order_is_refused() {
        let mut clock = SourceClock::default();
        assert_eq!(clock.take(10.0), Tick::On(10.0));
        assert_eq!(clock.take(10.0), Tick::On(10.0));
        assert_eq!(clock.take(9.5), Tick::Back(0.5));
        assert_eq!(clock.take(11.0), Tick::On(11.0));
        assert_eq!(clock.last(), Some(11.0));
    }

    #[test]
    fn a_clock_that_started_again_is_followed() {
        let mut clock = SourceClock::default();
        clock.take(500.0);
        let mut refused = 0;
        let mut taken = Vec::new();
        for n in 0..10 {
            match clock.take(f64::from(n)) {
                Tick::Back(_) => refused += 1,
                Tick::Again(t) | Tick::On(t) => taken.push(t),
            }
        }
        assert_eq!(refused, 4);
        assert_eq!(taken, [500.0, 501.0, 502.0, 503.0, 504.0, 505.0]);
    }

    #[test]
    fn times_that_only_fall_are_never_taken_for_a_start() {
        let mut clock = SourceClock::default();
        clock.take(100.0);
        assert!((0..50).all(|n| matches!(clock.take(99.0 - f64::from(n)), Tick::Back(_))));
    }

    proptest::proptest! {
        #[test]
        fn what_is_passed_on_never_goes_back(times in proptest::collection::vec(-1e6..1e6f64, 0..200)) {
            let mut clock = SourceClock::default();
            let mut last = f64::NEG_INFINITY;
            for said in times {
                if let Tick::On(t) | Tick::Again(t) = clock.take(said) {
                    assert!(t >= last);
                    last = t;
                }
            }
        }
    }
}
