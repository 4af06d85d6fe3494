//! `spinover figure mix`.

use clap::Args;
use serde::Serialize;

use super::table::{Table, cell};
use super::{CommandError, Output, missing, print, value};
use crate::figures::mix::{LimitCall, Mix, MixTolerance, Recipe, Stock, gravity, mix, to_reach};
use crate::figures::quantity::{Celsius, Litres, Percent, Ratio};

/// Arguments of `spinover figure mix`.
#[derive(Args, Clone, Debug)]
#[command(
    after_help = "Columns: sg,temp_c (sg is the density at temp_c over that of water at 60 F).\nAdds: \
nitro_pct_vol (by volume of the unmixed liquids at 60 F).\nWith --pct instead of --sg: the hydrometer reading to \
expect. With --want-pct and --want-l: what to add to the can."
)]
pub(super) struct MixArgs {
    #[command(flatten)]
    output: Output,
    /// Specific gravity as the hydrometer shows it
    #[arg(long, value_parser = value::number, conflicts_with = "pct")]
    sg: Option<f64>,
    /// Nitro by volume, % (when it is known rather than measured)
    #[arg(long, value_parser = value::percent)]
    pct: Option<f64>,
    /// Temperature of the fuel, degC (or with a unit: 80F)
    #[arg(long, value_parser = value::celsius, allow_hyphen_values = true)]
    temp_c: Option<f64>,
    /// The rule book's limit, % by volume (a setting; the rule book decides)
    #[arg(long, value_parser = value::percent)]
    limit_pct: Option<f64>,
    /// Wanted percent by volume
    #[arg(long, value_parser = value::percent, requires = "want_l")]
    want_pct: Option<f64>,
    /// Wanted volume, L (or with a unit: 15gal)
    #[arg(long, value_parser = value::litres, requires = "want_pct")]
    want_l: Option<f64>,
    /// What the can holds now, L
    #[arg(long, value_parser = value::litres, default_value = "0")]
    can_l: f64,
    /// Percent of the richer stock to add
    #[arg(long, value_parser = value::percent, default_value = "100")]
    rich_pct: f64,
    /// Percent of the leaner stock to add
    #[arg(long, value_parser = value::percent, default_value = "0")]
    lean_pct: f64,
    /// How far off the hydrometer can be (one standard deviation)
    #[arg(long, default_value_t = MixTolerance::default().sg)]
    sg_off: f64,
    /// How far off the thermometer can be, K
    #[arg(long, default_value_t = MixTolerance::default().temp_k)]
    temp_off_k: f64,
}

#[derive(Serialize)]
struct Answer {
    #[serde(flatten)]
    mix: Option<Mix>,
    #[serde(skip_serializing_if = "Option::is_none")]
    limit: Option<LimitCall>,
    #[serde(skip_serializing_if = "Option::is_none")]
    recipe: Option<Recipe>,
}

pub(super) fn run(args: &MixArgs) -> Result<(), CommandError> {
    let tolerance = MixTolerance {
        sg: args.sg_off,
        temp_k: args.temp_off_k,
    };
    if let Some(path) = &args.output.csv {
        let table = Table::open(path)?;
        let (sg, temp) = (table.column("sg")?, table.column("temp_c")?);
        return table.append(&["nitro_pct_vol"], |row| {
            let m = mix(
                Ratio(row.number(sg)?),
                Celsius(row.number(temp)?),
                tolerance,
            )
            .map_err(|why| why.words())?;
            Ok(vec![cell(m.nitro_pct_vol.0, 4)])
        });
    }
    let temp = Celsius(args.temp_c.ok_or_else(|| missing("--temp-c"))?);
    let limit = args.limit_pct.map(Percent);
    let input = |why: crate::figures::CantSay| CommandError::Input(why.words());
    let in_can = match (args.sg, args.pct) {
        (Some(sg), _) => Some(mix(Ratio(sg), temp, tolerance).map_err(input)?),
        (None, Some(pct)) => {
            let sg = gravity(Percent(pct), temp).map_err(input)?;
            Some(mix(sg, temp, tolerance).map_err(input)?)
        }
        (None, None) if args.want_pct.is_some() && args.can_l == 0.0 => None,
        (None, None) => return Err(missing("--sg or --pct")),
    };
    let mut words = in_can.map(|m| m.words_with_limit(limit));
    if let (Some(m), None) = (&in_can, args.sg) {
        // Asked the other way round: the hydrometer reading is the answer.
        words = Some(format!(
            "hydrometer shows {:.4}; {}",
            m.sg.0,
            m.words_with_limit(limit)
        ));
    }
    let recipe = match args.want_pct.zip(args.want_l) {
        None => None,
        Some((pct, volume)) => {
            let want = Stock {
                volume_l: Litres(volume),
                nitro_pct_vol: Percent(pct),
            };
            let held = in_can.map_or(Percent(0.0), |m| m.nitro_pct_vol);
            let can = Stock {
                volume_l: Litres(args.can_l),
                nitro_pct_vol: held,
            };
            let (rich, lean) = (Percent(args.rich_pct), Percent(args.lean_pct));
            match to_reach(want, can, rich, lean, temp, limit) {
                Ok(recipe) => Some(recipe),
                Err(why) => return print::<Recipe>(&args.output, Err(why)),
            }
        }
    };
    if let Some(recipe) = &recipe {
        words = Some(match words {
            Some(words) => format!("{words}; {}", recipe.words()),
            None => recipe.words(),
        });
    }
    let limit = in_can.zip(limit).map(|(m, limit)| m.against(limit));
    print(
        &args.output,
        Ok((
            Answer {
                mix: in_can,
                limit,
                recipe,
            },
            words.unwrap_or_default(),
        )),
    )
}
