//! Who may come in: the two codes, and growing delays for whoever guesses.

use spinover_protocol::event::Right;
use std::{
    collections::HashMap,
    net::IpAddr,
    sync::Mutex,
    time::{Duration, Instant},
};
use subtle::ConstantTimeEq;

/// Wait after the first wrong code from an address; it doubles with each further one. A finger slip costs a blink.
const FIRST_WAIT: Duration = Duration::from_millis(250);
/// Longest wait.
const LONGEST_WAIT: Duration = Duration::from_secs(60);
/// Addresses remembered; beyond it, those whose wait is over are forgotten.
const ADDRESSES: usize = 4096;

/// The codes, as hashes, and the wrong tries by address.
pub struct Codes {
    crew: blake3::Hash,
    chief: blake3::Hash,
    wrong: Mutex<HashMap<IpAddr, (u32, Instant)>>,
}

/// Why a code was not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Denied {
    /// It is wrong; the next try is looked at after the wait.
    Wrong(Duration),
    /// Not looked at: too early after a wrong one.
    Wait(Duration),
}

impl Codes {
    /// From the codes themselves, which are not kept.
    pub fn new(crew: &str, chief: &str) -> Self {
        Self {
            crew: hash(crew),
            chief: hash(chief),
            wrong: Mutex::default(),
        }
    }

    /// What a code allows.
    ///
    /// # Errors
    /// When it is wrong, or when that address must wait; a right code must wait too, or guessing would cost nothing.
    pub fn check(&self, code: &str, from: IpAddr, now: Instant) -> Result<Right, Denied> {
        let mut wrong = self
            .wrong
            .lock()
            .unwrap_or_else(|poisoned| poisoned.into_inner());
        if let Some((_, until)) = wrong.get(&from)
            && *until > now
        {
            return Err(Denied::Wait(*until - now));
        }
        // Both are compared, whichever matches, so that the time taken tells nothing.
        let given = hash(code);
        let crew = bool::from(given.as_bytes().ct_eq(self.crew.as_bytes()));
        let chief = bool::from(given.as_bytes().ct_eq(self.chief.as_bytes()));
        let right = match (chief, crew) {
            (true, _) => Right::Chief,
            (_, true) => Right::Crew,
            _ => {
                if wrong.len() >= ADDRESSES {
                    wrong.retain(|_, (_, until)| *until > now);
                }
                let count = wrong.get(&from).map_or(0, |(count, _)| *count);
                let wait = FIRST_WAIT
                    .saturating_mul(1 << count.min(20))
                    .min(LONGEST_WAIT);
                wrong.insert(from, (count + 1, now + wait));
                return Err(Denied::Wrong(wait));
            }
        };
        wrong.remove(&from);
        Ok(right)
    }
}

/// Case and blanks do not matter: codes are read aloud and typed with gloves.
fn hash(code: &str) -> blake3::Hash {
    let plain: String = code
        .chars()
        .filter(|c| c.is_alphanumeric())
        .flat_map(char::to_lowercase)
        .collect();
    blake3::hash(plain.as_bytes())
}

/// Whether two codes are taken for one another.
pub fn same(one: &str, other: &str) -> bool {
    hash(one) == hash(other)
}

/// A random code of so many groups of four: letters and digits that cannot be taken for one another, about 4.9 bits each.
///
/// # Errors
/// When the system has no random numbers.
pub fn random(groups: usize) -> Result<String, getrandom::Error> {
    const LETTERS: &[u8; 30] = b"23456789abcdefghjkmnpqrstvwxyz";
    let mut code = String::new();
    while code.len() < groups * 5 - 1 {
        let byte = getrandom::u32()? >> 24;
        // 240 is the last multiple of 30 under 256: every letter is as likely.
        if byte < 240 {
            code.push(LETTERS[byte as usize % LETTERS.len()] as char);
            if code.len() % 5 == 4 && code.len() < groups * 5 - 1 {
                code.push('-');
            }
        }
    }
    Ok(code)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_and_a_right_code_ends_them() {
        let codes = Codes::new("crew-code", "Chief Code");
        let (from, start) = (IpAddr::from([10, 0, 0, 7]), Instant::now());
        assert_eq!(codes.check("chief-code", from, start), Ok(Right::Chief));
        let mut now = start;
        let mut waits = Vec::new();
        for _ in 0..12 {
            let Err(Denied::Wrong(wait)) = codes.check("guess", from, now) else {
                panic!("looked at")
            };
            assert!(
                matches!(codes.check("crewcode", from, now), Err(Denied::Wait(_))),
                "even the right one waits"
            );
            waits.push(wait.as_millis());
            now += wait;
        }
        assert_eq!(
            waits,
            [
                250, 500, 1000, 2000, 4000, 8000, 16000, 32000, 60000, 60000, 60000, 60000
            ]
        );
        assert_eq!(codes.check("CREWCODE", from, now), Ok(Right::Crew));
        assert_eq!(codes.check("x", from, now), Err(Denied::Wrong(FIRST_WAIT)));
        assert_eq!(
            codes.check("crew code", IpAddr::from([10, 0, 0, 8]), now),
            Ok(Right::Crew),
            "other addresses do not wait"
        );
    }

    #[test]
    fn random_codes_are_groups_of_four() {
        let code = random(2).unwrap();
        assert_eq!(code.len(), 9);
        assert_eq!(code.as_bytes()[4], b'-');
        assert_ne!(code, random(2).unwrap());
    }
}
