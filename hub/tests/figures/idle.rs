//! The idle's claims put to the test on simulated engines: the time to settle and its interval,
//! hunting found and not imagined.
use rand::rngs::SmallRng;
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use spinover::figures::idle::{IdleLimits, IdleState, IdleWatch};

#[test]
fn the_time_to_settle_and_its_interval() {
    let band = IdleLimits::default().band_rpm;
    let (mut held, mut given, mut open, mut errors) = (0_u32, 0_u32, 0_u32, Vec::new());
    for seed in 0..300 {
        let mut rng = SmallRng::seed_from_u64(seed);
        let tau: f64 = rng.random_range(4.0..15.0);
        let off: f64 =
            rng.random_range(200.0..600.0) * if rng.random_bool(0.5) { 1.0 } else { -1.0 };
        let ask: f64 = rng.random_range(10.0..25.0);
        let mut watch = IdleWatch::default();
        for i in 0..=(ask * 10.0) as u32 {
            let t = f64::from(i) / 10.0;
            let noise: f64 = StandardNormal.sample(&mut rng);
            watch.push(t, (2400.0 + off * (-t / tau).exp() + 6.0 * noise).round());
        }
        let Ok(idle) = watch.now(ask) else { continue };
        let IdleState::Settling {
            settle_s: Some(s),
            settle_lo_s: Some(lo),
            settle_hi_s,
            ..
        } = idle.state
        else {
            continue;
        };
        let truth = (tau * (off.abs() * (-ask / tau).exp() / band).ln()).max(0.0);
        given += 1;
        open += u32::from(settle_hi_s.is_none());
        held += u32::from(truth >= lo.0 && settle_hi_s.is_none_or(|hi| truth <= hi.0));
        errors.push((s.0 - truth).abs());
    }
    errors.sort_by(f64::total_cmp);
    let share = f64::from(held) / f64::from(given);
    println!(
        "time to settle: given {given} of 300 ({open} without an upper end), median error {:.1} s, \
         nine in ten within {:.1} s, interval held {share:.2}",
        errors[errors.len() / 2],
        errors[errors.len() * 9 / 10]
    );
    assert!(given > 60, "{given}");
    assert!(errors[errors.len() / 2] < 2.0);
    assert!((0.72..0.88).contains(&share), "{share}");
}

#[test]
fn hunting_is_found_from_its_limit_on_and_not_imagined() {
    let (mut found, mut periods, mut imagined) = (0_u32, Vec::new(), 0_u32);
    const RUNS: u64 = 200;
    for seed in 0..RUNS {
        let mut rng = SmallRng::seed_from_u64(seed);
        let period: f64 = rng.random_range(0.8..6.0);
        let swing: f64 = rng.random_range(80.0..250.0);
        let mut watch = IdleWatch::default();
        // Noise with a memory (half a second), as a real idle has: it looks like rhythm for a while.
        let (mut calm, mut drift) = (IdleWatch::default(), 0.0);
        for i in 0..=250_u32 {
            let t = f64::from(i) / 10.0;
            let noise: f64 = StandardNormal.sample(&mut rng);
            drift = 0.82 * drift + 14.0 * noise;
            let wave = swing / 2.0 * (std::f64::consts::TAU * t / period).sin();
            watch.push(t, 2400.0 + wave + 0.4 * drift);
            calm.push(t, 2400.0 + 1.5 * drift);
        }
        if let IdleState::Hunting { period_s, .. } = watch.now(25.0).unwrap().state {
            found += 1;
            periods.push((period_s.0 / period - 1.0).abs());
        }
        imagined += u32::from(calm.now(25.0).unwrap().state.word() == "hunting");
    }
    periods.sort_by(f64::total_cmp);
    println!(
        "hunting: found {found} of {RUNS}, worst period off {:.1} %; imagined {imagined} of {RUNS}",
        100.0 * periods[periods.len() - 1]
    );
    assert!(found >= 196 && imagined <= 2);
    assert!(periods[periods.len() - 1] < 0.05);
}
