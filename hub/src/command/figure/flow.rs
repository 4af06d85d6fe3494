//! `spinover figure flow`.

use clap::Args;
use serde::Serialize;

use super::table::{Table, cell};
use super::{CommandError, Output, missing, print, value};
use crate::figures::flow::{Baseline, Case, FlowAdvice, FlowNumber, Today, advise};
use crate::figures::quantity::{Celsius, KgPerM3, LitresPerMin};

/// How the chief's rule goes on from the baseline.
#[derive(Args, Clone, Copy, Debug)]
pub(super) struct RuleArgs {
    /// Percent of flow for one percent of density
    #[arg(long, default_value_t = 1.0, allow_hyphen_values = true)]
    per_pct_density: f64,
    /// Percent of flow for one kelvin, on top of what density does
    #[arg(long, default_value_t = 0.0, allow_hyphen_values = true)]
    per_k: f64,
    /// How far off the rule usually is, percent (one standard deviation)
    #[arg(long, default_value_t = 2.0)]
    rule_off_pct: f64,
}

impl RuleArgs {
    /// The rule from that flow (L/min), right at that air density (kg/m3) and temperature (degC).
    pub(super) fn from(self, l_per_min: f64, density_kg_m3: f64, temp_c: f64) -> Baseline {
        Baseline {
            flow_l_per_min: LitresPerMin(l_per_min),
            density_kg_m3: KgPerM3(density_kg_m3),
            temp_c: Celsius(temp_c),
            pct_per_pct_density: self.per_pct_density,
            pct_per_k: self.per_k,
            sd_pct: self.rule_off_pct,
        }
    }
}

/// Arguments of `spinover figure flow`.
#[derive(Args, Clone, Debug)]
#[command(after_help = "Columns: density_kg_m3,temp_c.\nAdds: \
rule_l_per_min,book_l_per_min,book_lo_l_per_min,book_hi_l_per_min,extrapolated,disagree.\nThe book (--book) is a CSV \
of earlier warm-ups: flow_l_per_min,density_kg_m3,temp_c and, where it was noted, ran_hot_by_k.")]
pub(super) struct FlowArgs {
    #[command(flatten)]
    output: Output,
    /// The chief's baseline flow, L/min (or with a unit: 2.1gpm)
    #[arg(long, value_parser = value::litres_per_min)]
    base_l_per_min: f64,
    /// Air density that the baseline was right at, kg/m3
    #[arg(long, value_parser = value::kg_per_m3)]
    base_density_kg_m3: f64,
    /// Air temperature that it was right at, degC (or with a unit: 75F)
    #[arg(long, value_parser = value::celsius, allow_hyphen_values = true)]
    base_temp_c: f64,
    #[command(flatten)]
    rule: RuleArgs,
    /// Today's air density, kg/m3
    #[arg(long, value_parser = value::kg_per_m3)]
    density_kg_m3: Option<f64>,
    /// Today's air temperature, degC (or with a unit: 75F)
    #[arg(long, value_parser = value::celsius, allow_hyphen_values = true)]
    temp_c: Option<f64>,
    /// Earlier warm-ups, a CSV
    #[arg(long, value_name = "FILE")]
    book: Option<String>,
}

/// The advice as JSON, with the earlier warm-ups it was drawn from.
#[derive(Serialize)]
struct Answer {
    rule: FlowNumber,
    book: Option<FlowNumber>,
    book_cant_say: Option<crate::figures::CantSay>,
    disagree: bool,
    cases: Vec<Case>,
}

pub(super) fn run(args: &FlowArgs) -> Result<(), CommandError> {
    let base = args.rule.from(
        args.base_l_per_min,
        args.base_density_kg_m3,
        args.base_temp_c,
    );
    let cases = args.book.as_deref().map_or(Ok(Vec::new()), read_book)?;
    if let Some(path) = &args.output.csv {
        let table = Table::open(path)?;
        let (density, temp) = (table.column("density_kg_m3")?, table.column("temp_c")?);
        let results = [
            "rule_l_per_min",
            "book_l_per_min",
            "book_lo_l_per_min",
            "book_hi_l_per_min",
            "extrapolated",
            "disagree",
        ];
        return table.append(&results, |row| {
            let today = Today {
                density_kg_m3: KgPerM3(row.number(density)?),
                temp_c: Celsius(row.number(temp)?),
            };
            let advice = advise(&base, &cases, &today).map_err(|why| why.words())?;
            Ok(results_of(&advice))
        });
    }
    let today = Today {
        density_kg_m3: KgPerM3(
            args.density_kg_m3
                .ok_or_else(|| missing("--density-kg-m3"))?,
        ),
        temp_c: Celsius(args.temp_c.ok_or_else(|| missing("--temp-c"))?),
    };
    let answer = advise(&base, &cases, &today).map(|advice| {
        let words = advice.words();
        let (book, book_cant_say) = match advice.book {
            Ok(number) => (Some(number), None),
            Err(why) => (None, Some(why)),
        };
        let rule = advice.baseline;
        (
            Answer {
                rule,
                book,
                book_cant_say,
                disagree: advice.disagree,
                cases,
            },
            words,
        )
    });
    print(&args.output, answer)
}

fn results_of(advice: &FlowAdvice) -> Vec<String> {
    let mut cells = vec![cell(advice.baseline.flow_l_per_min.0, 4)];
    let mut extrapolated = advice.baseline.extrapolated;
    match &advice.book {
        Ok(book) => {
            for value in [book.flow_l_per_min, book.lo_l_per_min, book.hi_l_per_min] {
                cells.push(cell(value.0, 4));
            }
            extrapolated |= book.extrapolated;
        }
        Err(_) => cells.extend([String::new(), String::new(), String::new()]),
    }
    cells.push(extrapolated.to_string());
    cells.push(advice.disagree.to_string());
    cells
}

fn read_book(path: &str) -> Result<Vec<Case>, CommandError> {
    let table = Table::open(path)?;
    let flow = table.column("flow_l_per_min")?;
    let (density, temp) = (table.column("density_kg_m3")?, table.column("temp_c")?);
    let hot = table.optional("ran_hot_by_k");
    table.collect(|row| {
        Ok(Case {
            flow_l_per_min: LitresPerMin(row.number(flow)?),
            density_kg_m3: KgPerM3(row.number(density)?),
            temp_c: Celsius(row.number(temp)?),
            ran_hot_by_k: row.maybe(hot)?,
        })
    })
}
