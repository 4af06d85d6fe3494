//! What the book gives the day's air: typed in at any time, and a weather station's readings of earlier warm-ups; of this car and kind,
//! and no older than is looked back at.

mod book_kit;

use book_kit::{answer, car, closed, event, sheet};
use spinover::book::{Book, Edit};
use spinover::serve::history::lessons;
use spinover_protocol::{
    car::{Band, Car, Channel},
    event::{Event, EventBody},
    today::Conditions,
    units::Unit,
};

const HOUR_MS: i64 = 3_600_000;

fn station() -> Car {
    let channel = |key: &str, unit, low, high| Channel::new(key, unit, Band { low, high });
    Car {
        channels: vec![
            channel("air_temp", Unit::DegF, -40.0, 140.0),
            channel("air_pressure", Unit::HectoPascal, 500.0, 1100.0),
            channel("air_humidity", Unit::Percent, 0.0, 100.0),
        ],
        ..car(0)
    }
}

fn begun(seq: u64, id: &str) -> EventBody {
    EventBody::WarmupBegun {
        id: format!("{id}-{seq}"),
        sheet: Box::new(sheet()),
        car: Box::new(station()),
        today: Box::default(),
    }
}

fn typed(temp_c: f64) -> EventBody {
    EventBody::ConditionsSet(Conditions {
        temp_c,
        pressure_hpa: 980.0,
        rh_pct: 50.0,
        place: None,
    })
}

fn at(hour: f64, seq: u64, body: EventBody) -> Event {
    Event {
        at: (hour * HOUR_MS as f64) as i64,
        ..event(seq, body)
    }
}

#[test]
fn typed_and_sensed_air_of_the_last_days_comes_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(folder.path()).unwrap();
    let close = |hour, seq| at(hour, seq, closed(seq).body);
    // Three days ago; this morning, with a station; at noon, simulated; and in the afternoon.
    for events in [
        vec![
            at(0.0, 1, begun(1, "old")),
            at(0.5, 2, typed(1.0)),
            close(1.0, 3),
        ],
        vec![
            at(70.0, 4, begun(4, "am")),
            at(70.2, 5, typed(15.0)),
            close(71.0, 6),
        ],
        vec![
            at(72.0, 7, begun(7, "sim")),
            at(72.2, 8, typed(99.0)),
            close(73.0, 9),
        ],
        vec![
            at(74.0, 10, begun(10, "pm")),
            at(74.5, 11, typed(24.0)),
            close(75.0, 12),
        ],
    ] {
        answer(book.append(events)).unwrap();
    }
    let source = Some("simulated car".to_owned());
    let edit = Edit {
        source,
        ..Edit::default()
    };
    answer(book.edit("sim-7", edit)).unwrap();
    // Half an hour of a station, each second; one reading is not plausible, and one minute is without humidity.
    let from_us = 70 * HOUR_MS * 1000;
    for second in 0..1800_i64 {
        let t_us = from_us + second * 1_000_000;
        let temp_f = if second == 100 {
            900.0
        } else {
            59.0 + 0.001 * second as f64
        };
        let mut row = vec![(0, t_us, temp_f), (1, t_us, 981.0)];
        if !(300..360).contains(&second) {
            row.push((2, t_us, 40.0));
        }
        book.readings("am-4", row);
    }
    answer(book.flush()).unwrap();
    let airs = lessons(&book.reader().unwrap(), &station(), "")
        .unwrap()
        .airs;
    let told: Vec<(f64, i64)> = airs
        .iter()
        .map(|seen| {
            (
                seen.at as f64 / HOUR_MS as f64,
                (seen.air.temp_c * 10.0).round() as i64,
            )
        })
        .collect();
    assert!(told.is_sorted_by(|a, b| a.0 < b.0), "{told:?}");
    // By ten minutes of the station, 15 degC and a little more; then what was typed in.
    let temps: Vec<i64> = told.iter().map(|(_, temp)| *temp).collect();
    assert_eq!(
        temps.iter().filter(|temp| **temp == 240).count(),
        1,
        "{told:?}"
    );
    assert!((4..=5).contains(&temps.len()), "{told:?}");
    assert!(
        temps[..temps.len() - 1]
            .iter()
            .all(|temp| (150..=160).contains(temp)),
        "{told:?}"
    );
    let sensed = airs.iter().filter(|seen| seen.air.pressure_hpa == 981.0);
    assert!(sensed.clone().count() >= 3 && sensed.clone().all(|seen| seen.air.rh_pct == 40.0));
}
