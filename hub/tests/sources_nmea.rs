//! Weather sentences against pynmea2, from a boat's capture, over UDP and a pseudo-terminal.

mod sources_support;

use serde_json::Value;
use sources_support::{Watched, ask, data, recordings, reference, run, setup};
use spinover::core::feed::FaultKind;
use spinover::sources::map::FieldMap;
use spinover::sources::nmea::{Field, sentence};
use spinover::sources::{Setup, open};
use spinover_protocol::units::Unit;

/// Compares each value with what pynmea2 read; the number of values that were the same.
fn compare(answers: &str) -> usize {
    let mut same = 0;
    for line in answers.lines() {
        let answer: Value = serde_json::from_str(line).unwrap();
        let text = answer["line"].as_str().unwrap();
        if answer.get("broken").is_some() {
            assert!(sentence(text.as_bytes()).is_err(), "{text}");
            continue;
        }
        let sentence = sentence(text.as_bytes()).unwrap_or_else(|why| panic!("{why}: {text}"));
        for (name, theirs) in answer["values"].as_object().unwrap() {
            let ours = sentence.get(&name.parse().unwrap()).unwrap();
            let Some(theirs) = theirs.as_f64() else {
                assert_eq!(ours, None, "{name} in {text}");
                continue;
            };
            // Theirs gives the number as it stands; MWV's unit is in the sentence, knots in the capture.
            let (value, unit) = ours.unwrap_or_else(|| panic!("no {name} in {text}"));
            let knots = name.ends_with("_speed") && text.contains(",N,") && text.contains("MWV");
            let value = if knots {
                value * 3_600.0 / 1_852.0
            } else {
                value
            };
            assert!(
                (value - theirs).abs() <= 1e-12 * theirs.abs().max(1.0),
                "{name} {value} {unit} {theirs} in {text}"
            );
            same += 1;
        }
    }
    same
}

#[test]
fn kept_answers_of_pynmea2_are_met() {
    let same = compare(&std::fs::read_to_string(data("nmea/pynmea2.jsonl")).unwrap());
    assert!(same > 150, "{same}");
}

#[test]
fn pynmea2_and_ours_read_the_same() {
    let Some(reference) = reference() else { return };
    assert_eq!(
        ask(&reference, "nmea_sentences.py", &["1"]),
        std::fs::read_to_string(data("nmea/pynmea2.jsonl")).unwrap()
    );
    let mut same = (2..30)
        .map(|seed| compare(&ask(&reference, "nmea_sentences.py", &[&seed.to_string()])))
        .sum::<usize>();
    if let Some(folder) = recordings("nmea-gofree-wind") {
        let wind = compare(&ask(
            &reference,
            "nmea_sentences.py",
            &[folder.join("gofree-merrimac.log").to_str().unwrap()],
        ));
        assert_eq!(wind, 2 * 282, "each wind sentence has an angle and a speed");
        same += wind;
    }
    eprintln!("pynmea2: {same} values the same");
}

fn station() -> Setup {
    let channels = [
        ("wind_angle", Unit::DegAngle, 0.0, 360.0),
        ("wind_speed", Unit::MilePerHour, 0.0, 200.0),
        ("air_temp", Unit::DegF, -40.0, 150.0),
        ("barometer", Unit::InHg, 20.0, 35.0),
    ];
    let mut setup = setup(&channels);
    let fields = [
        "MWV.relative_angle",
        "MWV.relative_speed",
        "XDR.AIRTEMP",
        "XDR.BARO",
    ];
    setup.names.fields = fields
        .iter()
        .enumerate()
        .map(|(channel, field)| FieldMap {
            channel,
            field: field.parse().unwrap(),
        })
        .collect();
    setup
}

#[tokio::test]
async fn a_boats_capture_gives_its_wind() {
    let Some(folder) = recordings("nmea-gofree-wind") else {
        return;
    };
    let file = folder.join("gofree-merrimac.log");
    let seen = run(&format!("nmea:{}?speed=max", file.display()), &station()).await;
    // Counted by the test itself: every line with its checksum, the wind by plain splitting.
    let text = std::fs::read_to_string(&file).unwrap();
    let whole = |line: &&str| {
        let body = line
            .trim()
            .strip_prefix(['$', '!'])
            .and_then(|body| body.rsplit_once('*'));
        body.is_some_and(|(body, sum)| {
            // Sentences run into each other are none, though the sum of the whole be right.
            !body.contains('$')
                && u8::from_str_radix(sum, 16) == Ok(body.bytes().fold(0, |sum, byte| sum ^ byte))
        })
    };
    let (good, bad): (Vec<&str>, Vec<&str>) = text
        .lines()
        .filter(|line| !line.trim().is_empty())
        .partition(whole);
    assert_eq!((good.len(), bad.len()), (6_182, 142));
    assert_eq!(seen.count(FaultKind::Malformed), 142);
    let wind: Vec<Vec<&str>> = good
        .iter()
        .filter(|line| line.contains("MWV,") && line.contains(",R,"))
        .map(|line| line.split(',').collect())
        .collect();
    let speeds: Vec<f64> = wind
        .iter()
        .map(|fields| {
            Unit::MetrePerSecond
                .convert(
                    fields[3].parse::<f64>().unwrap() * 1_852.0 / 3_600.0,
                    Unit::MilePerHour,
                )
                .unwrap()
        })
        .collect();
    let of = |channel: usize| {
        seen.values()
            .into_iter()
            .filter(|(place, ..)| *place == channel)
            .map(|(_, value, _)| value)
            .collect::<Vec<_>>()
    };
    // Ours multiplies in another order: the last bit may differ.
    let same = |(ours, theirs): (&f64, &f64)| (ours - theirs).abs() <= 1e-12 * theirs.abs();
    assert_eq!(of(1).len(), speeds.len());
    assert!(of(1).iter().zip(&speeds).all(same));
    assert_eq!(
        of(0),
        wind.iter()
            .map(|fields| fields[1].parse().unwrap())
            .collect::<Vec<f64>>()
    );
    assert_eq!(of(0).len(), 141);
    // This station sends a field too many at the front of its transducers; they are found by name.
    assert_eq!(
        of(2).len(),
        good.iter().filter(|line| line.contains("AIRTEMP")).count()
    );
    assert!(
        of(3).iter().all(|inches| (29.0..31.0).contains(inches)),
        "{:?}",
        of(3).first()
    );
    // Its time comes from the sentences that tell it.
    let times: Vec<f64> = seen.batches.iter().filter_map(|batch| batch.t_s).collect();
    assert!(times.last().unwrap() - times[0] > 30.0 && times.is_sorted());
}

#[tokio::test]
async fn a_capture_without_times_goes_on_evenly() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("wind.log");
    std::fs::write(
        &file,
        "$WIMWV,297.6,R,5.6,N,A*2A\nrubbish\n$WIMWV,297.2,R,5.6,N,A*2E\n",
    )
    .unwrap();
    let seen = run(&format!("nmea:{}?speed=max", file.display()), &station()).await;
    let times: Vec<f64> = seen
        .batches
        .iter()
        .map(|batch| batch.t_s.unwrap())
        .collect();
    assert_eq!(times, [0.1, 0.2]);
    assert_eq!(seen.count(FaultKind::Malformed), 1);
}

#[tokio::test]
async fn datagrams_of_several_sentences_are_read() {
    let mut hub = Watched::start("nmea:udp://127.0.0.1:0", &station());
    let address = hub.name.strip_prefix("nmea:udp://").unwrap().to_owned();
    let socket = tokio::net::UdpSocket::bind("127.0.0.1:0").await.unwrap();
    socket.send_to(b"$WIMWV,297.6,R,5.6,N,A*2A\r\n$WIMWV,297.2,R,5.6,N,A*2E\r\n$WIMWV,297.2,R,5.6,N,A*00\r\n", &address).await.unwrap();
    socket.send_to(&[0xFF; 3_000], &address).await.unwrap();
    hub.until("both and two faults", |hub| {
        hub.batches.len() == 2 && hub.count(FaultKind::Malformed) == 2
    })
    .await;
    assert_eq!(hub.last(0), Some(297.2));
}

#[test]
fn a_field_that_does_not_fit_is_refused() {
    let mut wrong = station();
    wrong.names.fields[0].field = Field::AirTemp;
    let said = format!(
        "{:#}",
        open("nmea:udp://127.0.0.1:0", &wrong).err().unwrap()
    );
    assert!(
        said.contains("wind_angle") && said.contains("no such quantity"),
        "{said}"
    );
    wrong.names.fields.clear();
    assert!(
        format!(
            "{:#}",
            open("nmea:udp://127.0.0.1:0", &wrong).err().unwrap()
        )
        .contains("MDA.air_temp")
    );
}
