//! A phone's clock that never goes back, made from one that may. No I/O: the owner reads the wall clock. The app and the phones of
//! the simulated pit run it.

/// Milliseconds that go on through a phone's sleep, as the wall clock does, but do not go back when somebody sets it.
#[derive(Clone, Copy, Debug, Default)]
pub struct SteadyClock {
    last: f64,
    added: f64,
}

impl SteadyClock {
    /// The steady time for that wall-clock time, both in milliseconds.
    pub fn at(&mut self, wall: f64) -> f64 {
        let steady = wall + self.added;
        if steady < self.last {
            self.added += self.last - steady;
            return self.last;
        }
        self.last = steady;
        steady
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_set_back_does_not_stop_time() {
        let mut clock = SteadyClock::default();
        assert_eq!(clock.at(10_000.0), 10_000.0);
        assert_eq!(clock.at(4_000.0), 10_000.0);
        assert_eq!(clock.at(4_500.0), 10_500.0);
        assert_eq!(clock.at(20_000.0), 26_000.0);
    }
}
