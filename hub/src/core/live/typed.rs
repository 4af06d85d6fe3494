//! The figures that rest on what people typed in: air, mix, what to add to the can, flow, slip. Each is worked out anew when
//! it is asked for.

use super::weather::{self, OLD_MS};
use super::{cannot, figure};
use crate::core::{day_air::baseline, lessons::Lessons, typed::slip_of};
use crate::figures::{
    CantSay,
    air::{Air, air_of_readings},
    flow::{self, Case, FlowNumber},
    mix::{LimitCall, Mix, MixTolerance, Stock, mix, to_reach},
    quantity::{Celsius, Litres, Percent, Ratio},
    robust::Z80,
    slip::{Comparison, Misfit, SlipFacts, compare, slip},
};
use spinover_protocol::{
    Millis,
    car::FuelSettings,
    message::{Cases, FigureNow},
    record::Warmup,
    today::{CanPlan, FlowBaseline, MixReading},
    units::Unit,
};

/// What they say at that time.
pub(super) fn figures(
    now: Millis,
    settings: &FuelSettings,
    warmup: &Warmup,
    weather: Result<weather::Weather, String>,
    lessons: &Lessons,
) -> Vec<FigureNow> {
    let today = &warmup.today;
    let weather = weather.map(|known| {
        let air = air_of_readings(known.air.temp_c, known.air.pressure_hpa, known.air.rh_pct);
        (known, air)
    });
    let mut figures = match &weather {
        Err(why) => vec![figure("air", "Air density", format!("can't say: {why}"))],
        Ok((_, Err(why))) => vec![cannot("air", "Air density", why)],
        Ok((known, Ok(air))) => air_figures(now, known, air),
    };
    let limit = settings.nitro_limit_pct.map(Percent);
    let measured = today.mix.as_ref().map(|told| measured(&told.value));
    figures.push(match &measured {
        None => figure(
            "mix",
            "Nitro",
            "can't say: nobody has measured the fuel".to_owned(),
        ),
        Some(Err(why)) => cannot("mix", "Nitro", why),
        Some(Ok(mix)) => mix_figure(mix, limit),
    });
    if let Some(told) = &today.can {
        figures.extend(can_figures(
            &told.value,
            measured.and_then(Result::ok),
            limit,
        ));
    }
    let weather = weather
        .ok()
        .and_then(|(known, air)| Some((known, air.ok()?)))
        .map(|(known, air)| Weather {
            old: now - known.at > OLD_MS,
            today: flow::Today {
                density_kg_m3: air.density_kg_m3,
                temp_c: air.temp_c,
            },
        });
    let set = today.flow.as_ref().map(|told| told.value);
    figures.extend(flow_figures(
        set,
        settings.flow,
        weather.as_ref(),
        &lessons.flows,
    ));
    figures.extend(warmup.slip.as_ref().map(|told| {
        let typed = &told.value;
        let this = slip_of(typed);
        match slip(&this) {
            Err(why) => cannot("slip", "Time slip", &why),
            Ok(facts) => FigureNow {
                value: typed.v1000_mph,
                unit: typed.v1000_mph.map(|_| Unit::MilePerHour),
                attention: !facts.misfits.is_empty(),
                ..figure(
                    "slip",
                    "Time slip",
                    slip_words(&facts, &compare(&this, &lessons.slips)),
                )
            },
        }
    }));
    figures
}

fn measured(reading: &MixReading) -> Result<Mix, CantSay> {
    mix(
        Ratio(reading.sg),
        Celsius(reading.temp_c),
        MixTolerance::default(),
    )
}

struct Weather {
    today: flow::Today,
    old: bool,
}

fn air_figures(now: Millis, known: &weather::Weather, air: &Air) -> Vec<FigureNow> {
    let age = now - known.at;
    let old = age > OLD_MS;
    let mut words = known.words.clone();
    if old {
        words += &format!("; {} old, measure again", hours(age));
    }
    if let Some(range) = air.range_words() {
        words += &format!("; {range}");
    }
    let around = |value: f64, sd: f64| (Some(value - Z80 * sd), Some(value + Z80 * sd));
    let (density, altitude) = (air.density_kg_m3.0, air.density_altitude_m.0);
    let (low, high) = around(density, air.density_sd_kg_m3.0);
    let (lowest, highest) = around(altitude, air.density_altitude_sd_m.0);
    vec![
        FigureNow {
            value: Some(density),
            unit: Some(Unit::KilogramPerCubicMetre),
            low,
            high,
            attention: old,
            ..figure("air", "Air density", words)
        },
        FigureNow {
            value: Some(altitude),
            unit: Some(Unit::Metre),
            low: lowest,
            high: highest,
            ..figure(
                "density_altitude",
                "Density altitude",
                "where the standard atmosphere is as dense".to_owned(),
            )
        },
        FigureNow {
            value: Some(air.humidity_g_per_kg),
            unit: Some(Unit::GramPerKilogram),
            ..figure(
                "moisture",
                "Moisture",
                "water to dry air, by mass".to_owned(),
            )
        },
    ]
}

/// An age in words: every phone has the same hours.
fn hours(age: Millis) -> String {
    let minutes = age / 60_000;
    match minutes {
        ..120 => format!("{minutes} min"),
        _ => format!("{} h", minutes / 60),
    }
}

fn mix_figure(mix: &Mix, limit: Option<Percent>) -> FigureNow {
    let (pct, half) = (mix.nitro_pct_vol.0, Z80 * mix.nitro_sd_pct.0);
    let call = limit.map(|limit| (limit.0, mix.against(limit)));
    let mut words = match call {
        // Percent are the same on every phone, so they may stand in words.
        Some((limit, LimitCall::Over)) => {
            format!("OVER the limit of {limit} %; the rule book decides")
        }
        Some((limit, LimitCall::MayBeOver)) => {
            format!("MAY BE OVER the limit of {limit} %: nearer than it can be measured")
        }
        Some((limit, LimitCall::Under)) => format!("by volume; under the limit of {limit} %"),
        None => "by volume; the car file sets no limit".to_owned(),
    };
    if mix.extrapolated {
        words += "; fuel colder or warmer than its density was measured at";
    }
    FigureNow {
        value: Some(pct),
        unit: Some(Unit::Percent),
        low: Some((pct - half).max(0.0)),
        high: Some((pct + half).min(100.0)),
        attention: call.is_some_and(|(_, call)| call != LimitCall::Under),
        ..figure("mix", "Nitro", words)
    }
}

/// What to add to the can for what was asked.
fn can_figures(plan: &CanPlan, measured: Option<Mix>, limit: Option<Percent>) -> Vec<FigureNow> {
    const NITRO: (&str, &str) = ("add_nitro", "Add nitro");
    const METHANOL: (&str, &str) = ("add_methanol", "Add methanol");
    let held_pct = match (plan.held_pct, measured) {
        (Some(pct), _) => pct,
        (None, Some(mix)) => mix.nitro_pct_vol.0,
        (None, None) if plan.held_l == 0.0 => 0.0,
        (None, None) => {
            let words = "can't say: measure what is in the can first".to_owned();
            return vec![figure(NITRO.0, NITRO.1, words)];
        }
    };
    let stock = |litres: f64, pct: f64| Stock {
        volume_l: Litres(litres),
        nitro_pct_vol: Percent(pct),
    };
    let recipe = to_reach(
        stock(plan.want_l, plan.want_pct),
        stock(plan.held_l, held_pct),
        Percent(100.0),
        Percent(0.0),
        Celsius(plan.temp_c),
        limit,
    );
    let recipe = match recipe {
        Err(why) => return vec![cannot(NITRO.0, NITRO.1, &why)],
        Ok(recipe) => recipe,
    };
    let mut words = format!(
        "for {:.1} % in the can; the hydrometer then shows {:.3}",
        plan.want_pct, recipe.check_sg.0
    );
    match limit {
        Some(limit) if recipe.over_limit => {
            words = format!(
                "OVER the limit of {} %; the rule book decides; {words}",
                limit.0
            );
        }
        Some(limit) => words += &format!("; under the limit of {} %", limit.0),
        None => words += "; the car file sets no limit",
    }
    let amount = |(key, label): (&str, &str), litres: f64, words: String| FigureNow {
        value: Some(litres),
        unit: Some(Unit::Litre),
        attention: recipe.over_limit,
        ..figure(key, label, words)
    };
    let pure = "pure nitromethane and pure methanol, all as warm as was said".to_owned();
    vec![
        amount(NITRO, recipe.add_rich_l.0, words),
        amount(METHANOL, recipe.add_lean_l.0, pure),
    ]
}

fn flow_figures(
    set: Option<FlowBaseline>,
    of_file: Option<FlowBaseline>,
    weather: Option<&Weather>,
    cases: &[Case],
) -> Vec<FigureNow> {
    const KEY: (&str, &str) = ("flow", "Flow for today's air");
    let Some(rule) = set.or(of_file) else {
        return vec![figure(
            KEY.0,
            KEY.1,
            "can't say: the chief has set no rule for the flow".to_owned(),
        )];
    };
    let Some(weather) = weather else {
        return vec![figure(
            KEY.0,
            KEY.1,
            "can't say: it takes the weather".to_owned(),
        )];
    };
    let base = baseline(&rule);
    let advice = match flow::advise(&base, cases, &weather.today) {
        Err(why) => return vec![cannot(KEY.0, KEY.1, &why)],
        Ok(advice) => advice,
    };
    let mut words = rule_words(&rule, set.is_none(), weather);
    if advice.baseline.extrapolated {
        words += "; OUTSIDE what the rule was made for";
    }
    if advice.disagree {
        words += "; the book DISAGREES";
    }
    let mut figures = vec![FigureNow {
        attention: advice.baseline.extrapolated || advice.disagree || weather.old,
        ..flow_number(KEY, &advice.baseline, words)
    }];
    // Without warm-ups to learn from, that there are none is no news.
    if !cases.is_empty() {
        const BOOK: (&str, &str) = ("flow_book", "Flow by the book");
        let book = match &advice.book {
            Err(why) => figure(BOOK.0, BOOK.1, too_few_words(why)),
            Ok(number) => FigureNow {
                attention: number.extrapolated || advice.disagree,
                ..flow_number(BOOK, number, book_words(number))
            },
        };
        let pair = |case: &Case| (case.density_kg_m3.0, case.flow_l_per_min.0);
        figures.push(FigureNow {
            unit: Some(Unit::LitrePerMin),
            rests_on: Some(Cases {
                given: Unit::KilogramPerCubicMetre,
                pairs: cases.iter().map(pair).collect(),
            }),
            ..book
        });
    }
    figures
}

/// Why the book does not speak.
fn too_few_words(why: &CantSay) -> String {
    match why {
        CantSay::TooFew { have, need, .. } => format!(
            "can't say yet: {have} of {need} warm-ups; with fewer, one odd one would turn the answer"
        ),
        why => why.words(),
    }
}

/// What the book's number rests on, in percent: every phone has the same.
fn book_words(number: &FlowNumber) -> String {
    let mut words = format!("from {} earlier warm-ups", number.cases);
    if number.extrapolated {
        words = format!("OUTSIDE what they have seen: {words}");
    }
    words += &format!(
        "; 1 % denser air took {} flow",
        signed(number.pct_per_pct_density)
    );
    if number.odd > 0 {
        words += &format!("; {} odd ones held back", number.odd);
    }
    words
}

fn flow_number((key, label): (&str, &str), number: &FlowNumber, words: String) -> FigureNow {
    FigureNow {
        value: Some(number.flow_l_per_min.0),
        unit: Some(Unit::LitrePerMin),
        low: Some(number.lo_l_per_min.0),
        high: Some(number.hi_l_per_min.0),
        ..figure(key, label, words)
    }
}

fn rule_words(rule: &FlowBaseline, of_file: bool, weather: &Weather) -> String {
    let whose = if of_file {
        "car file's rule"
    } else {
        "chief's rule"
    };
    let denser = 100.0 * (weather.today.density_kg_m3.0 / rule.density_kg_m3 - 1.0);
    let way = if denser < 0.0 { "thinner" } else { "denser" };
    let mut words = format!(
        "{whose}; air {:.1} % {way} than its reference, flow {}",
        denser.abs(),
        signed(rule.pct_per_pct_density * denser)
    );
    if rule.pct_per_k != 0.0 {
        let by_temp = rule.pct_per_k * (weather.today.temp_c.0 - rule.temp_c);
        words += &format!(", and {} for its temperature", signed(by_temp));
    }
    if weather.old {
        words += "; the weather is OLD";
    }
    words
}

/// Percent with a true minus sign.
fn signed(pct: f64) -> String {
    format!("{pct:+.1} %").replace('-', "\u{2212}")
}

fn slip_words(facts: &SlipFacts, compared: &[Comparison]) -> String {
    let mut parts: Vec<String> = facts
        .intervals
        .iter()
        .map(|interval| {
            format!(
                "to {:.0} ft {:.3} s, {:.1} g",
                interval.to_ft, interval.time_s.0, interval.accel_g.0
            )
        })
        .collect();
    if facts.left_early == Some(true) {
        parts.push("left before the green".to_owned());
    }
    if facts.misfits.is_empty() {
        parts.push("the slip agrees with itself".to_owned());
    }
    parts.extend(
        facts
            .misfits
            .iter()
            .map(|misfit| format!("CHECK: {}", misfit_words(misfit))),
    );
    parts.extend(compared.iter().filter_map(compared_words));
    parts.join("; ")
}

/// A number against earlier runs'. Speeds would not be in the phone's unit, so only times are told.
fn compared_words(compared: &Comparison) -> Option<String> {
    if !(compared.what.ends_with("time") || compared.what == "reaction") {
        return None;
    }
    let way = if compared.difference < 0.0 {
        "quicker"
    } else {
        "slower"
    };
    let unusual = compared.robust_z.is_some_and(|z| z.abs() > 3.5);
    let runs = match compared.runs {
        1 => "the 1 earlier run".to_owned(),
        runs => format!("the usual of {runs} runs"),
    };
    Some(format!(
        "{} {:.3} s {way} than {runs}{}",
        compared.what,
        compared.difference.abs(),
        if unusual { ", UNUSUAL" } else { "" }
    ))
}

/// A mark's name is its distance in feet on every phone; speeds would not be in its units, so they are left out.
fn misfit_words(misfit: &Misfit) -> String {
    match misfit {
        Misfit::SpeedOff { mark_ft, .. } => {
            format!("the {mark_ft:.0} ft speed does not fit the times")
        }
        other => other.words(),
    }
}
