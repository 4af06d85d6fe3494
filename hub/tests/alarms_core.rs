//! When alarms come and go, and what the chief can do about them: through the core, with readings and times made by hand.
//!
//! What the states mean is ANSI/ISA-18.2's; that on-delay is "above for the whole delay" and a deadband is on the way back
//! only is OPC UA Part 9's (B.1.5), as noted beside the project's references.

mod alarms_support;

use alarms_support::{HEAD, IMPLAUSIBLE, OIL, OLD_AFTER, Pit, RPM, above, alarm, below, hold};
use spinover_protocol::{
    alarm::{Alarm, AlarmState as S, InPhases, Watch},
    event::Right,
    message::Command,
};

fn oil() -> Alarm {
    alarm("oil", 1, below("oil", 25.0))
}

fn head() -> Alarm {
    alarm("head", 1, above("head", 290.0))
}

/// A pit in which that alarm has just been raised by low oil.
fn raised(alarm: Alarm) -> Pit {
    let mut pit = Pit::new(vec![alarm]);
    pit.keep(300, &[(OIL, 10.0)]);
    assert_eq!(pit.news(), ["oil raised"]);
    pit
}

fn shelve(for_s: u32) -> Command {
    Command::ShelveAlarm {
        alarm: "oil".into(),
        for_s,
        reason: "gauge".to_owned(),
    }
}

fn acknowledge(key: &str) -> Command {
    Command::AcknowledgeAlarm { alarm: key.into() }
}

#[test]
fn the_on_delay_is_kept_to_the_millisecond_and_begins_anew_after_a_break() {
    let mut pit = Pit::new(vec![oil()]);
    pit.read(&[(OIL, 60.0)]);
    pit.read(&[(OIL, 10.0)]);
    pit.later(299);
    assert!(pit.news().is_empty());
    pit.read(&[(OIL, 60.0)]);
    pit.later(1);
    pit.read(&[(OIL, 10.0)]);
    pit.later(299);
    assert!(pit.news().is_empty());
    pit.later(1);
    assert_eq!(pit.news(), ["oil raised"]);
    let now = &pit.warmup().alarms[&"oil".into()];
    assert_eq!((now.value, now.raised_at), (Some(10.0), Some(pit.now)));
    assert_eq!(pit.urgent(), ["oil"]);
}

#[test]
fn the_off_delay_is_kept_to_the_millisecond_and_begins_anew_after_a_break() {
    let mut pit = raised(oil());
    pit.keep(1_999, &[(OIL, 60.0)]);
    pit.read(&[(OIL, 10.0)]);
    pit.keep(1_999, &[(OIL, 60.0)]);
    assert!(pit.news().is_empty());
    assert_eq!(pit.urgent(), ["oil"]);
    pit.later(1);
    assert_eq!(pit.news(), ["oil returned"]);
    assert!(pit.urgent().is_empty());
    assert_eq!(pit.state("oil"), S::ReturnedUnacknowledged);
}

#[test]
fn a_deadband_is_on_the_way_back_only() {
    let mut pit = Pit::new(vec![Alarm {
        deadband: 5.0,
        ..oil()
    }]);
    pit.keep(5_000, &[(OIL, 25.0)]);
    assert!(pit.news().is_empty(), "at the limit is not below it");
    pit.keep(300, &[(OIL, 24.9)]);
    assert_eq!(pit.news(), ["oil raised"]);
    pit.keep(5_000, &[(OIL, 29.9)]);
    assert!(pit.news().is_empty(), "within the deadband");
    pit.keep(2_000, &[(OIL, 30.0)]);
    assert_eq!(pit.news(), ["oil returned"]);
    pit.keep(5_000, &[(OIL, 25.1)]);
    assert!(
        pit.news().is_empty(),
        "and it does not come back before the limit"
    );
}

#[test]
fn a_deadband_wider_than_the_band_still_lets_the_alarm_go() {
    let mut pit = Pit::new(vec![Alarm {
        deadband: 6.0,
        ..alarm("band", 2, Watch::OutOfBand("oil".into()))
    }]);
    pit.keep(300, &[(OIL, 50.0)]);
    assert_eq!(pit.news(), ["band raised"]);
    pit.keep(5_000, &[(OIL, 60.5)]);
    assert!(pit.news().is_empty());
    pit.keep(2_000, &[(OIL, 62.0)]);
    assert_eq!(pit.news(), ["band returned"]);
}

#[test]
fn readings_in_doubt_prove_nothing_either_way() {
    let mut pit = Pit::new(vec![oil(), head()]);
    pit.read(&[(OIL, 60.0)]);
    pit.keep(5_000, &[(HEAD, IMPLAUSIBLE), (OIL, -50.0)]);
    assert!(pit.news().is_empty(), "suspect readings raise nothing");

    pit.keep(300, &[(OIL, 10.0)]);
    assert_eq!(pit.news(), ["oil raised"]);
    pit.keep(10_000, &[(OIL, IMPLAUSIBLE)]);
    for _ in 0..100 {
        pit.later(100);
    }
    assert!(
        pit.news().is_empty(),
        "neither suspect nor old ones clear it"
    );

    // One good reading, and then silence: it holds until it is old, and after that it counts no further.
    pit.read(&[(OIL, 60.0)]);
    for _ in 0..200 {
        pit.later(100);
    }
    assert!(pit.news().is_empty(), "one reading is not two seconds");
    pit.keep(2_000 - OLD_AFTER, &[(OIL, 60.0)]);
    assert_eq!(pit.news(), ["oil returned"]);
}

#[test]
fn doubt_in_between_does_not_put_an_alarm_off() {
    let mut pit = Pit::new(vec![oil()]);
    pit.read(&[(OIL, 10.0)]);
    for value in [IMPLAUSIBLE, IMPLAUSIBLE] {
        pit.later(100);
        pit.read(&[(OIL, value)]);
    }
    pit.later(99);
    pit.read(&[(OIL, 10.0)]);
    assert!(pit.news().is_empty());
    pit.later(1);
    assert_eq!(pit.news(), ["oil raised"]);
}

#[test]
fn an_alarm_means_nothing_before_its_phases_and_is_not_silenced_by_their_end() {
    let mut pit = Pit::new(vec![Alarm {
        phases: InPhases::Firing,
        ..oil()
    }]);
    pit.keep(5_000, &[(OIL, 0.0)]);
    assert!(pit.news().is_empty());
    assert_eq!(pit.state("oil"), S::Suppressed);
    pit.mark("lit");
    assert_eq!(pit.state("oil"), S::Normal);
    pit.keep(299, &[(OIL, 0.0)]);
    assert!(pit.news().is_empty(), "the delay begins with the phase");
    pit.later(1);
    assert_eq!(pit.news(), ["oil raised"]);

    pit.mark("done");
    assert_eq!(pit.state("oil"), S::Unacknowledged);
    assert_eq!(pit.urgent(), ["oil"]);
    pit.keep(2_000, &[(OIL, 0.0)]);
    assert_eq!(pit.news(), ["oil returned"]);
    pit.keep(60_000, &[(OIL, 0.0)]);
    assert_eq!(pit.state("oil"), S::ReturnedUnacknowledged);
    assert_eq!(pit.warmup().alarms_shown().len(), 1);
    pit.chief(acknowledge("oil"));
    assert_eq!(pit.state("oil"), S::Suppressed);
    assert!(pit.warmup().alarms_shown().is_empty());
}

#[test]
fn an_alarm_is_judged_only_while_something_holds() {
    let mut pit = Pit::new(vec![Alarm {
        only_while: hold("rpm", 900.0, 2_000),
        ..oil()
    }]);
    pit.keep(10_000, &[(OIL, 0.0), (RPM, 200.0)]);
    pit.keep(2_299, &[(OIL, 0.0), (RPM, 1_000.0)]);
    assert!(pit.news().is_empty());
    pit.later(1);
    assert_eq!(pit.news(), ["oil raised"]);
    // Engine speed is no longer heard: what was so last is taken to be so still.
    pit.keep(10_000, &[(OIL, 0.0)]);
    assert!(pit.news().is_empty());
    pit.keep(2_000, &[(OIL, 0.0), (RPM, 0.0)]);
    assert_eq!(pit.news(), ["oil returned"]);
}

#[test]
fn an_alarm_is_judged_only_once_something_has_held() {
    let mut pit = Pit::new(vec![Alarm {
        once: hold("rpm", 900.0, 1_000),
        phases: InPhases::Firing,
        ..alarm("stopped", 1, below("rpm", 700.0))
    }]);
    pit.keep(5_000, &[(RPM, 2_000.0)]);
    pit.mark("lit");
    pit.keep(5_000, &[(RPM, 0.0)]);
    assert!(
        pit.news().is_empty(),
        "what held before its phases does not count"
    );
    pit.keep(900, &[(RPM, 1_000.0)]);
    pit.keep(5_000, &[(RPM, 0.0)]);
    assert!(pit.news().is_empty(), "not for long enough");
    pit.keep(1_000, &[(RPM, 1_000.0)]);
    pit.keep(300, &[(RPM, 0.0)]);
    assert_eq!(pit.news(), ["stopped raised"]);
}

#[test]
fn silence_is_what_comes_after_something_came() {
    let silent = Alarm {
        on_delay_ms: 0,
        ..alarm("silent", 1, Watch::SilentMs(500))
    };
    let mut pit = Pit::new(vec![silent]);
    pit.later(60_000);
    assert!(pit.news().is_empty(), "nothing was heard yet");
    pit.read(&[(OIL, 60.0)]);
    pit.later(500);
    assert!(pit.news().is_empty());
    let (channel, value) = ("oil".into(), 60.0);
    pit.chief(Command::TypeReading { channel, value });
    pit.later(1);
    assert_eq!(pit.news(), ["silent raised"], "typing is not the car");
    pit.keep(2_000, &[(RPM, 0.0)]);
    assert_eq!(pit.news(), ["silent returned"]);
}

fn cause_and_consequence(cause: u8, consequence: u8) -> Vec<Alarm> {
    vec![
        Alarm {
            follows: vec!["stopped".into()],
            ..alarm("oil", consequence, below("oil", 25.0))
        },
        alarm("stopped", cause, below("rpm", 700.0)),
    ]
}

#[test]
fn a_consequence_is_quiet_behind_its_cause_and_news_when_the_cause_has_gone() {
    let mut pit = Pit::new(cause_and_consequence(1, 1));
    pit.keep(300, &[(OIL, 0.0), (RPM, 0.0)]);
    assert_eq!(pit.news(), ["stopped raised", "oil after stopped"]);
    assert_eq!(pit.state("oil"), S::Acknowledged);
    assert_eq!(pit.urgent(), ["oil", "stopped"], "quiet is not hidden");
    assert_eq!(pit.warmup().first_out().unwrap().as_str(), "stopped");
    let came = pit.now;
    pit.keep(2_000, &[(OIL, 0.0), (RPM, 2_000.0)]);
    assert_eq!(pit.news(), ["stopped returned", "oil raised"]);
    assert_eq!(pit.state("oil"), S::Unacknowledged);
    let now = &pit.warmup().alarms[&"oil".into()];
    assert_eq!((now.raised_at, now.times), (Some(came), 1), "it went on");
}

#[test]
fn what_goes_with_its_cause_is_no_news() {
    let mut pit = Pit::new(cause_and_consequence(1, 2));
    pit.keep(300, &[(OIL, 0.0), (RPM, 0.0)]);
    pit.news();
    pit.keep(2_000, &[(OIL, 60.0), (RPM, 2_000.0)]);
    let mut gone = pit.news();
    gone.sort();
    assert_eq!(gone, ["oil returned", "stopped returned"]);
    assert_eq!(pit.state("oil"), S::Normal);
}

#[test]
fn nothing_hides_behind_a_less_urgent_alarm_or_one_put_aside() {
    let mut pit = Pit::new(cause_and_consequence(2, 1));
    pit.keep(300, &[(OIL, 0.0), (RPM, 0.0)]);
    assert_eq!(pit.news(), ["stopped raised", "oil raised"]);

    let aside = Command::ShelveAlarm {
        alarm: "stopped".into(),
        for_s: 60,
        reason: "on purpose".to_owned(),
    };
    let mut pit = Pit::new(cause_and_consequence(1, 1));
    pit.keep(300, &[(OIL, 60.0), (RPM, 0.0)]);
    pit.chief(aside.clone());
    pit.keep(300, &[(OIL, 0.0), (RPM, 0.0)]);
    assert_eq!(pit.news(), ["stopped raised", "oil raised"]);

    let mut pit = Pit::new(cause_and_consequence(1, 1));
    pit.keep(300, &[(OIL, 0.0), (RPM, 0.0)]);
    assert_eq!(pit.news(), ["stopped raised", "oil after stopped"]);
    pit.chief(aside);
    pit.later(1);
    assert_eq!(pit.news(), ["oil raised"]);
    assert_eq!(pit.state("oil"), S::Unacknowledged);
}

#[test]
fn where_causes_go_in_a_ring_one_of_them_is_news() {
    let ring = |key: &str, follows: &str, channel: &str| Alarm {
        follows: vec![follows.into()],
        ..alarm(key, 1, below(channel, 25.0))
    };
    let mut pit = Pit::new(vec![ring("a", "b", "oil"), ring("b", "a", "rpm")]);
    pit.keep(300, &[(OIL, 0.0), (RPM, 0.0)]);
    assert_eq!(pit.news(), ["a raised", "b after a"]);
    pit.keep(2_000, &[(OIL, 60.0), (RPM, 0.0)]);
    assert_eq!(pit.news(), ["a returned", "b raised"]);
}

#[test]
fn a_latched_alarm_stays_until_it_is_acknowledged_and_reset() {
    let reset = || Command::ResetAlarm {
        alarm: "oil".into(),
    };
    let mut pit = raised(Alarm {
        latched: true,
        ..oil()
    });
    let refused = pit.ask(Right::Chief, reset()).unwrap_err();
    assert!(refused.contains("still so"), "{refused}");
    pit.keep(2_000, &[(OIL, 60.0)]);
    assert_eq!(pit.state("oil"), S::LatchedUnacknowledged);
    let refused = pit.ask(Right::Chief, reset()).unwrap_err();
    assert!(refused.contains("acknowledge"), "{refused}");
    pit.chief(acknowledge("oil"));
    assert_eq!(pit.state("oil"), S::LatchedAcknowledged);
    pit.keep(60_000, &[(OIL, 60.0)]);
    assert_eq!(pit.warmup().alarms_shown().len(), 1);
    pit.chief(reset());
    assert_eq!(pit.state("oil"), S::Normal);
}

#[test]
fn a_shelf_is_short_and_ends_by_itself_and_loudly() {
    let mut pit = raised(oil());
    for for_s in [0, 61, 901] {
        let refused = pit.ask(Right::Chief, shelve(for_s)).unwrap_err();
        assert!(refused.contains("1 to 60 seconds"), "{refused}");
    }
    let nameless = Command::ShelveAlarm {
        alarm: "oil".into(),
        for_s: 60,
        reason: String::new(),
    };
    assert!(pit.ask(Right::Chief, nameless).is_err(), "no reason");
    pit.chief(acknowledge("oil"));
    pit.chief(shelve(60));
    assert_eq!(pit.state("oil"), S::Shelved);
    assert!(pit.urgent().is_empty());
    assert_eq!(
        pit.warmup().alarms_shown().len(),
        1,
        "put aside is not hidden"
    );
    pit.later(59_999);
    assert!(pit.news().is_empty());
    pit.later(1);
    assert_eq!(pit.news(), ["oil unshelved"]);
    assert_eq!(pit.events.last().unwrap().by, None);
    assert_eq!(pit.state("oil"), S::Unacknowledged);
    assert_eq!(pit.urgent(), ["oil"]);

    pit.chief(shelve(60));
    pit.keep(2_000, &[(OIL, 60.0)]);
    pit.chief(Command::UnshelveAlarm {
        alarm: "oil".into(),
    });
    assert_eq!(pit.state("oil"), S::Normal);

    let mut second = Pit::new(vec![alarm("oil", 2, below("oil", 25.0))]);
    assert!(second.ask(Right::Chief, shelve(901)).is_err());
    second.chief(shelve(900));
    second.keep(300, &[(OIL, 0.0)]);
    assert_eq!(second.state("oil"), S::Shelved);
}

#[test]
fn out_of_service_is_until_the_chief_puts_it_back_and_leaves_no_shelf_behind() {
    let take_out = || Command::TakeAlarmOut {
        alarm: "oil".into(),
        reason: "sensor broken".to_owned(),
    };
    let mut pit = Pit::new(vec![oil()]);
    pit.chief(shelve(60));
    pit.chief(take_out());
    pit.keep(300, &[(OIL, 0.0)]);
    assert_eq!(pit.state("oil"), S::OutOfService);
    assert!(pit.urgent().is_empty());
    let refused = pit.ask(Right::Chief, shelve(60)).unwrap_err();
    assert!(refused.contains("out of service"), "{refused}");
    pit.later(3_600_000);
    assert_eq!(pit.state("oil"), S::OutOfService);
    pit.chief(Command::PutAlarmBack {
        alarm: "oil".into(),
    });
    assert_eq!(pit.state("oil"), S::Unacknowledged);
    assert_eq!(pit.urgent(), ["oil"]);

    pit.chief(take_out());
    pit.chief(Command::Begin {
        sheet: "s".to_owned(),
    });
    assert_eq!(pit.state("oil"), S::Normal, "it ends with the warm-up");
}

#[test]
fn alarms_are_the_chiefs() {
    let mut pit = raised(oil());
    let alarm = || "oil".into();
    let reason = || "why".to_owned();
    let (acknowledge, reset) = (acknowledge("oil"), Command::ResetAlarm { alarm: alarm() });
    let back = Command::PutAlarmBack { alarm: alarm() };
    let unshelve = Command::UnshelveAlarm { alarm: alarm() };
    let out = Command::TakeAlarmOut {
        alarm: alarm(),
        reason: reason(),
    };
    for command in [acknowledge, reset, shelve(60), unshelve, out, back] {
        let refused = pit.ask(Right::Crew, command.clone());
        assert!(refused.unwrap_err().contains("chief code"), "{command:?}");
    }
    let nobody = Command::AcknowledgeAlarm {
        alarm: "oli".into(),
    };
    let refused = pit.ask(Right::Chief, nobody).unwrap_err();
    assert!(refused.contains("no alarm 'oli'"), "{refused}");
}

#[test]
fn a_new_warm_up_says_again_what_is_true_and_a_closed_one_is_watched_on() {
    let begin = || Command::Begin {
        sheet: "s".to_owned(),
    };
    let silent = Alarm {
        only_while: hold("rpm", 900.0, 2_000),
        ..alarm("silent", 1, Watch::SilentMs(1_000))
    };
    let mut pit = Pit::new(vec![oil(), silent]);
    pit.keep(3_000, &[(OIL, 10.0), (RPM, 2_000.0)]);
    assert_eq!(pit.news(), ["oil raised"]);
    pit.chief(acknowledge("oil"));
    pit.chief(begin());
    assert_eq!(pit.state("oil"), S::Normal);
    pit.keep(300, &[(OIL, 10.0), (RPM, 2_000.0)]);
    assert_eq!(pit.news(), ["oil raised"]);
    assert_eq!(pit.state("oil"), S::Unacknowledged);

    // The car falls silent, and the chief begins anew: that the engine ran is not forgotten.
    for _ in 0..14 {
        pit.later(100);
    }
    assert_eq!(pit.news(), ["silent raised"]);
    pit.chief(begin());
    pit.later(1);
    pit.later(300);
    assert_eq!(pit.news(), ["silent raised"]);

    pit.chief(Command::Close {});
    pit.keep(2_000, &[(OIL, 60.0)]);
    assert_eq!(pit.news(), ["silent returned"]);
    pit.keep(300, &[(OIL, 10.0)]);
    assert_eq!(pit.news(), ["oil raised"]);
    pit.chief(acknowledge("oil"));
    assert_eq!(pit.state("oil"), S::Acknowledged);
}

#[test]
fn a_hub_that_is_started_again_takes_no_alarm_back_before_a_reading_does() {
    let run = [(OIL, 0.0), (RPM, 2_000.0)];
    let mut pit = Pit::new(vec![
        Alarm {
            only_while: hold("rpm", 900.0, 5_000),
            ..oil()
        },
        Alarm {
            once: hold("rpm", 900.0, 1_000),
            ..alarm("head", 1, above("head", 290.0))
        },
    ]);
    pit.keep(5_300, &run);
    pit.keep(300, &[(HEAD, 300.0)]);
    assert_eq!(pit.news(), ["oil raised", "head raised"]);
    pit.start_again();
    assert_eq!(pit.urgent(), ["oil", "head"]);
    for _ in 0..100 {
        pit.later(100);
    }
    pit.keep(4_000, &run);
    pit.keep(10_000, &[(HEAD, 300.0)]);
    assert!(pit.news().is_empty(), "nothing says that it is gone");
    // The first reading after a jump is doubted, so the heads' two seconds begin with the second.
    pit.keep(2_100, &[(OIL, 0.0), (RPM, 0.0), (HEAD, 100.0)]);
    assert_eq!(pit.news(), ["oil returned", "head returned"]);
}
