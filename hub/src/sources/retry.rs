//! How long to wait before trying again: soon at first, then less and less often.

use std::time::Duration;

/// The first wait, and the longest. A crew that plugs a cable in again should see readings within seconds.
const FIRST: Duration = Duration::from_millis(250);
const LONGEST: Duration = Duration::from_secs(5);

/// Waits that double.
#[derive(Clone, Copy, Debug)]
pub struct Backoff {
    next: Duration,
}

impl Default for Backoff {
    fn default() -> Self {
        Self { next: FIRST }
    }
}

impl Backoff {
    /// The next wait.
    pub fn next_wait(&mut self) -> Duration {
        let wait = self.next;
        self.next = (wait * 2).min(LONGEST);
        wait
    }

    /// Waits.
    pub async fn wait(&mut self) {
        let wait = self.next_wait();
        tokio::time::sleep(wait).await;
    }

    /// It was really up: something was received.
    pub fn reset(&mut self) {
        self.next = FIRST;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_the_longest_and_begin_again() {
        let mut backoff = Backoff::default();
        let waits: Vec<u128> = (0..7).map(|_| backoff.next_wait().as_millis()).collect();
        assert_eq!(waits, [250, 500, 1_000, 2_000, 4_000, 5_000, 5_000]);
        backoff.reset();
        assert_eq!(backoff.next_wait(), FIRST);
    }
}
