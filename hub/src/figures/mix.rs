//! The mix: percent nitromethane in methanol from specific gravity and temperature, and back, and
//! what to add to reach a percent. Pure functions.
//!
//! Percent is by volume of the unmixed liquids at 60 degF. Masses add; volumes are taken to add
//! too (ideal mixing), since no measured excess volume of this pair was found. What that may cost
//! is given with each answer as `mixing_bound_pct`.

use serde::Serialize;

use super::fuels::{
    METHANOL, NITROMETHANE, SIXTY_F, WATER_60F, methanol_density, nitromethane_density,
};
use super::quantity::{Celsius, KgPerM3, Litres, Percent, Ratio};
use super::{CantSay, plausible};

/// Temperatures that the pure liquids' densities are tabulated for.
const TABLE_C: (f64, f64) = (0.0, 50.0);
/// Temperatures between which nitromethane's density is measured rather than extrapolated.
const MEASURED_C: (f64, f64) = (20.0, 40.0);
/// Largest excess volume reckoned with at equal moles, cm3/mol, either sign. Not measured for this
/// pair: a size usual for an alcohol with a nitroalkane, from memory, unverified.
const EXCESS_BOUND_CM3_MOL: f64 = 0.2;

/// A millilitre short, at 60 degF, is rounding and not a can that is too full.
const SLACK_L: f64 = 1e-3;

/// How far off hydrometer and thermometer can be, one standard deviation each.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct MixTolerance {
    /// Specific gravity.
    pub sg: f64,
    /// Temperature, kelvin.
    pub temp_k: f64,
}

impl Default for MixTolerance {
    /// Half a division of a hydrometer marked in 0.002, and 0.5 K (common practice, no source).
    fn default() -> Self {
        MixTolerance {
            sg: 0.001,
            temp_k: 0.5,
        }
    }
}

/// What the can holds, by its specific gravity.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Mix {
    /// Specific gravity as read: density at `temp_c` over that of water at 60 degF.
    pub sg: Ratio,
    /// Temperature of the fuel when read.
    pub temp_c: Celsius,
    /// Density at that temperature.
    pub density_kg_m3: KgPerM3,
    /// Nitromethane by volume of the unmixed liquids at 60 degF.
    pub nitro_pct_vol: Percent,
    /// Standard uncertainty of it from hydrometer and thermometer.
    pub nitro_sd_pct: Percent,
    /// Most that mixing other than ideally may add, either sign; a bound, not a measurement.
    pub mixing_bound_pct: Percent,
    /// Nitromethane by mass.
    pub nitro_pct_mass: Percent,
    /// What the hydrometer would show at 60 degF.
    pub sg_60f: Ratio,
    /// Mass of air that burns one mass of this mix completely.
    pub air_fuel_ratio: Ratio,
    /// True outside 20..40 degC, where nitromethane's density is extrapolated.
    pub extrapolated: bool,
}

/// Volume, at a temperature, of what is one unit of volume at 60 degF: nitromethane, methanol.
fn swelling(temp: Celsius) -> (f64, f64) {
    (
        nitromethane_density(SIXTY_F).0 / nitromethane_density(temp).0,
        methanol_density(SIXTY_F).0 / methanol_density(temp).0,
    )
}

/// Density of a mix at a temperature.
pub fn blend_density(nitro: Percent, temp: Celsius) -> KgPerM3 {
    let share = nitro.0 / 100.0;
    let (swell_n, swell_m) = swelling(temp);
    let mass =
        share * nitromethane_density(SIXTY_F).0 + (1.0 - share) * methanol_density(SIXTY_F).0;
    KgPerM3(mass / (share * swell_n + (1.0 - share) * swell_m))
}

/// Specific gravity of a mix: density at `temp` over that of water at 60 degF.
///
/// # Errors
/// [`CantSay::Implausible`] outside 0..100 % or 0..50 degC.
pub fn gravity(nitro: Percent, temp: Celsius) -> Result<Ratio, CantSay> {
    plausible("nitro, %,", nitro.0, 0.0, 100.0)?;
    plausible("fuel temperature, degC,", temp.0, TABLE_C.0, TABLE_C.1)?;
    Ok(Ratio(blend_density(nitro, temp).0 / WATER_60F.0))
}

/// Percent from density: [`blend_density`] solved for the share, which is linear in it.
fn percent_of(density: f64, temp: Celsius) -> f64 {
    let (swell_n, swell_m) = swelling(temp);
    let (nitro, methanol) = (nitromethane_density(SIXTY_F).0, methanol_density(SIXTY_F).0);
    100.0 * (density * swell_m - methanol) / ((nitro - methanol) - density * (swell_n - swell_m))
}

/// Nitromethane by mass of a mix by volume.
fn mass_percent(nitro: f64) -> f64 {
    let n = nitro * nitromethane_density(SIXTY_F).0;
    100.0 * n / (n + (100.0 - nitro) * methanol_density(SIXTY_F).0)
}

/// Largest error of the percent if mixing changes the volume by [`EXCESS_BOUND_CM3_MOL`] at equal
/// moles, and by 4 x (1 - x) of that elsewhere (the lowest Redlich-Kister term).
fn mixing_bound(nitro: f64, density: f64, temp: Celsius) -> f64 {
    let moles_n = mass_percent(nitro) / NITROMETHANE.molar_mass();
    let moles_m = (100.0 - mass_percent(nitro)) / METHANOL.molar_mass();
    let x = moles_n / (moles_n + moles_m);
    let molar_mass = x * NITROMETHANE.molar_mass() + (1.0 - x) * METHANOL.molar_mass();
    let molar_cm3 = molar_mass / density * 1000.0;
    let relative = 4.0 * x * (1.0 - x) * EXCESS_BOUND_CM3_MOL / molar_cm3;
    (percent_of(density * (1.0 + relative), temp) - percent_of(density, temp)).abs()
}

/// What the can holds, from its specific gravity and temperature.
///
/// # Errors
/// [`CantSay::Implausible`] outside 0..50 degC, or for a specific gravity that no mix has (more
/// than 1.5 points of percent beyond pure methanol or pure nitromethane; within that it is taken
/// for a reading error and the answer held to 0..100 %).
pub fn mix(sg: Ratio, temp: Celsius, tolerance: MixTolerance) -> Result<Mix, CantSay> {
    plausible("fuel temperature, degC,", temp.0, TABLE_C.0, TABLE_C.1)?;
    let least = blend_density(Percent(-1.5), temp).0 / WATER_60F.0;
    let most = blend_density(Percent(101.5), temp).0 / WATER_60F.0;
    plausible("specific gravity", sg.0, least, most)?;
    let density = sg.0 * WATER_60F.0;
    let bare = percent_of(density, temp);
    let by_sg = percent_of((sg.0 + tolerance.sg) * WATER_60F.0, temp) - bare;
    let by_temp = percent_of(density, Celsius(temp.0 + tolerance.temp_k)) - bare;
    let nitro = bare.clamp(0.0, 100.0);
    let mass = mass_percent(nitro);
    Ok(Mix {
        sg,
        temp_c: temp,
        density_kg_m3: KgPerM3(density),
        nitro_pct_vol: Percent(nitro),
        nitro_sd_pct: Percent(by_sg.hypot(by_temp)),
        mixing_bound_pct: Percent(mixing_bound(nitro, density, temp)),
        nitro_pct_mass: Percent(mass),
        sg_60f: Ratio(blend_density(Percent(nitro), SIXTY_F).0 / WATER_60F.0),
        air_fuel_ratio: Ratio(
            (mass * NITROMETHANE.air_fuel_ratio() + (100.0 - mass) * METHANOL.air_fuel_ratio())
                / 100.0,
        ),
        extrapolated: !(MEASURED_C.0..=MEASURED_C.1).contains(&temp.0),
    })
}

/// How a mix stands to the limit of the team's rule book.
#[derive(Copy, Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum LimitCall {
    /// Under the limit, also by twice the uncertainty.
    Under,
    /// Nearer to the limit than twice the uncertainty: may be over.
    MayBeOver,
    /// Over the limit.
    Over,
}

impl Mix {
    /// How the mix stands to a limit in percent by volume (a setting; the rule book decides).
    pub fn against(&self, limit: Percent) -> LimitCall {
        if self.nitro_pct_vol > limit {
            LimitCall::Over
        } else if self.nitro_pct_vol.0 + 2.0 * self.nitro_sd_pct.0 > limit.0 {
            LimitCall::MayBeOver
        } else {
            LimitCall::Under
        }
    }

    /// One plain sentence for a phone, with the limit where one is set.
    pub fn words_with_limit(&self, limit: Option<Percent>) -> String {
        let mut s = format!(
            "{:.1} % nitro by volume ± {:.1}",
            self.nitro_pct_vol.0, self.nitro_sd_pct.0
        );
        if let Some(limit) = limit {
            match self.against(limit) {
                LimitCall::Under => {}
                LimitCall::MayBeOver => {
                    s.push_str(&format!("; MAY BE OVER the limit of {:.1} %", limit.0));
                }
                LimitCall::Over => {
                    s.push_str(&format!("; OVER the limit of {:.1} %", limit.0));
                }
            }
        }
        if self.extrapolated {
            s.push_str("; outside 20 to 40 °C the density is extrapolated");
        }
        s
    }

    /// One plain sentence for a phone.
    pub fn words(&self) -> String {
        self.words_with_limit(None)
    }
}

/// A can or barrel of fuel.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Stock {
    /// Volume as measured, at `temp_c`.
    pub volume_l: Litres,
    /// Nitromethane by volume at 60 degF.
    pub nitro_pct_vol: Percent,
}

/// What to add.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Recipe {
    /// To add of the richer stock, at the pouring temperature.
    pub add_rich_l: Litres,
    /// To add of the leaner stock, at the pouring temperature.
    pub add_lean_l: Litres,
    /// Mass of the richer stock, kg; a scale needs no temperature.
    pub add_rich_kg: f64,
    /// Mass of the leaner stock, kg.
    pub add_lean_kg: f64,
    /// What the can then holds, at the pouring temperature, if volumes add.
    pub total_l: Litres,
    /// Its percent.
    pub nitro_pct_vol: Percent,
    /// What a hydrometer should then show at the pouring temperature: the check.
    pub check_sg: Ratio,
    /// How the wanted percent stands to the limit.
    pub over_limit: bool,
}

/// How much of a richer and a leaner stock brings a can to `want`, all at one temperature.
/// `rich` and `lean` are the stocks' percents (100 and 0 for the pure liquids). A can that has too
/// much of one of them by no more than a millilitre gets none of it, and is off by that millilitre.
///
/// # Errors
/// [`CantSay::Implausible`] for percents outside 0..100 or temperatures outside 0..50 degC, or a
/// wanted percent outside that of the stocks; [`CantSay::OutOfReach`] where the can already holds
/// too much of one of them to get there in that volume.
pub fn to_reach(
    want: Stock,
    in_can: Stock,
    rich: Percent,
    lean: Percent,
    temp: Celsius,
    limit: Option<Percent>,
) -> Result<Recipe, CantSay> {
    plausible("fuel temperature, degC,", temp.0, TABLE_C.0, TABLE_C.1)?;
    plausible("leaner stock, %,", lean.0, 0.0, 100.0)?;
    plausible("richer stock, %,", rich.0, 0.0, 100.0)?;
    plausible("nitro in the can, %,", in_can.nitro_pct_vol.0, 0.0, 100.0)?;
    plausible("volume in the can, L,", in_can.volume_l.0, 0.0, 100_000.0)?;
    plausible(
        "wanted volume, L,",
        want.volume_l.0,
        f64::MIN_POSITIVE,
        100_000.0,
    )?;
    if rich <= lean {
        return Err(CantSay::OutOfReach {
            what: "the richer stock is no richer than the leaner",
        });
    }
    plausible("wanted nitro, %,", want.nitro_pct_vol.0, lean.0, rich.0)?;
    let (swell_n, swell_m) = swelling(temp);
    // Volume at `temp` of a mix that is one litre of unmixed liquids at 60 degF.
    let swell = |pct: f64| pct / 100.0 * swell_n + (1.0 - pct / 100.0) * swell_m;
    let base = |stock: Stock| stock.volume_l.0 / swell(stock.nitro_pct_vol.0);
    let (wanted, held) = (base(want), base(in_can));
    let (nitro_wanted, nitro_held) = (
        wanted * want.nitro_pct_vol.0 / 100.0,
        held * in_can.nitro_pct_vol.0 / 100.0,
    );
    // Two sums to meet: all liquid, and the nitromethane in it.
    let (all, nitro) = (wanted - held, nitro_wanted - nitro_held);
    let spread = (rich.0 - lean.0) / 100.0;
    let add_rich = (nitro - all * lean.0 / 100.0) / spread;
    let add_lean = all - add_rich;
    let slack = -SLACK_L;
    if all < slack {
        return Err(CantSay::OutOfReach {
            what: "the can already holds more than is wanted",
        });
    }
    if add_rich < slack {
        return Err(CantSay::OutOfReach {
            what: "the can is too rich for that volume; make more, or pour some out",
        });
    }
    if add_lean < slack {
        return Err(CantSay::OutOfReach {
            what: "the can is too lean for that volume; make more, or pour some out",
        });
    }
    let (add_rich, add_lean) = (add_rich.max(0.0), add_lean.max(0.0));
    let litres = |l60: f64, pct: f64| l60 * swell(pct);
    let kilograms =
        |l60: f64, pct: f64| litres(l60, pct) * blend_density(Percent(pct), temp).0 / 1000.0;
    Ok(Recipe {
        add_rich_l: Litres(litres(add_rich, rich.0)),
        add_lean_l: Litres(litres(add_lean, lean.0)),
        add_rich_kg: kilograms(add_rich, rich.0),
        add_lean_kg: kilograms(add_lean, lean.0),
        total_l: want.volume_l,
        nitro_pct_vol: want.nitro_pct_vol,
        check_sg: gravity(want.nitro_pct_vol, temp)?,
        over_limit: limit.is_some_and(|limit| want.nitro_pct_vol > limit),
    })
}

impl Recipe {
    /// One plain sentence for a phone.
    pub fn words(&self) -> String {
        let mut s = format!(
            "add {:.2} L of the richer ({:.2} kg) and {:.2} L of the leaner ({:.2} kg) \
             for {:.2} L at {:.1} %; hydrometer should then show {:.3}",
            self.add_rich_l.0,
            self.add_rich_kg,
            self.add_lean_l.0,
            self.add_lean_kg,
            self.total_l.0,
            self.nitro_pct_vol.0,
            self.check_sg.0
        );
        if self.over_limit {
            s.push_str("; OVER the limit");
        }
        s
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn stock(volume: f64, pct: f64) -> Stock {
        Stock {
            volume_l: Litres(volume),
            nitro_pct_vol: Percent(pct),
        }
    }

    proptest! {
        #[test]
        fn gravity_and_percent_undo_each_other(pct in 0.0..100.0_f64, temp in 0.0..50.0_f64) {
            let sg = gravity(Percent(pct), Celsius(temp)).unwrap();
            let back = mix(sg, Celsius(temp), MixTolerance::default()).unwrap();
            prop_assert!((back.nitro_pct_vol.0 - pct).abs() < 1e-9);
        }

        #[test]
        fn more_nitro_is_heavier_and_warmer_is_lighter(
            pct in 0.0..99.0_f64, more in 0.1..1.0_f64, temp in 0.0..49.0_f64,
        ) {
            let at = |p: f64, t: f64| blend_density(Percent(p), Celsius(t)).0;
            prop_assert!(at(pct + more, temp) > at(pct, temp));
            prop_assert!(at(pct, temp + more) < at(pct, temp));
        }

        #[test]
        fn a_recipe_gives_what_was_asked(
            held in 0.0..10.0_f64, held_pct in 0.0..100.0_f64,
            more in 1.0..5.0_f64, pct in 60.0..95.0_f64, temp in 5.0..45.0_f64,
        ) {
            let total = held * more + 10.0;
            let t = Celsius(temp);
            if let Ok(recipe) =
                to_reach(stock(total, pct), stock(held, held_pct), Percent(100.0), Percent(0.0), t, None)
            {
                // Weighed on a scale: masses of nitromethane and of all add up.
                let mass = |l: f64, p: f64| l * blend_density(Percent(p), t).0 / 1000.0;
                let nitro = mass(held, held_pct) * mass_percent(held_pct) / 100.0 + recipe.add_rich_kg;
                let all = mass(held, held_pct) + recipe.add_rich_kg + recipe.add_lean_kg;
                // Exactly, except where the can had up to a millilitre too much of one of them already.
                let too_much = [(recipe.add_rich_l, 100.0), (recipe.add_lean_l, 0.0)]
                    .into_iter()
                    .filter(|(added, _)| added.0 == 0.0)
                    .map(|(_, p)| SLACK_L * blend_density(Percent(p), SIXTY_F).0 / 1000.0)
                    .sum::<f64>();
                let off = 100.0 * nitro / all - mass_percent(pct);
                prop_assert!(off.abs() < 1e-6 + 100.0 * too_much / all, "{recipe:?}: {off} %");
                prop_assert!((all - mass(total, pct)).abs() < 1e-6 * all + too_much, "{recipe:?}");
            }
        }
    }

    #[test]
    fn a_millilitre_too_much_is_let_pass_and_no_more() {
        // By hand, at 60 degF: 10 L at 50 % and 10 L of nitromethane are 20 L at 75 %; of 2 mL less, a quarter is methanol that
        // the can has too much.
        let (can, rich, lean) = (stock(10.0, 50.0), Percent(100.0), Percent(0.0));
        let reach = |total| to_reach(stock(total, 75.0), can, rich, lean, SIXTY_F, None);
        let recipe = reach(19.998).unwrap();
        assert_eq!(recipe.add_lean_l, Litres(0.0));
        assert!((recipe.add_rich_l.0 - 9.9985).abs() < 1e-9, "{recipe:?}");
        assert!(reach(19.995).is_err());
    }

    #[test]
    fn the_limit_is_said_plainly() {
        let sg = gravity(Percent(91.2), Celsius(25.0)).unwrap();
        let m = mix(sg, Celsius(25.0), MixTolerance::default()).unwrap();
        assert_eq!(m.against(Percent(90.0)), LimitCall::Over);
        assert_eq!(m.against(Percent(91.5)), LimitCall::MayBeOver);
        assert_eq!(m.against(Percent(95.0)), LimitCall::Under);
        let words = m.words_with_limit(Some(Percent(90.0)));
        assert!(words.contains("91.2 % nitro") && words.contains("OVER the limit of 90.0 %"));
        let recipe = to_reach(
            stock(20.0, 92.0),
            stock(0.0, 0.0),
            Percent(100.0),
            Percent(0.0),
            Celsius(20.0),
            Some(Percent(90.0)),
        );
        assert!(recipe.unwrap().words().contains("OVER"));
    }

    #[test]
    fn what_cannot_be_reached_says_why() {
        let (rich, lean, t) = (Percent(100.0), Percent(0.0), Celsius(20.0));
        for (want, can, why) in [
            (stock(10.0, 90.0), stock(12.0, 90.0), "more than is wanted"),
            (stock(10.0, 50.0), stock(9.0, 90.0), "too rich"),
            (stock(10.0, 90.0), stock(9.0, 50.0), "too lean"),
        ] {
            let said = to_reach(want, can, rich, lean, t, None)
                .unwrap_err()
                .words();
            assert!(said.contains(why), "{said}");
        }
        assert!(to_reach(stock(10.0, 90.0), stock(0.0, 0.0), lean, rich, t, None).is_err());
        assert!(
            to_reach(
                stock(10.0, 99.0),
                stock(0.0, 0.0),
                Percent(98.0),
                lean,
                t,
                None
            )
            .is_err()
        );
    }

    #[test]
    fn a_can_that_is_right_already_wants_nothing() {
        let can = stock(20.0, 88.0);
        let r = to_reach(can, can, Percent(100.0), Percent(0.0), Celsius(27.0), None).unwrap();
        assert!(
            r.add_rich_l.0.abs() < 1e-9 && r.add_lean_l.0.abs() < 1e-9,
            "{r:?}"
        );
    }

    #[test]
    fn impossible_gravities_are_refused_and_slight_ones_held() {
        let t = Celsius(20.0);
        let tol = MixTolerance::default();
        assert!(mix(Ratio(0.70), t, tol).is_err());
        assert!(mix(Ratio(1.30), t, tol).is_err());
        assert!(mix(Ratio(1.10), Celsius(60.0), tol).is_err());
        let pure = gravity(Percent(100.0), t).unwrap().0;
        assert_eq!(
            mix(Ratio(pure + 0.002), t, tol).unwrap().nitro_pct_vol,
            Percent(100.0)
        );
    }

    #[test]
    fn the_uncertainty_is_that_of_the_hydrometer() {
        // By hand: 3.5 kg/m3 a point, so 0.001 is 0.29 points; 0.5 K of 1.3 kg/m3 is 0.19.
        let sg = gravity(Percent(90.0), Celsius(25.0)).unwrap();
        let m = mix(sg, Celsius(25.0), MixTolerance::default()).unwrap();
        assert!((0.3..0.4).contains(&m.nitro_sd_pct.0), "{m:?}");
        assert!((0.3..0.8).contains(&m.mixing_bound_pct.0), "{m:?}");
    }
}
