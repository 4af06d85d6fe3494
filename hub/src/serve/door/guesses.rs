//! Wrong codes: growing waits for the address that they come from, a budget for all addresses together, and what the chief is
//! told. Phones that join by their token are never held up by any of it.

use std::{
    collections::{HashMap, HashSet, VecDeque},
    net::{IpAddr, Ipv6Addr},
    sync::{Mutex, MutexGuard, PoisonError},
    time::{Duration, Instant},
};

/// Wait after the first wrong code from an address; it doubles with each further one. A finger slip costs a blink.
pub const FIRST_WAIT: Duration = Duration::from_millis(250);
/// Longest wait.
const LONGEST_WAIT: Duration = Duration::from_secs(60);
/// Addresses remembered; beyond it, those whose wait is over are forgotten.
const ADDRESSES: usize = 4096;
/// Wrong codes over all addresses at once, and how long until there is one more. Whoever has many addresses gets 17,280 a day:
/// of a random crew code's 6.6e11 that is nothing.
const BUDGET: f64 = 60.0;
const ONE_MORE: Duration = Duration::from_secs(5);
/// The chief is told from so many wrong codes in that time.
const TELL_FROM: usize = 10;
const TELL_OVER: Duration = Duration::from_secs(60);
/// Wrong codes that are counted over that time, at most.
const COUNTED: usize = 10_000;

/// The wrong codes of late.
#[derive(Debug, Default)]
pub struct Guesses(Mutex<Inner>);

#[derive(Debug, Default)]
struct Inner {
    /// Wrong codes of each address, and until when it waits.
    wrong: HashMap<IpAddr, (u32, Instant)>,
    /// Addresses from which a right code came.
    trusted: HashSet<IpAddr>,
    /// What has been spent of the budget, as of then.
    spent: f64,
    at: Option<Instant>,
    recent: VecDeque<(Instant, IpAddr)>,
}

/// What counts as one address: whoever has one IPv6 address has the whole /64, and an IPv4 one may come dressed as IPv6.
pub fn place(ip: IpAddr) -> IpAddr {
    match ip.to_canonical() {
        IpAddr::V6(v6) => IpAddr::V6(Ipv6Addr::from_bits(v6.to_bits() & !u128::from(u64::MAX))),
        v4 => v4,
    }
}

impl Guesses {
    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// How long that address must wait before a code of it is looked at; a right code waits too, or guessing would cost nothing.
    pub fn wait(&self, from: IpAddr, now: Instant) -> Option<Duration> {
        let from = place(from);
        let mut inner = self.lock();
        if let Some((_, until)) = inner.wrong.get(&from)
            && *until > now
        {
            return Some(*until - now);
        }
        // An address whose people have come in before has its own waits only, so that strangers cannot hold it up.
        let over = inner.over(now);
        (over > 0.0 && !inner.trusted.contains(&from)).then(|| ONE_MORE.mul_f64(over))
    }

    /// A wrong code; returns how long that address now waits.
    pub fn wrong(&self, from: IpAddr, now: Instant) -> Duration {
        let from = place(from);
        let mut inner = self.lock();
        if inner.wrong.len() >= ADDRESSES {
            inner.wrong.retain(|_, (_, until)| *until > now);
        }
        let count = inner.wrong.get(&from).map_or(0, |(count, _)| *count);
        let wait = FIRST_WAIT
            .saturating_mul(1 << count.min(20))
            .min(LONGEST_WAIT);
        // A flood from more addresses than are remembered is held by the budget.
        if inner.wrong.len() < ADDRESSES || count > 0 {
            inner.wrong.insert(from, (count + 1, now + wait));
        }
        inner.over(now);
        inner.spent += 1.0;
        if inner.recent.len() == COUNTED {
            inner.recent.pop_front();
        }
        inner.recent.push_back((now, from));
        wait
    }

    /// A right code. It halves the count rather than ending it: others behind the same router may be guessing.
    pub fn right(&self, from: IpAddr) {
        let from = place(from);
        let mut inner = self.lock();
        if let Some((count, _)) = inner.wrong.get_mut(&from) {
            *count /= 2;
            if *count == 0 {
                inner.wrong.remove(&from);
            }
        }
        if inner.trusted.len() < ADDRESSES {
            inner.trusted.insert(from);
        }
    }

    /// Wrong codes over the last minute and from how many addresses, where the chief should know.
    pub fn to_tell(&self, now: Instant) -> Option<(u32, u32)> {
        let mut inner = self.lock();
        while inner
            .recent
            .front()
            .is_some_and(|(at, _)| now.duration_since(*at) > TELL_OVER)
        {
            inner.recent.pop_front();
        }
        let count = inner.recent.len();
        if count < TELL_FROM {
            return None;
        }
        let places: HashSet<IpAddr> = inner.recent.iter().map(|(_, from)| *from).collect();
        Some((count as u32, places.len() as u32))
    }
}

impl Inner {
    /// How much more has been spent than there was, after what has come back since.
    fn over(&mut self, now: Instant) -> f64 {
        if let Some(at) = self.at.replace(now) {
            let back = now.saturating_duration_since(at).as_secs_f64() / ONE_MORE.as_secs_f64();
            self.spent = (self.spent - back).max(0.0);
        }
        self.spent - (BUDGET - 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn address(n: u32) -> IpAddr {
        IpAddr::from((0x0a00_0000 + n).to_be_bytes())
    }

    #[test]
    fn a_network_of_version_six_is_one_address_and_a_dressed_up_four_is_itself() {
        let ip = |text: &str| place(text.parse().unwrap());
        assert_eq!(ip("2001:db8:1:2:3::4"), ip("2001:db8:1:2:ffff::1"));
        assert_ne!(ip("2001:db8:1:2::1"), ip("2001:db8:1:3::1"));
        assert_eq!(ip("::ffff:192.0.2.7"), ip("192.0.2.7"));
        assert_ne!(ip("192.0.2.7"), ip("192.0.2.8"));
    }

    #[test]
    fn many_addresses_share_one_budget_and_those_who_came_in_before_do_not() {
        let (guesses, now) = (Guesses::default(), Instant::now());
        guesses.right(address(1));
        for n in 0..60 {
            assert_eq!(guesses.wait(address(100 + n), now), None, "{n}");
            guesses.wrong(address(100 + n), now);
        }
        let wait = guesses.wait(address(999), now).unwrap();
        assert!(wait <= ONE_MORE, "{wait:?}");
        assert_eq!(guesses.wait(address(1), now), None);
        assert_eq!(guesses.wait(address(999), now + ONE_MORE), None);
        assert_eq!(guesses.to_tell(now), Some((60, 60)));
        assert_eq!(guesses.to_tell(now + Duration::from_secs(61)), None);
    }

    #[test]
    fn a_right_code_beside_a_guesser_does_not_set_it_free() {
        let (guesses, start) = (Guesses::default(), Instant::now());
        let mut now = start;
        for _ in 0..10 {
            now += guesses.wrong(address(1), now);
        }
        guesses.right(address(1));
        assert!(guesses.wrong(address(1), now) >= Duration::from_secs(8));
    }
}
