//! What the columns of a recording from elsewhere could be: a proposal for the car file that takes it in, worked out from its
//! header and its first rows. It proposes; a person looks at each line of it. Text in, text out.

use super::walk::{MAX_KEY, MAX_WORDS};
use spinover_protocol::{car::Car, recording::LOOKED_AT, units::Unit};
use std::fmt::Write;

/// Values of a column that are shown.
const SAMPLES: usize = 4;
/// A header is looked for in the first so many lines: recorders put a few of their own before it.
const HEADER_WITHIN: usize = 60;
/// Longest label of a channel, in characters.
const LABEL: usize = 40;
/// Names of channels that figures know (`docs/files.md`), and words that stand for them in headers (common practice, no
/// source). The first that fits is proposed.
const KNOWN: [(&str, Unit, &[&str]); 11] = [
    (
        "engine_rpm",
        Unit::Rpm,
        &["rpm ", "engine rpm", "engine speed", "engine revs"],
    ),
    ("oil_pressure", Unit::Psi, &["oil p", "oil press"]),
    ("fuel_pressure", Unit::Psi, &["fuel p", "fuel press"]),
    ("oil_temp", Unit::DegF, &["oil t"]),
    ("head_temp", Unit::DegF, &["cht", "head t", "cylinder head"]),
    ("coolant_temp", Unit::DegC, &["coolant", "water t"]),
    ("fuel_flow", Unit::UsGalPerMin, &["fuel flow", "flow"]),
    (
        "manifold_pressure",
        Unit::KiloPascal,
        &["manifold", "boost", "blower p"],
    ),
    ("air_temp", Unit::DegC, &["ambient", "air t", "intake air"]),
    ("battery", Unit::Volt, &["volt", "battery"]),
    (
        "fuel_left",
        Unit::Litre,
        &["fuel level", "fuel left", "tank"],
    ),
];

/// The largest number that a proposed range is made of.
const LARGEST: f64 = 1e30;

/// A column that can become a channel.
#[derive(Clone, Debug, PartialEq)]
pub struct Candidate {
    /// Its header.
    pub header: String,
    /// Which of the columns with that header, from 1.
    pub nth: usize,
    /// The lowest of its values in the rows looked at.
    pub low: f64,
    /// The highest.
    pub high: f64,
    /// Its first few different values, as they are written.
    pub samples: Vec<String>,
    /// The key that is proposed.
    pub key: String,
    /// The unit that its header names, or that such a channel mostly has; none when neither tells.
    pub unit: Option<Unit>,
}

/// A recording's time column and the others.
#[derive(Clone, Debug, PartialEq)]
pub struct Columns {
    /// What is between the cells.
    pub separator: char,
    /// The header of the time column.
    pub time: String,
    /// `seconds`, `clock` or `rfc3339`, as in the car file.
    pub form: &'static str,
    /// Columns with numbers in them.
    pub candidates: Vec<Candidate>,
    /// Headers of columns that are left out: without numbers, or with a name that a car file cannot write.
    pub others: Vec<String>,
}

/// Looks at a recording's first lines. None when there is no header with a column of times under it.
pub fn look(text: &str, car: Option<&Car>) -> Option<Columns> {
    let lines: Vec<&str> = text.lines().collect();
    let mut best: Option<Columns> = None;
    for separator in [',', ';', '\t', '|'] {
        // Once for all headers that are tried: taking the lines apart is nearly all of the work.
        let rows: Vec<Vec<String>> = lines
            .iter()
            .map(|line| cells(line.trim_start_matches('\u{feff}'), separator))
            .collect();
        for header in 0..rows.len().min(HEADER_WITHIN) {
            let Some(found) = under(&rows[header..], separator, car) else {
                continue;
            };
            // The header with the most columns of numbers under it, and of those the first.
            if best
                .as_ref()
                .is_none_or(|best| found.candidates.len() > best.candidates.len())
            {
                best = Some(found);
            }
        }
    }
    best
}

fn cells(line: &str, separator: char) -> Vec<String> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .delimiter(u8::try_from(separator).unwrap_or(b','))
        .from_reader(line.as_bytes());
    let mut record = csv::StringRecord::new();
    match reader.read_record(&mut record) {
        Ok(true) => record.iter().map(|cell| cell.trim().to_owned()).collect(),
        _ => Vec::new(),
    }
}

fn under(rows: &[Vec<String>], separator: char, car: Option<&Car>) -> Option<Columns> {
    let (names, rows) = rows.split_first()?;
    // A header is words: a row of numbers is none.
    let words = |name: &&String| {
        can_be_named(name) && name.parse::<f64>().is_err() && form(&[name]).is_none()
    };
    if names.len() < 2 || names.iter().filter(words).count() * 2 < names.len() {
        return None;
    }
    let column = |place: usize| -> Vec<&str> {
        let cells = rows.iter().filter_map(|row| row.get(place));
        cells
            .map(String::as_str)
            .filter(|cell| !cell.is_empty())
            .collect()
    };
    let (time, form) = (0..names.len())
        .filter(|place| can_be_named(&names[*place]))
        .find_map(|place| Some((place, form(&column(place))?)))?;
    let mut columns = Columns {
        separator,
        time: names[time].clone(),
        form,
        candidates: Vec::new(),
        others: Vec::new(),
    };
    for (place, header) in names.iter().enumerate() {
        if place == time || header.is_empty() {
            continue;
        }
        if !can_be_named(header) {
            columns.others.push(header.clone());
            continue;
        }
        let texts = column(place);
        let numbers: Vec<f64> = texts
            .iter()
            .filter_map(|text| text.parse().ok())
            .filter(|number: &f64| number.is_finite())
            .collect();
        if numbers.is_empty() || numbers.len() * 2 < texts.len() {
            columns.others.push(header.clone());
            continue;
        }
        let nth = names[..=place]
            .iter()
            .filter(|name| *name == header)
            .count();
        let (key, usual) = name(header, &columns.candidates, car);
        columns.candidates.push(Candidate {
            header: header.clone(),
            nth,
            low: numbers.iter().copied().fold(f64::INFINITY, f64::min),
            high: numbers.iter().copied().fold(f64::NEG_INFINITY, f64::max),
            samples: samples(&texts),
            key,
            unit: unit_of(header).or(usual),
        });
    }
    (!columns.candidates.is_empty()).then_some(columns)
}

/// Whether a car file can name the column: it takes no control characters, which nobody sees and a broken file is full of, and no more
/// words than somebody wrote.
fn can_be_named(header: &str) -> bool {
    !header.is_empty()
        && header.chars().count() <= MAX_WORDS
        && !header.chars().any(char::is_control)
}

fn samples(texts: &[&str]) -> Vec<String> {
    let mut samples: Vec<String> = Vec::new();
    for text in texts {
        if samples.len() == SAMPLES {
            break;
        }
        if !samples.iter().any(|known| known == text) {
            samples.push((*text).to_owned());
        }
    }
    samples
}

/// The beginning of a recording as text: what is looked at, up to its last whole line. Bytes that are no UTF-8 are taken for Latin-1,
/// which old recorders write.
pub fn beginning(mut bytes: Vec<u8>) -> String {
    if bytes.len() >= LOOKED_AT {
        bytes.truncate(LOOKED_AT);
        if let Some(end) = bytes.iter().rposition(|byte| *byte == b'\n') {
            bytes.truncate(end);
        }
    }
    match String::from_utf8(bytes) {
        Ok(text) => text,
        Err(error) => error.into_bytes().into_iter().map(char::from).collect(),
    }
}

/// How a column writes times; none when it holds none. Plain seconds must go on, or they are any number.
fn form(texts: &[&str]) -> Option<&'static str> {
    if texts.len() < 2 && texts.first().is_none_or(|text| text.parse::<f64>().is_ok()) {
        return None;
    }
    let clock = |text: &&str| {
        let parts: Vec<&str> = text.split(':').collect();
        parts.len() == 3 && parts.iter().all(|part| part.trim().parse::<f64>().is_ok())
    };
    let date = |text: &&str| {
        text.parse::<jiff::Timestamp>().is_ok() || text.parse::<jiff::civil::DateTime>().is_ok()
    };
    if texts.iter().all(clock) {
        return Some("clock");
    }
    if texts.iter().all(date) {
        return Some("rfc3339");
    }
    let numbers: Option<Vec<f64>> = texts.iter().map(|text| text.parse().ok()).collect();
    let numbers = numbers?;
    let on = numbers.windows(2).all(|two| two[0] <= two[1]);
    (on && numbers.first() < numbers.last()).then_some("seconds")
}

/// The unit that a header names: in brackets, or behind a semicolon or its last blank.
fn unit_of(header: &str) -> Option<Unit> {
    let inside = |open: char, close: char| {
        let (_, rest) = header.rsplit_once(open)?;
        Some(rest.split_once(close)?.0)
    };
    let parts = [
        inside('[', ']'),
        inside('(', ')'),
        header.rsplit_once(';').map(|(_, last)| last),
        header.rsplit_once(' ').map(|(_, last)| last),
        header.rsplit_once('_').map(|(_, last)| last),
    ];
    // A second encoding as UTF-8 leaves an Â before the degree sign, and some recorders write a star for it.
    let plain = |part: &str| {
        part.replace('Â', "")
            .replace('*', "°")
            .replace("LPH", "L/h")
            .replace("GPH", "US gal/h")
    };
    parts
        .into_iter()
        .flatten()
        .map(plain)
        .filter(|part| !part.trim().is_empty())
        .find_map(|part| Unit::parse(part.trim()))
}

/// A key for a column: of the car's own channels the one that it names, else one that figures know, else made of its words.
fn name(header: &str, taken: &[Candidate], car: Option<&Car>) -> (String, Option<Unit>) {
    let bare = header.split(['[', '(', ';']).next().unwrap_or(header);
    let bare = if bare.trim().is_empty() { header } else { bare };
    let words: String = bare
        .to_lowercase()
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c } else { ' ' })
        .collect();
    let words = words.split_whitespace().collect::<Vec<_>>().join(" ");
    let unit = unit_of(header);
    // A header that names a unit of another kind means something else.
    let kind = |of: Unit| unit.is_none_or(|unit| unit.dimension() == of.dimension());
    let free = |key: &str| taken.iter().all(|candidate| candidate.key != key);
    let own = car.iter().flat_map(|car| &car.channels).find(|channel| {
        let key = channel.key.as_str().replace('_', " ");
        (words.starts_with(&key) || words == channel.label.to_lowercase())
            && free(channel.key.as_str())
    });
    if let Some(channel) = own {
        return (channel.key.to_string(), Some(channel.unit));
    }
    // A word that is looked for begins one in the header.
    let padded = format!(" {words} ");
    let says = |word: &&str| padded.contains(&format!(" {word}"));
    let known = KNOWN
        .iter()
        .find(|(key, of, words)| words.iter().any(says) && kind(*of) && free(key));
    if let Some((key, of, _)) = known {
        return ((*key).to_owned(), Some(*of).filter(|_| unit.is_none()));
    }
    let mut made = words.replace(' ', "_");
    if !made.starts_with(|c: char| c.is_ascii_lowercase()) {
        made.insert_str(0, "column_");
    }
    // Room for a number behind it; there are no columns beyond four digits.
    made.truncate(MAX_KEY - 5);
    let mut key = made.clone();
    let mut n = 2;
    while !free(&key) {
        key = format!("{made}_{n}");
        n += 1;
    }
    (key, None)
}

/// A car file that takes the recording in: the columns that were kept, each as a channel in its own unit, or in the car's
/// where the car has such a channel.
pub fn car_file(
    columns: &Columns,
    kept: &[Candidate],
    team: &str,
    name: &str,
    car: Option<&Car>,
) -> String {
    let mut out = String::from(
        "# Proposed from the recording's header and first rows. Look at every unit and range before it is used live:\n# a range here is what was read, made wider by its own width; it is no band.\n\n",
    );
    let _ = writeln!(
        out,
        "team = {}\nname = {}\n\n[replay]",
        quoted(team),
        quoted(name)
    );
    let _ = writeln!(
        out,
        "time = {{ column = {}, form = \"{}\" }}",
        quoted(&columns.time),
        columns.form
    );
    match columns.separator {
        ',' => {}
        '\t' => out.push_str("separator = \"tab\"\n"),
        other => drop(writeln!(out, "separator = \"{other}\"")),
    }
    for candidate in kept {
        let unit = candidate.unit.unwrap_or(Unit::One);
        let own = car
            .and_then(|car| car.channel(&candidate.key.as_str().into()))
            .map(|(_, channel)| channel)
            .filter(|channel| unit.convert(0.0, channel.unit).is_some());
        let (shown, range) = match own {
            Some(channel) => (
                channel.unit,
                (channel.plausible.low, channel.plausible.high),
            ),
            None => {
                // Of numbers so large that 1 more is the same number, some more.
                let (low, high) = (
                    candidate.low.clamp(-LARGEST, LARGEST),
                    candidate.high.clamp(-LARGEST, LARGEST),
                );
                let wide = (high - low).max(low.abs().max(high.abs()) * 1e-6).max(1.0);
                (unit, ((low - wide).floor(), (high + wide).ceil()))
            }
        };
        let label = own.map_or(candidate.header.as_str(), |channel| channel.label.as_str());
        let label: String = label.chars().take(LABEL).collect();
        let _ = write!(
            out,
            "\n[[channel]]\nkey = {}\nlabel = {}\nunit = \"{}\"\nplausible = [{}, {}]\ncolumn = {}\n",
            quoted(&candidate.key),
            quoted(&label),
            shown.symbol(),
            number(range.0),
            number(range.1),
            quoted(&candidate.header)
        );
        if shown != unit {
            let _ = writeln!(out, "column_unit = \"{}\"", unit.symbol());
        }
        if candidate.nth > 1 {
            let _ = writeln!(out, "nth = {}", candidate.nth);
        }
    }
    let first: Vec<String> = kept.iter().take(6).map(|one| quoted(&one.key)).collect();
    let _ = write!(
        out,
        "\n[[role]]\nkey = \"chief\"\nlabel = \"Crew chief\"\nstrips = [{}]\n",
        first.join(", ")
    );
    out
}

/// A text as TOML has it; Rust's own way to escape is another one.
fn quoted(text: &str) -> String {
    toml::Value::from(text).to_string()
}

/// A number as TOML has it: a whole one of more than 18 digits would be too large for it.
fn number(value: f64) -> String {
    match value.abs() < 1e15 {
        true => value.to_string(),
        false => format!("{value:e}"),
    }
}

#[cfg(test)]
mod tests {
    use super::{super::parse_car, *};

    const FILE: &str = "Recorder 3\nserial 12\nTime;Engine RPM [RPM];Oil press (bar);Mode;Head temp [°C];Head temp [°C]\n\
        0.0;0;0.1;OFF;21;20\n0.5;812;3.9;RUN;22;21\n1.0;1500;4.4;RUN;24;22\n";

    #[test]
    fn header_time_units_and_keys_are_found() {
        let columns = look(FILE, None).unwrap();
        assert_eq!(
            (columns.separator, columns.time.as_str(), columns.form),
            (';', "Time", "seconds")
        );
        let told: Vec<_> = columns
            .candidates
            .iter()
            .map(|one| (one.key.as_str(), one.unit, one.nth, one.low, one.high))
            .collect();
        assert_eq!(
            told,
            [
                ("engine_rpm", Some(Unit::Rpm), 1, 0.0, 1500.0),
                ("oil_pressure", Some(Unit::Bar), 1, 0.1, 4.4),
                ("head_temp", Some(Unit::DegC), 1, 21.0, 24.0),
                ("head_temp_2", Some(Unit::DegC), 2, 20.0, 22.0),
            ]
        );
        assert_eq!(columns.others, ["Mode"]);
        // A tab within a header, and a zero byte.
        let odd = look("Time,Oil\tbar,RPM,CHT\0\n0,1,2,3\n1,1,2,3\n", None).unwrap();
        assert_eq!(odd.candidates.len(), 1, "{odd:?}");
        assert_eq!(odd.others, ["Oil\tbar", "CHT\0"]);
        let long = "valve spring seat ".repeat(4);
        let text = format!("Time,{long},{long}\n0,1,2\n1,1,2\n");
        let long = look(&text, None).unwrap();
        let proposed = car_file(&long, &long.candidates, "Team", "Car", None);
        assert!(parse_car("proposed", &proposed).is_ok(), "{proposed}");
        assert_eq!(look("a,b\nc,d\n", None), None);
    }

    #[test]
    fn what_is_proposed_is_a_car_file() {
        let columns = look(FILE, None).unwrap();
        let text = car_file(
            &columns,
            &columns.candidates,
            "Larkspur Racing",
            "Kestrel",
            None,
        );
        let file = super::super::parse_car("proposed.toml", &text)
            .unwrap_or_else(|errors| panic!("{errors}\n{text}"));
        assert_eq!(file.car.channels.len(), 4);
        assert_eq!(file.replay.unwrap().columns[3].nth, 2);
    }
}
