//! The two codes: made, compared, and taken for one another. Who guesses is in `door::guesses`.

use spinover_protocol::event::Right;
use std::sync::{PoisonError, RwLock};
use subtle::ConstantTimeEq;

/// The codes, as hashes. The codes themselves are in memory too, in the addresses to join by, so a fast hash gives nothing away;
/// it makes all lengths alike. What is on the disk is hashed slowly (`door::sessions`).
pub struct Codes(RwLock<(blake3::Hash, blake3::Hash)>);

impl Codes {
    /// From the codes themselves.
    pub fn new(crew: &str, chief: &str) -> Self {
        Self(RwLock::new((hash(crew), hash(chief))))
    }

    /// Another code from now on.
    pub fn set(&self, right: Right, code: &str) {
        let mut codes = self.0.write().unwrap_or_else(PoisonError::into_inner);
        match right {
            Right::Crew => codes.0 = hash(code),
            Right::Chief => codes.1 = hash(code),
        }
    }

    /// What a code allows; nothing when it is wrong.
    pub fn right(&self, code: &str) -> Option<Right> {
        let codes = self.0.read().unwrap_or_else(PoisonError::into_inner);
        // Both are compared, whichever matches, so that the time taken tells nothing.
        let given = hash(code);
        let crew = bool::from(given.as_bytes().ct_eq(codes.0.as_bytes()));
        let chief = bool::from(given.as_bytes().ct_eq(codes.1.as_bytes()));
        match (chief, crew) {
            (true, _) => Some(Right::Chief),
            (_, true) => Some(Right::Crew),
            _ => None,
        }
    }
}

/// What counts of a code. Case and blanks do not matter: codes are read aloud and typed with gloves.
pub fn plain(code: &str) -> String {
    code.chars()
        .filter(|c| c.is_alphanumeric())
        .flat_map(char::to_lowercase)
        .collect()
}

fn hash(code: &str) -> blake3::Hash {
    blake3::hash(plain(code).as_bytes())
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

/// A random code for that right: the chief's is longer.
///
/// # Errors
/// When the system has no random numbers.
pub fn random_for(right: Right) -> Result<String, getrandom::Error> {
    random(match right {
        Right::Crew => 2,
        Right::Chief => 3,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn case_and_dashes_do_not_matter_and_a_new_code_ends_the_old() {
        let codes = Codes::new("crew-code", "Chief Code");
        assert_eq!(codes.right("CREWCODE"), Some(Right::Crew));
        assert_eq!(codes.right("chief-code"), Some(Right::Chief));
        assert_eq!(codes.right("crew"), None);
        codes.set(Right::Crew, "another");
        assert_eq!(codes.right("crew-code"), None);
        assert_eq!(codes.right("Another"), Some(Right::Crew));
    }

    #[test]
    fn random_codes_are_groups_of_four() {
        let code = random(2).unwrap();
        assert_eq!(code.len(), 9);
        assert_eq!(code.as_bytes()[4], b'-');
        assert_ne!(code, random(2).unwrap());
    }
}
