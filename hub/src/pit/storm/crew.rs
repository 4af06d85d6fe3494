//! What the simulated crew presses, going by what is on each one's own screen, as people do: also when that is not so any more.

use super::{car::ROLES, chance::Chance};
use spinover_protocol::{
    StepKey,
    car::Band,
    event::Audience,
    link::{Link, not_seen_by},
    message::Command,
    record::Warmup,
};

/// What this phone's person wants next.
pub(super) fn wish(link: &Link, chief: bool, words: String, chance: &mut Chance) -> Command {
    let Some(warmup) = &link.mirror().record.warmup else {
        return Command::Note { text: words };
    };
    if chief {
        return chief_wish(link, warmup, words, chance);
    }
    if let Some(ask) = &warmup.skip_asked
        && chance.percent(60)
    {
        let step = ask.step.clone();
        return Command::ConfirmSkip { step };
    }
    match chance.below(100) {
        0..30 => {
            let me = &link.identity().device;
            let unseen = |call: &&spinover_protocol::record::Call| !call.seen.contains_key(me);
            match warmup.calls.iter().rev().find(unseen) {
                Some(call) if chance.percent(90) => Command::Seen { call: call.seq },
                _ => Command::Note { text: words },
            }
        }
        30..42 => call(words, chance),
        42..48 => Command::Stop { text: words },
        48..58 => Command::TypeReading {
            channel: chance.one(&["oil", "fuel"]).into(),
            value: chance.between(0, 120) as f64,
        },
        58..64 => Command::MoveBleed {
            turns: chance.one(&[-0.25, 0.25, 0.5]),
        },
        _ => Command::Note { text: words },
    }
}

fn call(words: String, chance: &mut Chance) -> Command {
    let to = match chance.percent(50) {
        true => Audience::All,
        false => Audience::Role(chance.one(&ROLES).into()),
    };
    Command::Call { to, text: words }
}

fn chief_wish(link: &Link, warmup: &Warmup, words: String, chance: &mut Chance) -> Command {
    if warmup.closed_at.is_some() && chance.percent(70) {
        let sheet = warmup.sheet.key.clone();
        return Command::Begin { sheet };
    }
    if let Some(stop) = warmup.stops().next()
        && chance.percent(50)
    {
        return Command::Lift { call: stop.seq };
    }
    if warmup.held.is_some() && chance.percent(60) {
        return Command::Resume {};
    }
    let steps = &link.mirror().progress.steps;
    let some_step = |chance: &mut Chance| -> StepKey {
        let keys: Vec<&StepKey> = warmup.sheet.steps().map(|(_, step)| &step.key).collect();
        keys[chance.place(keys.len())].clone()
    };
    match chance.below(100) {
        0..45 => {
            let ready = steps.iter().find(|step| step.ready);
            let step = match ready.filter(|_| chance.percent(75)) {
                Some(step) => step.step.clone(),
                None => some_step(chance),
            };
            Command::Mark { step }
        }
        45..53 => {
            let step = match steps.first() {
                Some(step) => step.step.clone(),
                None => some_step(chance),
            };
            let reason = words;
            Command::Skip { step, reason }
        }
        53..57 => match warmup.order.last() {
            Some(last) => Command::Undo { step: last.clone() },
            None => Command::Note { text: words },
        },
        57..60 => Command::Hold { reason: words },
        60..61 => Command::Abort { reason: words },
        61..64 => Command::Begin {
            sheet: warmup.sheet.key.clone(),
        },
        64..66 => Command::Close {},
        66..70 => {
            let low = chance.between(30, 70) as f64;
            Command::SetBand {
                channel: "fuel".into(),
                phase: None,
                band: chance.percent(70).then_some(Band {
                    low,
                    high: low + 40.0,
                }),
            }
        }
        70..73 => Command::AcknowledgeAlarm {
            alarm: "oil_low".into(),
        },
        73..76 => Command::Stop { text: words },
        76..82 => {
            // Whoever waits for everyone to have seen the last call, and calls again if not.
            let waited = warmup.calls.last().map_or(0, |call| call.seq);
            match not_seen_by(link.mirror(), waited).is_empty() {
                true => Command::Note { text: words },
                false => call(words, chance),
            }
        }
        82..90 => call(words, chance),
        _ => Command::Note { text: words },
    }
}
