//! Every example in `MESSAGES.md` decodes, encodes to the same JSON again, and no kind of message is without one.

use serde_json::Value;
use spinover_protocol::{
    event::Event,
    hubs::PeerMessage,
    message::{ClientMessage, HubMessage},
};

const DOC: &str = include_str!("../MESSAGES.md");

/// Titles and JSON of the examples.
fn examples() -> Vec<(String, String)> {
    let mut examples = Vec::new();
    for part in DOC.split("\n### ").skip(1) {
        let title = part.lines().next().expect("a title").to_owned();
        let json = part
            .split("```json\n")
            .nth(1)
            .and_then(|rest| rest.split("\n```").next())
            .expect("an example");
        examples.push((title, json.to_owned()));
    }
    examples
}

/// JSON with every number as a float, so that `7` and `7.0` are the same.
fn plain(value: Value) -> Value {
    match value {
        Value::Number(number) => Value::from(number.as_f64()),
        Value::Array(items) => items.into_iter().map(plain).collect(),
        Value::Object(fields) => fields
            .into_iter()
            .map(|(key, value)| (key, plain(value)))
            .collect(),
        other => other,
    }
}

fn same_again(title: &str, json: &str) {
    let given: Value =
        serde_json::from_str(json).unwrap_or_else(|error| panic!("{title}: {error}"));
    let again = if given.get("kind").is_some() {
        serde_json::to_value(
            serde_json::from_str::<Event>(json).unwrap_or_else(|error| panic!("{title}: {error}")),
        )
    } else if let Ok(message) = serde_json::from_str::<ClientMessage>(json) {
        serde_json::to_value(message)
    } else if let Ok(message) = serde_json::from_str::<PeerMessage>(json)
        && !matches!(message, PeerMessage::Events { .. })
    {
        serde_json::to_value(message)
    } else {
        let message = serde_json::from_str::<HubMessage>(json);
        serde_json::to_value(message.unwrap_or_else(|error| panic!("{title}: {error}")))
    };
    assert_eq!(plain(again.expect("encodes")), plain(given), "{title}");
}

#[test]
fn examples_decode_and_encode_to_the_same() {
    for (title, json) in examples() {
        same_again(&title, &json);
    }
}

/// The names that serde lists when it meets an unknown one are all that there are.
fn names<T: serde::de::DeserializeOwned>(tag: &str, extra: &str) -> Vec<String> {
    let error = match serde_json::from_str::<T>(&format!(r#"{{{extra}"{tag}":"?"}}"#)) {
        Ok(_) => panic!("'?' is no name"),
        Err(error) => error.to_string(),
    };
    let list = error
        .split("expected one of ")
        .nth(1)
        .unwrap_or_else(|| panic!("no list in: {error}"));
    list.split('`')
        .skip(1)
        .step_by(2)
        .map(str::to_owned)
        .collect()
}

#[test]
fn every_kind_has_an_example() {
    let titles: Vec<String> = examples().into_iter().map(|(title, _)| title).collect();
    let mut wanted = names::<ClientMessage>("type", "");
    wanted.retain(|name| name != "command");
    wanted.extend(names::<HubMessage>("type", ""));
    wanted.extend(names::<PeerMessage>("type", ""));
    wanted.extend(names::<Event>("kind", r#""seq":1,"at":1,"#));
    wanted.extend(names::<ClientMessage>(
        "do",
        r#""type":"command","id":"x","#,
    ));
    assert!(wanted.len() > 40, "{wanted:?}");
    for name in wanted {
        assert!(titles.contains(&name), "no example of {name}");
    }
}
