//! Lines and sentences over a pseudo-terminal pair, which is a serial port to whoever opens it, pulled out and put back.
#![cfg(unix)]

mod sources_support;

use sources_support::{Watched, setup};
use spinover::core::feed::FaultKind;
use spinover::sources::map::FieldMap;
use spinover_protocol::message::SourceState;
use spinover_protocol::units::Unit;
use std::fs::File;
use std::io::Write;
use std::os::fd::OwnedFd;
use std::path::Path;
use std::time::Duration;

/// Our end of a cable, and the port at the other, under a name that outlives it.
struct Cable {
    ours: File,
    _theirs: OwnedFd,
}

impl Cable {
    fn send(&mut self, text: &str) {
        self.ours.write_all(text.as_bytes()).unwrap();
    }
}

fn plug_in(at: &Path) -> Cable {
    let pair = nix::pty::openpty(None, None).unwrap();
    let device = nix::unistd::ttyname(&pair.slave).unwrap();
    let _ = std::fs::remove_file(at);
    std::os::unix::fs::symlink(device, at).unwrap();
    Cable {
        ours: File::from(pair.master),
        _theirs: pair.slave,
    }
}

/// Sends until a value is heard: what is sent before the port is open is lost, as it is in life.
async fn send_until_heard(cable: &mut Cable, hub: &mut Watched, text: &str) {
    let before = hub.batches.len();
    for _ in 0..100 {
        cable.send(text);
        let heard = hub.until("a value", |hub| hub.batches.len() > before);
        if tokio::time::timeout(Duration::from_millis(500), heard)
            .await
            .is_ok()
        {
            return;
        }
    }
    panic!("nothing was heard: {:?} {:?}", hub.faults, hub.states);
}

#[tokio::test]
async fn lines_come_over_a_port_that_is_pulled_out_and_put_back() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("port");
    let spec = format!("lines:serial:{}?baud=115200", port.display());
    let setup = setup(&[("engine_rpm", Unit::Rpm, 0.0, 12_000.0)]);

    // Not there yet: it waits for it.
    let mut hub = Watched::start(&spec, &setup);
    hub.until("the first try", |hub| hub.count(FaultKind::Trouble) >= 1)
        .await;
    let mut cable = plug_in(&port);
    // The first line is torn, as it is when a board is already sending; the second is whole, the third is bad.
    send_until_heard(
        &mut cable,
        &mut hub,
        "pm\": 1}\n{\"engine_rpm\": 2400}\nnonsense\n",
    )
    .await;
    assert_eq!(hub.last(0), Some(2_400.0));
    hub.until("the bad line", |hub| hub.count(FaultKind::Malformed) >= 1)
        .await;
    assert!(hub.states.contains(&SourceState::Up));

    drop(cable);
    hub.until("it to fail", |hub| {
        hub.states
            .iter()
            .filter(|state| **state == SourceState::Up)
            .count()
            == 1
            && hub.states.last() == Some(&SourceState::Failed)
    })
    .await;
    let mut cable = plug_in(&port);
    send_until_heard(&mut cable, &mut hub, "\n{\"engine_rpm\": 2500}\n").await;
    assert_eq!(hub.last(0), Some(2_500.0));
}

#[tokio::test]
async fn a_weather_station_is_heard_over_a_port() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("station");
    let mut cable = plug_in(&port);
    let mut setup = setup(&[("air_temp", Unit::DegF, -40.0, 150.0)]);
    setup.names.fields = vec![FieldMap {
        channel: 0,
        field: "MDA.air_temp".parse().unwrap(),
    }];
    let mut hub = Watched::start(&format!("nmea:serial:{}", port.display()), &setup);
    hub.until("it to be open", |hub| {
        hub.states.contains(&SourceState::Waiting)
    })
    .await;
    let body = "WIMDA,29.92,I,1.0132,B,20.0,C,,C,48.5,,10.2,C,,T,,M,,N,,M";
    let line = format!(
        "${body}*{:02X}\r\n",
        body.bytes().fold(0, |sum, byte| sum ^ byte)
    );
    send_until_heard(&mut cable, &mut hub, &line).await;
    assert_eq!(hub.last(0), Some(68.0));
}
