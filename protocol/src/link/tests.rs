//! The link on its own: what it does about silence, lateness, sleep, clocks, and what comes twice.

use super::*;

fn link() -> Link {
    let identity = Identity {
        code: "c".into(),
        name: "n".into(),
        role: "idle".into(),
        device: "phone-0001".into(),
    };
    Link::new(identity, 7)
}

fn welcome(journal: &str) -> Input {
    let json = format!(
        r#"{{"type":"welcome","protocol":1,"hub_version":"0","journal":"{journal}","now":5000,
        "you":{{"id":"phone-0001","name":"n","role":"idle"}},"right":"crew",
        "car":{{"team":"","name":"","channels":[],"roles":[]}},"sheets":[],"join":{{"urls":[],"qr_svg":""}}}}"#
    );
    Input::Received(Box::new(serde_json::from_str(&json).unwrap()))
}

fn noted(seq: Seq) -> Event {
    Event {
        seq,
        at: 0,
        by: None,
        command: None,
        body: EventBody::Noted {
            text: String::new(),
        },
    }
}

fn up(link: &mut Link) {
    assert_eq!(link.take(0.0, Input::Tick), vec![Action::Dial]);
    link.take(20.0, Input::Opened);
    link.take(20.0, welcome("j"));
    assert_eq!(link.state(20.0), State::Connecting, "no readings yet");
    link.take(20.0, readings(5_000));
    assert_eq!(link.state(20.0), State::Live);
}

#[test]
fn silence_is_told_within_the_promise_and_the_socket_given_up() {
    let mut link = link();
    up(&mut link);
    assert_eq!(link.state(2_519.0), State::Lost { since_ms: 20.0 });
    assert_eq!(link.state(2_019.0), State::Live);
    assert_eq!(link.take(3_100.0, Input::Tick), vec![Action::Hang]);
    let redial = link.take(3_400.0, Input::Tick);
    assert_eq!(redial, vec![Action::Dial]);
}

#[test]
fn an_unanswered_command_is_sent_again_with_the_same_id() {
    let mut link = link();
    up(&mut link);
    link.take(
        30.0,
        Input::Want("x1".into(), Command::Note { text: "oil".into() }),
    );
    link.take(40.0, Input::Closed);
    link.take(400.0, Input::Tick);
    let hello = link.take(410.0, Input::Opened);
    assert!(
        matches!(&hello[0], Action::Send(message) if matches!(&**message, ClientMessage::Hello { resume: Some(_), .. }))
    );
    let sent = link.take(420.0, welcome("j"));
    assert!(sent.iter().any(
        |action| matches!(action, Action::Send(message) if matches!(&**message, ClientMessage::Command { id, .. } if id.0 == "x1"))
    ));
    link.take(
        430.0,
        Input::Received(Box::new(HubMessage::Ack {
            id: "x1".into(),
            seq: 3,
        })),
    );
    assert_eq!(link.unanswered().count(), 0);
    assert_eq!(link.answer(&"x1".into()), Some(&Answer::Done(3)));
}

#[test]
fn events_fold_once_and_a_hole_means_joining_again() {
    let mut link = link();
    up(&mut link);
    let events = |events: Vec<Event>| Input::Received(Box::new(HubMessage::Events { events }));
    link.take(30.0, events(vec![noted(1), noted(2)]));
    link.take(31.0, events(vec![noted(2)]));
    assert_eq!(link.mirror().record.seq, 2);
    let actions = link.take(32.0, events(vec![noted(4)]));
    assert_eq!(actions, vec![Action::Hang, Action::Dial]);
    assert_eq!(link.mirror().record.seq, 2);
}

#[test]
fn a_stop_shows_once_whether_it_or_its_event_comes_first() {
    for event_first in [false, true] {
        let mut link = link();
        up(&mut link);
        let who = Who {
            id: "phone-0002".into(),
            name: "o".into(),
            role: "fuel".into(),
        };
        let body = EventBody::Called {
            to: crate::event::Audience::All,
            text: "fire".into(),
            stop: true,
        };
        let event = Event {
            seq: 1,
            at: 0,
            by: Some(who.clone()),
            command: Some("s1".into()),
            body,
        };
        let event = HubMessage::Events {
            events: vec![event],
        };
        let now = HubMessage::StopNow {
            text: "fire".into(),
            by: who,
            command: "s1".into(),
        };
        let both = if event_first {
            [event, now]
        } else {
            [now, event]
        };
        for message in both {
            link.take(30.0, Input::Received(Box::new(message)));
            assert_eq!(
                link.mirror().stop_now.is_some(),
                !event_first && link.mirror().record.seq == 0
            );
        }
        assert_eq!(link.mirror().stop_now, None);
    }
}

#[test]
fn a_wrong_code_is_not_tried_again_by_itself() {
    let mut link = link();
    link.take(0.0, Input::Tick);
    link.take(1.0, Input::Opened);
    let goodbye = HubMessage::Goodbye {
        reason: "wrong code".into(),
        why: Farewell::WrongCode,
        retry_after_ms: None,
    };
    link.take(2.0, Input::Received(Box::new(goodbye)));
    assert!(link.take(60_000.0, Input::Tick).is_empty());
    assert!(matches!(
        link.state(60_000.0),
        State::Refused {
            why: Farewell::WrongCode,
            ..
        }
    ));
}

#[test]
fn ages_are_right_though_the_phone_clock_is_not() {
    let mut link = link();
    up(&mut link);
    // The hub's clock is 1,000,000 ahead of the phone's; the pong took 40 ms there and back.
    link.take(
        100.0,
        Input::Received(Box::new(HubMessage::Pong {
            sent: 60.0,
            now: 1_000_080,
        })),
    );
    let frame = Frame {
        n: 1,
        now: 1_000_110,
        v: vec![Some(1.0)],
        q: "g".into(),
        age: vec![30],
        src: vec![0],
        ..Frame::default()
    };
    link.take(
        130.0,
        Input::Received(Box::new(HubMessage::Readings(frame))),
    );
    assert_eq!(link.age_ms(0, 130.0), Some(50.0));
    assert_eq!(link.age_ms(0, 1_130.0), Some(1_050.0));
}

fn readings(now: Millis) -> Input {
    Input::Received(Box::new(HubMessage::Readings(Frame {
        now,
        ..Frame::default()
    })))
}

fn pong(sent: f64, now: Millis) -> Input {
    Input::Received(Box::new(HubMessage::Pong { sent, now }))
}

#[test]
fn old_frames_one_after_the_other_are_not_live() {
    let mut link = link();
    up(&mut link);
    // The hub's clock is 5,000 ahead, as the pong tells, which took no time.
    link.take(40.0, pong(40.0, 5_040));
    for t in (100..10_000).step_by(100) {
        let now = t as f64;
        // Each frame takes a little longer than the last: half of what has passed.
        let late = t / 2;
        link.take(now, readings(5_000 + t - late));
        let since_ms = (t - late) as f64;
        match late < LINK_LOST_MS {
            true => assert_eq!(link.state(now), State::Live, "{late} ms late"),
            false => assert_eq!(link.state(now), State::Lost { since_ms }, "{late} ms late"),
        }
    }
    link.take(10_000.0, readings(14_990));
    assert_eq!(link.state(10_000.0), State::Live, "caught up");
}

#[test]
fn a_way_that_is_slow_on_one_half_makes_no_reading_younger() {
    let mut link = link();
    up(&mut link);
    // The phone's clock is set 10 s on, and is 4.98 s ahead of the hub's. The hub answers at 8 s, at once; all of the 3 s are the way
    // back, and half-way there it would be 6.5 s at the hub.
    link.take(15_980.0, pong(12_980.0, 8_000));
    // Said at 8.8 s, heard at 11.01 s of the hub's clock.
    link.take(15_990.0, readings(8_800));
    let since_ms = 13_780.0;
    assert_eq!(link.state(15_990.0), State::Lost { since_ms });
    link.take(16_100.0, pong(16_080.0, 11_110));
    link.take(16_110.0, readings(11_115));
    assert_eq!(link.state(16_110.0), State::Live, "quick again");
}

#[test]
fn readings_that_come_late_after_a_late_welcome_are_not_live() {
    let mut link = link();
    assert_eq!(link.take(0.0, Input::Tick), vec![Action::Dial]);
    link.take(10.0, Input::Opened);
    // Said at once, and three seconds on the way, as what comes after it.
    link.take(3_010.0, welcome("j"));
    link.take(3_020.0, readings(5_010));
    assert!(matches!(link.state(3_020.0), State::Lost { .. }));
    link.take(3_100.0, pong(3_080.0, 8_080));
    link.take(3_110.0, readings(8_100));
    assert_eq!(link.state(3_110.0), State::Live);
}

#[test]
fn a_welcome_makes_no_reading_new() {
    let mut link = link();
    up(&mut link);
    link.take(30.0, Input::Closed);
    link.take(1_000.0, Input::Tick);
    link.take(1_010.0, Input::Opened);
    link.take(1_020.0, welcome("j"));
    assert_eq!(link.state(1_030.0), State::Lost { since_ms: 20.0 });
    link.take(1_040.0, readings(5_015));
    assert_eq!(link.state(1_040.0), State::Live);
}

#[test]
fn a_page_that_wakes_is_live_once_it_has_heard() {
    let mut link = link();
    up(&mut link);
    let actions = link.take(500.0, Input::Wake);
    assert!(
        matches!(&actions[..], [Action::Send(message)] if matches!(**message, ClientMessage::Ping { .. })),
        "it asks at once: {actions:?}"
    );
    assert_eq!(link.state(500.0), State::Lost { since_ms: 20.0 });
    link.take(510.0, pong(500.0, 5_485));
    assert_eq!(link.state(510.0), State::Live);
}

#[test]
fn what_waited_in_the_socket_while_the_page_slept_does_not_make_it_live() {
    let mut link = link();
    up(&mut link);
    link.take(1_020.0, Input::Tick);
    // It slept for an hour, and somebody set its clock back by as much: no time has passed, as far as it can tell.
    let actions = link.take(1_020.0, Input::Wake);
    let [Action::Send(asked)] = &actions[..] else {
        panic!("it asks at once: {actions:?}")
    };
    let ClientMessage::Ping { sent, .. } = **asked else {
        panic!("{asked:?}")
    };
    for waited in [pong(1_020.0, 6_010), readings(6_015)] {
        link.take(1_020.0, waited);
        assert!(matches!(link.state(1_020.0), State::Lost { .. }));
    }
    let hour = 3_600_000;
    link.take(1_050.0, pong(sent, 6_035 + hour));
    assert!(
        matches!(link.state(1_050.0), State::Lost { since_ms } if since_ms < -3_500_000.0),
        "it knows now how old they are: {:?}",
        link.state(1_050.0)
    );
    link.take(1_060.0, readings(6_050 + hour));
    assert_eq!(link.state(1_060.0), State::Live);
}

#[test]
fn what_was_asked_before_a_sleep_is_no_measure() {
    let mut link = link();
    up(&mut link);
    link.take(1_020.0, Input::Tick);
    // It slept for two seconds that its clock, set back meanwhile, does not know of: the hub is 6,980 ahead of it now, not 4,980.
    let actions = link.take(1_020.0, Input::Wake);
    let [Action::Send(asked)] = &actions[..] else {
        panic!("it asks at once: {actions:?}")
    };
    let ClientMessage::Ping { sent, .. } = **asked else {
        panic!("{asked:?}")
    };
    // What was asked before is answered after; by it the hub would be 4,985 ms ahead at most.
    link.take(1_030.0, pong(1_015.0, 6_000));
    // What it asked since is answered at 1.03 s, at once; that and a reading are 2.1 s on their way.
    link.take(3_130.0, pong(sent, 8_010));
    link.take(3_135.0, readings(8_015));
    assert!(matches!(link.state(3_135.0), State::Lost { .. }));
    link.take(3_200.0, readings(10_170));
    assert_eq!(link.state(3_200.0), State::Live, "quick again");
}

#[test]
fn a_clock_that_was_set_is_noticed_by_what_cannot_be() {
    let mut link = link();
    up(&mut link);
    link.take(40.0, pong(40.0, 5_020));
    assert_eq!(link.hub_now(100.0), Some(5_080.0));
    // The phone's clock goes forward by a second and a half; the next pong contradicts the last, though its lag is worse.
    link.take(2_000.0, pong(1_960.0, 5_460));
    assert_eq!(link.hub_now(2_000.0), Some(5_480.0));
    // And back again, as the frames tell before any pong.
    link.take(600.0, readings(5_590));
    assert_eq!(link.hub_now(610.0), Some(5_600.0));
}

fn goodbye(why: Farewell) -> Input {
    Input::Received(Box::new(HubMessage::Goodbye {
        reason: String::new(),
        why,
        retry_after_ms: None,
    }))
}

fn said(actions: &[Action]) -> (String, Option<String>) {
    match &actions[0] {
        Action::Send(message) => match &**message {
            ClientMessage::Hello { code, token, .. } => (code.clone(), token.clone()),
            other => panic!("{other:?}"),
        },
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_token_takes_the_place_of_the_code_until_the_hub_knows_it_no_more() {
    let mut link = link();
    link.take(0.0, Input::Tick);
    assert_eq!(said(&link.take(1.0, Input::Opened)), ("c".to_owned(), None));
    let Input::Received(mut message) = welcome("j") else {
        unreachable!()
    };
    if let HubMessage::Welcome(welcome) = &mut *message {
        welcome.token = Some("t".to_owned());
    }
    link.take(2.0, Input::Received(message));
    link.take(3.0, Input::Closed);
    link.take(400.0, Input::Tick);
    let token = Some("t".to_owned());
    assert_eq!(
        said(&link.take(401.0, Input::Opened)),
        (String::new(), token)
    );
    let actions = link.take(402.0, goodbye(Farewell::WrongCode));
    assert_eq!(actions, vec![Action::Hang, Action::Dial], "by code at once");
    assert_eq!(
        said(&link.take(403.0, Input::Opened)),
        ("c".to_owned(), None)
    );
    link.take(404.0, goodbye(Farewell::WrongCode));
    assert!(link.take(60_000.0, Input::Tick).is_empty());
}

#[test]
fn who_was_put_out_does_not_come_back_by_itself() {
    let mut link = link().with_token(Some("t".to_owned()));
    link.take(0.0, Input::Tick);
    link.take(1.0, Input::Opened);
    link.take(2.0, goodbye(Farewell::PutOut));
    assert_eq!(link.token(), None);
    assert!(link.take(60_000.0, Input::Tick).is_empty());
    assert!(link.take(60_001.0, Input::Wake).is_empty());
}

fn hubs(standing: &str, epoch: u64, here: bool) -> Hubs {
    let json = format!(
        r#"{{"standing":"{standing}","charge":{{"epoch":{epoch},"hub":"h","proof":""}},
        "other":{{"urls":["http://192.0.2.8:4780"],"here":{here},"behind":0}}}}"#
    );
    serde_json::from_str(&json).unwrap()
}

fn told(hubs: Hubs) -> Input {
    Input::Received(Box::new(HubMessage::Hubs(hubs)))
}

fn welcome_with(hubs: Hubs) -> Input {
    let Input::Received(mut message) = welcome("j") else {
        unreachable!("a message")
    };
    if let HubMessage::Welcome(welcome) = &mut *message {
        welcome.hubs = hubs;
    }
    Input::Received(message)
}

fn sent(actions: &[Action], id: &str) -> bool {
    actions.iter().any(|action| {
        matches!(action, Action::Send(message)
            if matches!(&**message, ClientMessage::Command { id: known, .. } if known.0 == id))
    })
}

#[test]
fn the_second_laptop_is_tried_when_the_first_is_gone_and_marks_wait_until_it_is_in_charge() {
    let mut link = link();
    up(&mut link);
    link.take(30.0, told(hubs("in_charge", 1, true)));
    link.take(40.0, Input::Closed);
    // A blip is likelier than a death: the same hub once more, then the other.
    assert_eq!(link.take(400.0, Input::Tick), vec![Action::Dial]);
    assert_eq!(link.target(), "");
    link.take(410.0, Input::Closed);
    assert_eq!(link.take(1_500.0, Input::Tick), vec![Action::Dial]);
    assert_eq!(link.target(), "http://192.0.2.8:4780");
    let hello = link.take(1_510.0, Input::Opened);
    assert!(
        matches!(&hello[0], Action::Send(message) if matches!(&**message, ClientMessage::Hello { seen: Some(seen), .. } if seen.charge.epoch == 1)),
        "it tells what it has seen"
    );
    link.take(1_520.0, welcome_with(hubs("standby", 1, false)));
    link.take(1_520.0, readings(5_000));
    assert_eq!(link.state(1_521.0), State::Live);
    assert!(!link.in_charge());
    let mark = Command::Mark { step: "s".into() };
    let stop = Command::Stop {
        text: "fire".into(),
    };
    assert!(!sent(
        &link.take(1_530.0, Input::Want("m".into(), mark)),
        "m"
    ));
    assert!(sent(
        &link.take(1_540.0, Input::Want("s".into(), stop)),
        "s"
    ));
    let now = link.take(1_550.0, told(hubs("in_charge", 2, false)));
    assert!(sent(&now, "m") && sent(&now, "s") && link.in_charge());
    // The first one is back and has heard nothing: refused, and left for the other.
    link.take(1_560.0, Input::Closed);
    link.take(3_000.0, Input::Tick);
    link.take(3_010.0, Input::Closed);
    link.take(9_000.0, Input::Tick);
    assert_eq!(link.target(), "");
    link.take(9_010.0, Input::Opened);
    let after = link.take(9_020.0, welcome("j"));
    assert!(!link.in_charge() && !sent(&after, "m"));
    assert!(after.contains(&Action::Hang));
    assert_eq!(link.target(), "http://192.0.2.8:4780");
}

#[test]
fn a_second_laptop_with_another_code_does_not_lock_the_phone_out_of_the_first() {
    let mut link = link();
    up(&mut link);
    link.take(30.0, told(hubs("in_charge", 0, true)));
    link.take(40.0, Input::Closed);
    link.take(400.0, Input::Tick);
    link.take(410.0, Input::Closed);
    link.take(1_500.0, Input::Tick);
    link.take(1_510.0, Input::Opened);
    let goodbye = HubMessage::Goodbye {
        reason: "wrong code".into(),
        why: Farewell::WrongCode,
        retry_after_ms: None,
    };
    link.take(1_520.0, Input::Received(Box::new(goodbye)));
    assert_eq!(link.target(), "");
    assert_eq!(link.take(9_000.0, Input::Tick), vec![Action::Dial]);
}

#[test]
fn a_token_is_good_at_the_laptop_that_gave_it() {
    let mut link = link().with_token(Some("first's".to_owned()));
    up(&mut link);
    link.take(30.0, told(hubs("in_charge", 1, true)));
    link.take(40.0, Input::Closed);
    link.take(400.0, Input::Tick);
    let again = link.take(405.0, Input::Opened);
    assert_eq!(said(&again), (String::new(), Some("first's".to_owned())));
    link.take(410.0, Input::Closed);
    link.take(1_500.0, Input::Tick);
    assert_eq!(link.target(), "http://192.0.2.8:4780");
    let other = link.take(1_510.0, Input::Opened);
    assert_eq!(said(&other), ("c".to_owned(), None), "by code");
    let Input::Received(mut message) = welcome_with(hubs("in_charge", 2, false)) else {
        unreachable!("a message")
    };
    if let HubMessage::Welcome(welcome) = &mut *message {
        welcome.token = Some("second's".to_owned());
    }
    link.take(1_520.0, Input::Received(message));
    assert_eq!(link.token(), Some("second's"));
    link.take(1_530.0, Input::Closed);
    link.take(2_900.0, Input::Tick);
    link.take(2_910.0, Input::Closed);
    link.take(9_000.0, Input::Tick);
    assert_eq!(
        (link.target(), link.token()),
        ("", Some("first's")),
        "and back"
    );
}
