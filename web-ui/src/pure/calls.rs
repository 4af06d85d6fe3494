//! Which calls a person is shown, and who has seen one. No I/O.

use spinover_protocol::{
    Millis, Seq,
    event::{Audience, Who},
    link::{Mirror, not_seen_by},
    map::sort_few,
    record::{Call, Record},
};

/// A call older than this is not thrown in the face of somebody who has just come: it waits in the list.
pub const FRESH_MS: Millis = 5 * 60_000;
/// A wall shows a call for this long; nobody stands before it to say seen.
pub const WALL_MS: Millis = 20_000;

/// A call that somebody has not seen for this long flashes and buzzes on their phone again.
pub const AGAIN_MS: Millis = 20_000;
/// So often at most: whoever has not looked by then will not look for another flash, and the sender knows who it is.
const AGAIN_MOST: Millis = 2;

/// How often a call made at `at` has been called again by `now`.
pub fn called_again(at: Millis, now: Millis) -> u8 {
    u8::try_from(((now - at) / AGAIN_MS).clamp(0, AGAIN_MOST)).unwrap_or(0)
}

/// Whether a phone is a wall: it shows calls, but has no eyes, so no call waits for it.
pub fn is_wall(who: &Who) -> bool {
    who.role.as_str() == "wall"
}

/// The ordinary calls of the last `fresh_ms` that this person should be interrupted by, latest first.
pub fn incoming<'a>(
    record: &'a Record,
    me: &'a Who,
    now: Millis,
    fresh_ms: Millis,
) -> impl Iterator<Item = &'a Call> {
    let calls = record
        .warmup
        .iter()
        .filter(|warmup| warmup.closed_at.is_none())
        .flat_map(|warmup| warmup.calls.iter().rev());
    calls.filter(move |call| !call.stop && call.waits_for(me) && now - call.said.at < fresh_ms)
}

/// The stop that takes over this person's screen: the latest that is not lifted and that they have not said seen to. A wall goes on to
/// show the readings after a while, with the stop above them.
pub fn takeover<'a>(record: &'a Record, me: &Who, now: Millis) -> Option<&'a Call> {
    record
        .warmup
        .as_ref()?
        .stops()
        .find(|call| call.waits_for(me) && (!is_wall(me) || now - call.said.at < WALL_MS))
}

/// Who is here and has not seen a call, walls apart.
fn unseen(mirror: &Mirror, call: Seq) -> impl Iterator<Item = &Who> {
    not_seen_by(mirror, call)
        .into_iter()
        .map(|present| &present.who)
        .filter(|who| !is_wall(who))
}

/// The latest call of this person's own that somebody here has not seen yet, for `keep_ms` after it was made or seen by all.
pub fn own_latest<'a>(
    mirror: &'a Mirror,
    me: &Who,
    now: Millis,
    keep_ms: Millis,
) -> Option<&'a Call> {
    let warmup = mirror.record.warmup.as_ref()?;
    let own = warmup
        .calls
        .iter()
        .rev()
        .find(|call| !call.stop && call.said.by.as_ref().is_some_and(|by| by.id == me.id))?;
    if own.lifted.is_some() {
        return None;
    }
    let settled = own
        .seen
        .values()
        .copied()
        .max()
        .unwrap_or(own.said.at)
        .max(own.said.at);
    let open = unseen(mirror, own.seq).next().is_some() && now - own.said.at < FRESH_MS;
    (open || now - settled < keep_ms).then_some(own)
}

/// Names of those who have seen a call, in the order in which they did.
pub fn seen_names(record: &Record, call: &Call) -> Vec<String> {
    let mut seen: Vec<_> = call.seen.iter().collect();
    sort_few(&mut seen, |(id, at)| (**at, (*id).clone()));
    let name = |id| {
        record
            .people
            .get(id)
            .map_or_else(|| "?".to_owned(), |person| person.who.name.clone())
    };
    seen.into_iter().map(|(id, _)| name(id)).collect()
}

/// Names of those here who have not seen a call.
pub fn unseen_names(mirror: &Mirror, call: Seq) -> Vec<String> {
    unseen(mirror, call).map(|who| who.name.clone()).collect()
}

/// The label of an audience: a role's, or nothing for everyone.
pub fn audience_label(mirror: &Mirror, to: &Audience) -> Option<String> {
    let Audience::Role(key) = to else { return None };
    let role = mirror
        .welcome
        .as_ref()
        .and_then(|welcome| welcome.car.role(key));
    Some(role.map_or_else(|| key.to_string(), |role| role.label.clone()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use spinover_protocol::{
        event::{Event, EventBody, Right},
        message::Present,
        sheet::Sheet,
    };

    fn who(id: &str, role: &str) -> Who {
        Who {
            id: id.into(),
            name: id.to_uppercase(),
            role: role.into(),
        }
    }

    fn mirror(events: Vec<(Option<Who>, EventBody)>) -> Mirror {
        let mut mirror = Mirror::default();
        let sheet = Box::new(Sheet {
            key: "s".into(),
            name: "s".into(),
            phases: vec![],
        });
        let car = serde_car();
        let begun = (
            None,
            EventBody::WarmupBegun {
                id: "w".into(),
                sheet,
                car,
                today: Box::default(),
            },
        );
        for (index, (by, body)) in std::iter::once(begun).chain(events).enumerate() {
            let seq = index as Seq + 1;
            mirror.record.apply(&Event {
                seq,
                at: seq as Millis * 1_000,
                by,
                command: None,
                body,
            });
        }
        for person in ["ana", "ben", "cy"] {
            let present = Present {
                who: who(person, "idle"),
                right: Right::Crew,
                here: true,
                lag_ms: None,
                since: 0,
            };
            mirror.people.push(present);
        }
        mirror
    }

    fn serde_car() -> Box<spinover_protocol::car::Car> {
        Box::new(spinover_protocol::car::Car {
            team: String::new(),
            name: String::new(),
            channels: vec![],
            roles: vec![],
            calls: vec![],
            tank_l: None,
            reserve_l: None,
            alarms: vec![],
            fuel: None,
        })
    }

    fn called(by: &str, to: Audience, stop: bool) -> (Option<Who>, EventBody) {
        (
            Some(who(by, "idle")),
            EventBody::Called {
                to,
                text: "flow up".into(),
                stop,
            },
        )
    }

    #[test]
    fn a_call_interrupts_those_it_is_for_until_they_say_seen() {
        let seen = (Some(who("ben", "idle")), EventBody::Seen { call: 2 });
        let mirror = mirror(vec![called("ana", Audience::All, false), seen]);
        let count = |person: &str, now| {
            incoming(&mirror.record, &who(person, "idle"), now, FRESH_MS).count()
        };
        assert_eq!(
            (count("ana", 3_000), count("ben", 3_000), count("cy", 3_000)),
            (0, 0, 1)
        );
        assert_eq!(
            count("cy", 2_000 + FRESH_MS),
            0,
            "an old one is not thrown at a newcomer"
        );
        let call = &mirror.record.warmup.as_ref().unwrap().calls[0];
        assert_eq!(
            seen_names(&mirror.record, call),
            ["?"],
            "ben is not among the people of this record"
        );
        assert_eq!(unseen_names(&mirror, 2), ["CY"]);
    }

    #[test]
    fn an_unseen_call_comes_again_twice_at_most() {
        let again = |after: Millis| called_again(5_000, 5_000 + after);
        assert_eq!(
            [-3_000, 0, 19_999, 20_000, 39_999, 40_000, 3_600_000].map(again),
            [0, 0, 0, 1, 1, 2, 2]
        );
    }

    #[test]
    fn no_call_waits_for_a_wall() {
        let mut mirror = mirror(vec![called("ana", Audience::All, false)]);
        mirror.people[1].who.role = "wall".into();
        assert_eq!(unseen_names(&mirror, 2), ["CY"]);
    }

    #[test]
    fn a_stop_takes_over_each_screen_once() {
        let seen = (Some(who("ben", "idle")), EventBody::Seen { call: 2 });
        let mirror = mirror(vec![called("ana", Audience::All, true), seen]);
        let shown = |person: &str, role: &str, now| {
            takeover(&mirror.record, &who(person, role), now).map(|call| call.seq)
        };
        assert_eq!(shown("ana", "idle", 3_000), None);
        assert_eq!(shown("ben", "idle", 3_000), None);
        assert_eq!(shown("cy", "idle", 3_000_000), Some(2));
        assert_eq!(shown("tv", "wall", 3_000), Some(2));
        assert_eq!(
            shown("tv", "wall", 2_000 + WALL_MS),
            None,
            "a wall has nobody to say seen"
        );
    }

    #[test]
    fn the_senders_receipt_stays_while_somebody_has_not_seen() {
        let mut mirror = mirror(vec![called("ana", Audience::All, false)]);
        let ana = who("ana", "idle");
        assert!(own_latest(&mirror, &ana, 60_000, 5_000).is_some());
        mirror.people.retain(|present| present.who.id == ana.id);
        assert!(
            own_latest(&mirror, &ana, 60_000, 5_000).is_none(),
            "nobody else is here"
        );
        assert!(own_latest(&mirror, &ana, 6_000, 5_000).is_some());
    }
}
