//! What earlier turnarounds say about a guess: how many times as long as the guess the task took, robustly.

use crate::figures::robust;

/// Shares outside of these are marks that were forgotten, not times that a task took (own judgement): a task marked done in passing
/// a second after its start, or hours later.
const BELIEVED: std::ops::RangeInclusive<f64> = 0.1..=5.0;
/// So many cases weigh as much as the file's guess (own judgement).
const GUESS_WEIGHS: f64 = 3.0;

/// What was learned about a task.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Learned {
    /// All three guesses are to be taken that many times.
    pub times: f64,
    /// From how many cases; 0 for none.
    pub cases: usize,
}

/// The median of what the task took over its likely guess, drawn towards one by the guess's own weight.
pub fn learn(took_over_guess: &[f64]) -> Learned {
    let believed: Vec<f64> = took_over_guess
        .iter()
        .copied()
        .filter(|share| BELIEVED.contains(share))
        .collect();
    let cases = believed.len();
    let weight = cases as f64 / (cases as f64 + GUESS_WEIGHS);
    Learned {
        times: robust::median(&believed).map_or(1.0, |median| median.powf(weight)),
        cases,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_learned_from_nothing_or_from_forgotten_marks() {
        let nothing = Learned {
            times: 1.0,
            cases: 0,
        };
        assert_eq!(learn(&[]), nothing);
        assert_eq!(learn(&[0.001, 40.0, f64::NAN]), nothing);
    }

    #[test]
    fn many_alike_are_believed_and_one_stray_changes_little() {
        let many = learn(&[1.5; 30]);
        assert!((many.times - 1.5).abs() < 0.06, "{many:?}");
        let mut with_stray = vec![1.5; 30];
        with_stray.push(4.9);
        assert!((learn(&with_stray).times - many.times).abs() < 0.01);
        let one = learn(&[1.5]);
        assert!(one.times > 1.0 && one.times < 1.15, "{one:?}");
    }
}
