//! The figures that rest on what people typed in: air, mix, flow, slip. Each is worked out anew when it is asked for.

use super::{cannot, figure};
use crate::core::typed::slip_of;
use crate::figures::{
    CantSay,
    air::{Air, AirTolerance, Barometer, Moisture, air},
    flow::{self, Baseline, Case, FlowNumber},
    mix::{LimitCall, Mix, MixTolerance, mix},
    quantity::{Celsius, HectoPascals, KgPerM3, LitresPerMin, Percent, Ratio},
    robust::Z80,
    slip::{Misfit, SlipFacts, slip},
};
use spinover_protocol::{
    Millis,
    car::FuelSettings,
    message::FigureNow,
    record::Warmup,
    today::{Conditions, FlowBaseline, Told},
    units::Unit,
};

/// Weather older than this is said to be old, in milliseconds; common practice, no source.
const WEATHER_OLD_MS: Millis = 60 * 60 * 1000;

/// What they say at that time. `cases` are the earlier warm-ups that the book gave, none as long as it gave none.
pub(super) fn figures(
    now: Millis,
    settings: &FuelSettings,
    warmup: &Warmup,
    cases: &[Case],
) -> Vec<FigureNow> {
    let today = &warmup.today;
    let weather = today
        .conditions
        .as_ref()
        .map(|told| (told, air_of(&told.value)));
    let mut figures = match &weather {
        None => vec![figure(
            "air",
            "Air density",
            "can't say: nobody has typed the weather in".to_owned(),
        )],
        Some((_, Err(why))) => vec![cannot("air", "Air density", why)],
        Some((told, Ok(air))) => air_figures(now, told, air),
    };
    figures.push(match &today.mix {
        None => figure(
            "mix",
            "Nitro",
            "can't say: nobody has measured the fuel".to_owned(),
        ),
        Some(told) => {
            let reading = told.value;
            let mix = mix(
                Ratio(reading.sg),
                Celsius(reading.temp_c),
                MixTolerance::default(),
            );
            match mix {
                Err(why) => cannot("mix", "Nitro", &why),
                Ok(mix) => mix_figure(&mix, settings.nitro_limit_pct.map(Percent)),
            }
        }
    });
    let weather = weather
        .and_then(|(told, air)| Some((told, air.ok()?)))
        .map(|(told, air)| Weather {
            old: now - told.at > WEATHER_OLD_MS,
            today: flow::Today {
                density_kg_m3: air.density_kg_m3,
                temp_c: air.temp_c,
            },
        });
    let set = today.flow.as_ref().map(|told| told.value);
    figures.extend(flow_figures(set, settings.flow, weather.as_ref(), cases));
    figures.extend(warmup.slip.as_ref().map(|told| {
        let typed = &told.value;
        match slip(&slip_of(typed)) {
            Err(why) => cannot("slip", "Time slip", &why),
            Ok(facts) => FigureNow {
                value: typed.v1000_mph,
                unit: typed.v1000_mph.map(|_| Unit::MilePerHour),
                attention: !facts.misfits.is_empty(),
                ..figure("slip", "Time slip", slip_words(&facts))
            },
        }
    }));
    figures
}

struct Weather {
    today: flow::Today,
    old: bool,
}

fn air_of(conditions: &Conditions) -> Result<Air, CantSay> {
    air(
        Celsius(conditions.temp_c),
        Barometer::Station(HectoPascals(conditions.pressure_hpa)),
        Moisture::Relative(Percent(conditions.rh_pct)),
        AirTolerance::default(),
    )
}

fn air_figures(now: Millis, told: &Told<Conditions>, air: &Air) -> Vec<FigureNow> {
    let age = now - told.at;
    let old = age > WEATHER_OLD_MS;
    let mut words = match (&told.value.place, &told.by) {
        (Some(place), _) => place.clone(),
        (None, Some(by)) => format!("typed by {}", by.name),
        (None, None) => "typed in".to_owned(),
    };
    if old {
        words += &format!("; {} old, measure again", hours(age));
    }
    if air.extrapolated {
        words += "; outside the range that the equation is recommended for";
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
    let base = Baseline {
        flow_l_per_min: LitresPerMin(rule.flow_l_per_min),
        density_kg_m3: KgPerM3(rule.density_kg_m3),
        temp_c: Celsius(rule.temp_c),
        pct_per_pct_density: rule.pct_per_pct_density,
        pct_per_k: rule.pct_per_k,
        sd_pct: rule.sd_pct,
    };
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
        figures.push(match &advice.book {
            Err(why) => cannot(BOOK.0, BOOK.1, why),
            Ok(number) => {
                let mut words = format!("from {} earlier warm-ups", number.cases);
                if number.extrapolated {
                    words += "; OUTSIDE what they have seen";
                }
                FigureNow {
                    attention: number.extrapolated || advice.disagree,
                    ..flow_number(BOOK, number, words)
                }
            }
        });
    }
    figures
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

fn slip_words(facts: &SlipFacts) -> String {
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
    parts.join("; ")
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
