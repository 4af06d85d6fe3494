//! What one turn of an air bleed does to the idle, learned from marked adjustments, and from it
//! how far to turn. Holds what was learned, no clock.
//!
//! The gain is a recursive least-squares estimate with forgetting (Ljung, System Identification,
//! 2nd ed., section 11.2; from memory), so that it follows an engine that changes as it warms.
//! Turns count positive outwards; which way the idle goes is learned, not assumed.

use serde::Serialize;

use super::CantSay;
use super::idle::{IdleState, IdleWatch};
use super::quantity::{Rpm, Turns};
use super::robust;

/// Adjustments it takes before a gain is given: one alone cannot show that it repeats.
const NEEDS: usize = 2;
/// A gain less sure than this many times its uncertainty is not given.
const SURE: f64 = 2.0;
/// How well an idle comes back to the same rpm after a turn and back, rpm (no source; a floor so
/// that two quiet adjustments are not taken for gospel).
const REPEATS_RPM: f64 = 10.0;
/// Finest step advised, turns.
const STEP: f64 = 0.125;
/// An adjustment off by more than this many of its expected deviations is held to it.
const ODD: f64 = 3.0;
/// How much the gain may differ from one warm-up to the next, as a share of it (own judgement, no
/// source): other plugs, other air, another mix. The first turns of the day then soon outweigh it.
const DAYS_DIFFER: f64 = 0.25;

/// The learned effect of one turn.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Gain {
    /// Change of idle for one turn outwards, rpm.
    pub rpm_per_turn: f64,
    /// Standard uncertainty of it, rpm per turn.
    pub sd_rpm_per_turn: f64,
    /// Adjustments it was learned from.
    pub adjustments: usize,
    /// Of those, how many disagreed so much that they were held back.
    pub odd: usize,
    /// Of those, how many were made in earlier warm-ups.
    pub earlier: usize,
}

/// One adjustment and what came of it.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Adjustment {
    /// Turns made, outwards positive.
    pub turns: f64,
    /// Change of the settled idle, rpm.
    pub change_rpm: f64,
    /// Standard uncertainty of that change, rpm.
    pub change_sd_rpm: f64,
}

/// How far to turn.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct BleedAdvice {
    /// Turns, outwards positive, to the nearest eighth.
    pub turns: Turns,
    /// End of the 80 % range nearer to nought.
    pub turns_least: Turns,
    /// End of the 80 % range farther from nought.
    pub turns_most: Turns,
    /// What the idle should then do, rpm.
    pub expect_rpm: Rpm,
    /// True where this is the other way than the last adjustment.
    pub other_way: bool,
    /// True where this is more than any single adjustment learned from.
    pub beyond_experience: bool,
    /// The gain it rests on.
    pub gain: Gain,
}

/// Learns the gain of one bleed (or of all, turned together).
#[derive(Clone, Debug)]
pub struct BleedGain {
    gain: f64,
    variance: f64,
    forgetting: f64,
    adjustments: usize,
    earlier: usize,
    odd: usize,
    last_odd: bool,
    largest_turns: f64,
    last_turns: f64,
}

impl Default for BleedGain {
    fn default() -> Self {
        BleedGain::new(0.9)
    }
}

impl BleedGain {
    /// Starts knowing nothing. `forgetting` (0.5..=1) is the weight an adjustment keeps at the
    /// next; 0.9 remembers about ten.
    pub fn new(forgetting: f64) -> Self {
        BleedGain {
            gain: 0.0,
            // A thousand rpm a turn either way: wider than any bleed.
            variance: 1e6,
            forgetting: forgetting.clamp(0.5, 1.0),
            adjustments: 0,
            earlier: 0,
            odd: 0,
            last_odd: false,
            largest_turns: 0.0,
            last_turns: 0.0,
        }
    }

    /// What earlier warm-ups' adjustments, oldest first, teach for the next one. The gain is less sure
    /// than they alone would have it, since days differ.
    pub fn from_earlier(adjustments: &[Adjustment]) -> Self {
        let mut gain = BleedGain::default();
        for done in adjustments {
            gain.push(done.turns, done.change_rpm, done.change_sd_rpm);
        }
        if gain.adjustments > 0 {
            gain.variance += (DAYS_DIFFER * gain.gain).powi(2);
        }
        gain.earlier = gain.adjustments;
        // "The other way" is said of this warm-up's last turn only.
        gain.last_turns = 0.0;
        gain
    }

    /// Takes one adjustment: `turns` made, the change of settled idle it made, and the standard
    /// uncertainty of that change. Adjustments of no turns or without numbers are ignored.
    pub fn push(&mut self, turns: f64, change_rpm: f64, change_sd_rpm: f64) {
        if !(turns.is_finite() && change_rpm.is_finite() && turns != 0.0) {
            return;
        }
        let sd = if change_sd_rpm.is_finite() {
            change_sd_rpm.abs()
        } else {
            0.0
        };
        let noise = sd * sd + REPEATS_RPM * REPEATS_RPM;
        let prior = if self.adjustments == 0 {
            self.variance
        } else {
            self.variance / self.forgetting
        };
        let expected = (noise + turns * turns * prior).sqrt();
        let surprise = change_rpm - turns * self.gain;
        let is_odd = self.adjustments >= NEEDS && surprise.abs() > ODD * expected;
        let held = if is_odd {
            surprise.signum() * ODD * expected
        } else {
            surprise
        };
        let weight = prior * turns / (noise + turns * turns * prior);
        self.gain += weight * held;
        self.variance = (1.0 - weight * turns) * prior;
        if is_odd {
            self.odd += 1;
            if self.last_odd {
                // One that disagrees is a slip of the pen; two running, and the engine has
                // changed: what was known no longer holds.
                self.variance += (surprise / turns).powi(2);
            }
        }
        self.last_odd = is_odd;
        self.adjustments += 1;
        self.largest_turns = self.largest_turns.max(turns.abs());
        self.last_turns = turns;
    }

    /// The gain learned so far.
    ///
    /// # Errors
    /// [`CantSay::TooFew`] below two adjustments; [`CantSay::NoSpread`] where what was seen could
    /// as well be no effect.
    pub fn gain(&self) -> Result<Gain, CantSay> {
        if self.adjustments < NEEDS {
            return Err(CantSay::TooFew {
                what: "marked adjustments",
                have: self.adjustments,
                need: NEEDS,
            });
        }
        let sd = self.variance.max(0.0).sqrt();
        if self.gain.abs() < SURE * sd {
            return Err(CantSay::NoSpread {
                what: "idle across the adjustments",
            });
        }
        Ok(Gain {
            rpm_per_turn: self.gain,
            sd_rpm_per_turn: sd,
            adjustments: self.adjustments,
            odd: self.odd,
            earlier: self.earlier,
        })
    }

    /// How far to turn from the present idle to the wanted one.
    ///
    /// # Errors
    /// As [`Self::gain`], and [`CantSay::Missing`] for rpm that is not a number.
    pub fn advise(&self, now: Rpm, want: Rpm) -> Result<BleedAdvice, CantSay> {
        let gain = self.gain()?;
        let error = want.0 - now.0;
        if !error.is_finite() {
            return Err(CantSay::Missing { what: "rpm" });
        }
        let exact = error / gain.rpm_per_turn;
        let turns = (exact / STEP).round() * STEP;
        let z = robust::Z80 * gain.sd_rpm_per_turn;
        let size = gain.rpm_per_turn.abs();
        Ok(BleedAdvice {
            turns: Turns(turns),
            turns_least: Turns(exact.signum() * error.abs() / (size + z)),
            // The gain is at least twice its uncertainty, so this stays the same way round.
            turns_most: Turns(exact.signum() * error.abs() / (size - z)),
            expect_rpm: Rpm(now.0 + turns * gain.rpm_per_turn),
            other_way: turns * self.last_turns < 0.0,
            beyond_experience: turns.abs() > self.largest_turns + STEP / 2.0,
            gain,
        })
    }
}

impl Gain {
    /// One plain sentence for a phone.
    pub fn words(&self) -> String {
        let mut words = format!(
            "one turn out moves the idle {:+.0} ± {:.0} rpm, from {} adjustments",
            self.rpm_per_turn, self.sd_rpm_per_turn, self.adjustments
        );
        match self.earlier {
            0 => {}
            all if all == self.adjustments => words.push_str(", all in earlier warm-ups"),
            some => words.push_str(&format!(", {some} of them in earlier warm-ups")),
        }
        words
    }
}

impl BleedAdvice {
    /// One plain sentence for a phone.
    pub fn words(&self) -> String {
        if self.turns.0 == 0.0 {
            return "leave the bleed: less than an eighth of a turn off".to_owned();
        }
        let way = match (self.other_way, self.turns.0 > 0.0) {
            (true, true) => "the other way, out",
            (true, false) => "the other way, in",
            (false, true) => "out",
            (false, false) => "in",
        };
        let mut s = format!(
            "turn {} {way} for {:.0} rpm ({:.0} ± {:.0} rpm a turn)",
            eighths(self.turns.0.abs()),
            self.expect_rpm.0,
            self.gain.rpm_per_turn,
            self.gain.sd_rpm_per_turn
        );
        if self.beyond_experience {
            s.push_str("; more than was ever turned at once");
        }
        if self.gain.earlier == self.gain.adjustments {
            s.push_str("; learned in earlier warm-ups only");
        }
        s
    }
}

/// A number of turns in whole turns and eighths, reduced.
fn eighths(turns: f64) -> String {
    let n = (turns / STEP).round() as u64;
    let (whole, mut top, mut bottom) = (n / 8, n % 8, 8);
    while top > 0 && top % 2 == 0 {
        (top, bottom) = (top / 2, bottom / 2);
    }
    match (whole, top) {
        (0, _) => format!("{top}/{bottom}"),
        (_, 0) => format!("{whole}"),
        _ => format!("{whole} {top}/{bottom}"),
    }
}

/// Learns from an idle watch: tell it of each adjustment, and ask it now and then whether the
/// idle has settled again.
#[derive(Clone, Debug, Default)]
pub struct BleedLearner {
    gain: BleedGain,
    pending: Option<Pending>,
}

#[derive(Copy, Clone, Debug)]
struct Pending {
    turns: f64,
    before: f64,
    before_sd: f64,
}

impl BleedLearner {
    /// Begins with what earlier warm-ups taught.
    pub fn knowing(gain: BleedGain) -> Self {
        BleedLearner {
            gain,
            pending: None,
        }
    }

    /// The gain learned so far.
    pub fn gain(&self) -> &BleedGain {
        &self.gain
    }

    /// Marks an adjustment made at `t_s`. Takes the idle before it from the watch, and starts the
    /// watch's window anew. A second adjustment before the idle has settled adds to the first.
    ///
    /// # Errors
    /// [`CantSay`] where the idle before is not known; the adjustment is then not learned from.
    pub fn adjusted(&mut self, t_s: f64, turns: f64, watch: &mut IdleWatch) -> Result<(), CantSay> {
        let before = watch.now(t_s);
        watch.adjusted(t_s);
        if let Some(pending) = &mut self.pending {
            pending.turns += turns;
            return Ok(());
        }
        let before = before?;
        self.pending = Some(Pending {
            turns,
            before: before.rpm.0,
            before_sd: before.rpm_sd.0,
        });
        Ok(())
    }

    /// Learns from the last adjustment once the idle has settled (or hunts about a mean) again.
    /// Gives what it learned if it did so just now.
    pub fn poll(&mut self, now_s: f64, watch: &IdleWatch) -> Option<Adjustment> {
        let pending = self.pending?;
        let after = watch.now(now_s).ok()?;
        if !matches!(after.state, IdleState::Settled | IdleState::Hunting { .. }) {
            return None;
        }
        self.pending = None;
        let done = Adjustment {
            turns: pending.turns,
            change_rpm: after.rpm.0 - pending.before,
            change_sd_rpm: pending.before_sd.hypot(after.rpm_sd.0),
        };
        self.gain
            .push(done.turns, done.change_rpm, done.change_sd_rpm);
        Some(done)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_learns_the_gain_and_its_sign() {
        for truth in [110.0, -85.0] {
            let mut b = BleedGain::default();
            for (turns, off) in [(0.5, 4.0), (-0.25, -3.0), (0.25, 6.0), (-0.5, 2.0)] {
                b.push(turns, truth * turns + off, 5.0);
            }
            let gain = b.gain().unwrap();
            assert!(
                (gain.rpm_per_turn - truth).abs() < 2.0 * gain.sd_rpm_per_turn,
                "{gain:?}"
            );
            assert!((gain.rpm_per_turn - truth).abs() < 15.0, "{gain:?}");
        }
    }

    #[test]
    fn earlier_warm_ups_are_a_start_that_the_day_outweighs() {
        let done = |turns: f64, gain: f64| Adjustment {
            turns,
            change_rpm: gain * turns,
            change_sd_rpm: 5.0,
        };
        let earlier: Vec<Adjustment> = [0.5, -0.25, 0.5, -0.5]
            .map(|turns| done(turns, 100.0))
            .into();
        let mut b = BleedGain::from_earlier(&earlier);
        let start = b.gain().unwrap();
        assert_eq!((start.adjustments, start.earlier), (4, 4));
        assert!((start.rpm_per_turn - 100.0).abs() < 2.0, "{start:?}");
        assert!(start.sd_rpm_per_turn > 25.0, "days differ: {start:?}");
        let advice = b.advise(Rpm(2300.0), Rpm(2400.0)).unwrap();
        assert!(!advice.other_way && advice.words().contains("earlier warm-ups only"));
        // Today a turn does one and a half times as much.
        for turns in [0.5, -0.5, 0.5] {
            b.push(turns, 150.0 * turns, 5.0);
        }
        let now = b.gain().unwrap();
        assert!((now.rpm_per_turn - 150.0).abs() < 10.0, "{now:?}");
        assert!(
            now.words().contains("4 of them in earlier"),
            "{}",
            now.words()
        );
    }

    #[test]
    fn it_follows_an_engine_that_changes() {
        let mut b = BleedGain::default();
        for i in 0..30 {
            let truth = if i < 15 { 60.0 } else { 120.0 };
            let turns = if i % 2 == 0 { 0.5 } else { -0.5 };
            b.push(turns, truth * turns, 3.0);
        }
        assert!(
            (b.gain().unwrap().rpm_per_turn - 120.0).abs() < 15.0,
            "{:?}",
            b.gain()
        );
    }

    #[test]
    fn one_bad_mark_does_not_turn_it_round() {
        let mut b = BleedGain::default();
        for turns in [0.5, -0.5, 0.25, -0.25, 0.5] {
            b.push(turns, 100.0 * turns, 5.0);
        }
        b.push(0.5, -300.0, 5.0);
        let gain = b.gain().unwrap();
        assert!(gain.rpm_per_turn > 60.0 && gain.odd == 1, "{gain:?}");
    }

    #[test]
    fn two_running_that_disagree_are_an_engine_that_changed() {
        let mut b = BleedGain::default();
        for turns in [0.5, -0.5, 0.5, -0.5, 0.5, -0.5] {
            b.push(turns, 100.0 * turns, 2.0);
        }
        for turns in [0.5, -0.5, 0.5, -0.5] {
            b.push(turns, 300.0 * turns, 2.0);
        }
        let gain = b.gain().unwrap();
        assert!((gain.rpm_per_turn - 300.0).abs() < 40.0, "{gain:?}");
    }

    #[test]
    fn it_says_when_it_cannot_say() {
        let mut b = BleedGain::default();
        assert!(matches!(b.gain(), Err(CantSay::TooFew { have: 0, .. })));
        b.push(0.5, 60.0, 5.0);
        assert!(matches!(b.gain(), Err(CantSay::TooFew { have: 1, .. })));
        b.push(0.5, -55.0, 5.0);
        assert!(
            matches!(b.gain(), Err(CantSay::NoSpread { .. })),
            "{:?}",
            b.gain()
        );
        b.push(0.0, 5.0, 1.0);
        b.push(f64::NAN, 5.0, 1.0);
        assert_eq!(b.adjustments, 2);
    }

    #[test]
    fn the_advice_undoes_an_overshoot_the_other_way() {
        let mut b = BleedGain::default();
        b.push(0.5, 50.0, 2.0);
        b.push(0.75, 76.0, 2.0);
        let advice = b.advise(Rpm(2440.0), Rpm(2400.0)).unwrap();
        assert!(advice.other_way && !advice.beyond_experience, "{advice:?}");
        assert_eq!(advice.turns.0, -0.375);
        assert!(
            advice.words().starts_with("turn 3/8 the other way, in"),
            "{}",
            advice.words()
        );
        assert!(advice.turns_least.0.abs() <= 0.4 && advice.turns_most.0.abs() >= 0.4);
        let far = b.advise(Rpm(2000.0), Rpm(2400.0)).unwrap();
        assert!(far.beyond_experience && far.words().contains("ever turned"));
        assert!(
            b.advise(Rpm(2399.0), Rpm(2400.0))
                .unwrap()
                .words()
                .starts_with("leave")
        );
    }

    #[test]
    fn eighths_are_reduced() {
        for (turns, said) in [(0.125, "1/8"), (0.5, "1/2"), (1.0, "1"), (1.75, "1 3/4")] {
            assert_eq!(eighths(turns), said);
        }
    }

    #[test]
    fn it_learns_from_a_watched_idle() {
        let mut watch = IdleWatch::default();
        let mut learner = BleedLearner::default();
        let (mut t, mut rpm) = (0.0, 2400.0);
        let run = |watch: &mut IdleWatch, t: &mut f64, rpm: f64| {
            for i in 0..150_u32 {
                *t += 0.1;
                watch.push(*t, rpm + f64::from(i % 5) - 2.0);
            }
        };
        run(&mut watch, &mut t, rpm);
        for turns in [0.5, -0.25, 0.25] {
            learner.adjusted(t, turns, &mut watch).unwrap();
            assert_eq!(learner.poll(t, &watch), None);
            rpm += 90.0 * turns;
            run(&mut watch, &mut t, rpm);
            assert_eq!(learner.poll(t, &watch).unwrap().turns, turns);
            assert_eq!(learner.poll(t, &watch), None);
        }
        let gain = learner.gain().gain().unwrap();
        assert!((gain.rpm_per_turn - 90.0).abs() < 5.0, "{gain:?}");
    }
}
