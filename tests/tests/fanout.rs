//! What `bench_fanout` measures with, at work on a few phones: that it counts what there is to count. Nothing is timed here.

use spinover_tests::{
    DEADLINE,
    fan::{
        Stamps,
        crowd::{Crowd, Running},
        servers::{Kind, Plan, Server},
        source,
    },
};
use std::{
    sync::Arc,
    time::{Duration, Instant},
};

const PHONES: usize = 5;

#[test]
fn every_phone_of_the_bench_gets_stamped_frames_and_stays() -> anyhow::Result<()> {
    let server = Server::start(Kind::Hub, Plan::default())?;
    let sockets: Vec<_> = (0..PHONES)
        .map(|n| server.client(n))
        .collect::<anyhow::Result<_>>()?;
    let stamps = Arc::new(Stamps::new(10_000));
    let crowd = Running::start(Crowd::new(sockets, server.ping(), true)?, stamps.clone());
    crowd.count(true);
    let source = source::Running::start(server.source()?, server.form(None)?, 20.0, stamps);
    let begun = Instant::now();
    while crowd.reached() < PHONES as u64 {
        assert!(begun.elapsed() < DEADLINE, "{} reached", crowd.reached());
        std::thread::sleep(Duration::from_millis(10));
    }
    source.stop()?;
    let seen = crowd.stop()?;
    assert_eq!(seen.ended, 0, "a phone was put off");
    assert!(seen.late_us.len() >= PHONES);
    assert!(seen.stamped_frames >= PHONES as u64 && seen.frames >= seen.stamped_frames);
    Ok(())
}
