//! The fuels' own constants: what they weigh, how much air they want, how they burn. Data with a
//! source at each, and the arithmetic that follows from the formula.

use serde::Serialize;

use super::quantity::{Celsius, KgPerM3};

/// Atomic weights, g/mol (IUPAC conventional values; from memory).
const C: f64 = 12.011;
const H: f64 = 1.008;
const N: f64 = 14.007;
const O: f64 = 15.999;
/// Mass share of oxygen in air: 0.209476 mol/mol x 31.9988 / 28.9644 (US Standard Atmosphere
/// 1976; constants from memory).
const OXYGEN_IN_AIR: f64 = 0.231_421;
/// Heats of formation, kJ/mol: carbon dioxide, water vapour, liquid water (CODATA, rounded; from
/// memory).
const FORM_CO2: f64 = -393.51;
const FORM_STEAM: f64 = -241.826;
const FORM_WATER: f64 = -285.830;

/// A fuel by its formula and constants. Where sources differ, a flash point is the lowest and so
/// the most careful; it serves to warn, and the safety sheet at the can decides.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Fuel {
    /// Name.
    pub name: &'static str,
    /// Atoms of carbon, hydrogen, nitrogen and oxygen in the formula.
    pub atoms: [f64; 4],
    /// Heat of formation of the liquid, kJ/mol; `None` for a fuel that is itself a blend.
    pub formation_kj_mol: Option<f64>,
    /// Heat of vaporisation at 25 degC, kJ/kg.
    pub vaporisation_kj_kg: Option<f64>,
    /// Boiling point at one atmosphere.
    pub boils_c: Option<Celsius>,
    /// Flash point.
    pub flash_c: Option<Celsius>,
    /// Lowest temperature at which it lights by itself.
    pub autoignition_c: Option<Celsius>,
}

/// Nitromethane, CH3NO2. Formation -112.6 kJ/mol liquid (CRC Handbook, as `chemicals` 1.5.2
/// tabulates it); vaporisation 627.0 kJ/kg (CRC); boils 101.2 degC (Common Chemistry); flash
/// 35 degC (IEC 60079-20-1:2010 and NFPA 497:2008); autoignition 414 degC (IEC), 418 (NFPA).
pub const NITROMETHANE: Fuel = Fuel {
    name: "nitromethane",
    atoms: [1.0, 3.0, 1.0, 2.0],
    formation_kj_mol: Some(-112.6),
    vaporisation_kj_kg: Some(626.97),
    boils_c: Some(Celsius(101.2)),
    flash_c: Some(Celsius(35.0)),
    autoignition_c: Some(Celsius(414.0)),
};

/// Methanol, CH3OH. Formation -239.2 kJ/mol liquid (CRC); vaporisation 1168.2 kJ/kg (CRC); boils
/// 64.5 degC (CRC); flash 9 degC (IEC 60079-20-1), 12 (NFPA 497); autoignition 385 degC (NFPA),
/// 440 (IEC).
pub const METHANOL: Fuel = Fuel {
    name: "methanol",
    atoms: [1.0, 4.0, 0.0, 1.0],
    formation_kj_mol: Some(-239.2),
    vaporisation_kj_kg: Some(1168.16),
    boils_c: Some(Celsius(64.5)),
    flash_c: Some(Celsius(9.0)),
    autoignition_c: Some(Celsius(385.0)),
};

/// Isooctane, C8H18, for comparison.
pub const ISOOCTANE: Fuel = Fuel {
    name: "isooctane",
    atoms: [8.0, 18.0, 0.0, 0.0],
    formation_kj_mol: Some(-259.2),
    vaporisation_kj_kg: None,
    boils_c: None,
    flash_c: None,
    autoignition_c: None,
};

/// Petrol as the surrogate CH1.85; its heat of formation is not one number.
pub const PETROL: Fuel = Fuel {
    name: "gasoline_CH1.85_surrogate",
    atoms: [1.0, 1.85, 0.0, 0.0],
    formation_kj_mol: None,
    vaporisation_kj_kg: None,
    boils_c: None,
    flash_c: None,
    autoignition_c: None,
};

impl Fuel {
    /// Molar mass, g/mol.
    pub fn molar_mass(&self) -> f64 {
        let [c, h, n, o] = self.atoms;
        c * C + h * H + n * N + o * O
    }

    /// Moles of oxygen that burn one mole completely to carbon dioxide, water and nitrogen:
    /// C + H/4 - O/2.
    pub fn oxygen_moles(&self) -> f64 {
        let [c, h, _, o] = self.atoms;
        c + h / 4.0 - o / 2.0
    }

    /// Mass of air that burns one mass of fuel completely (stoichiometric).
    pub fn air_fuel_ratio(&self) -> f64 {
        self.oxygen_moles() * 2.0 * O / self.molar_mass() / OXYGEN_IN_AIR
    }

    /// Heat of burning one kilogram of the liquid to vapour (lower heating value), MJ/kg.
    pub fn lower_heat_mj_kg(&self) -> Option<f64> {
        self.heat(FORM_STEAM)
    }

    /// The same with the water condensed (higher heating value), MJ/kg.
    pub fn higher_heat_mj_kg(&self) -> Option<f64> {
        self.heat(FORM_WATER)
    }

    fn heat(&self, water: f64) -> Option<f64> {
        let [c, h, _, _] = self.atoms;
        Some((self.formation_kj_mol? - c * FORM_CO2 - h / 2.0 * water) / self.molar_mass())
    }
}

/// Density of liquid nitromethane at one atmosphere: the line through the measured 1137.54 kg/m3
/// at 20 degC and 1110.29 at 40 (Lee and Tu 1999, as quoted in
/// Montgomery's handbook chapter, taylorfrancis 9781420009132-301). Their point at 30 degC lies 0.025 kg/m3 off it; outside
/// 20..40 degC it is extrapolated, and two handbook correlations lie 1.5 to 4.9 kg/m3 below.
pub fn nitromethane_density(temp: Celsius) -> KgPerM3 {
    KgPerM3(1137.54 + (1110.29 - 1137.54) / 20.0 * (temp.0 - 20.0))
}

/// Density of liquid methanol at one atmosphere, 0..50 degC: our polynomial through values of the
/// reference equation as CoolProp 8.0.0 gives them; it keeps within 0.0001 kg/m3 of those.
pub fn methanol_density(temp: Celsius) -> KgPerM3 {
    let d = temp.0 - 25.0;
    KgPerM3(
        786.326_670_557
            + d * (-0.938_252_904_466
                + d * (-2.562_382_704e-4 + d * (-7.510_561_678e-6 - d * 2.614_970_9e-8))),
    )
}

/// Density of water at 60 degF and one atmosphere, the denominator of a specific gravity
/// (IAPWS-95 through CoolProp 8.0.0).
pub const WATER_60F: KgPerM3 = KgPerM3(999.01708);
/// 60 degF, at which fuel volumes are counted.
pub const SIXTY_F: Celsius = Celsius(140.0 / 9.0);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nitro_brings_most_of_its_oxygen_along() {
        assert_eq!(NITROMETHANE.oxygen_moles(), 0.75);
        assert_eq!(METHANOL.oxygen_moles(), 1.5);
        assert!(NITROMETHANE.air_fuel_ratio() * 3.5 < METHANOL.air_fuel_ratio());
        assert!(METHANOL.air_fuel_ratio() * 2.0 < PETROL.air_fuel_ratio());
        assert!(METHANOL.vaporisation_kj_kg > NITROMETHANE.vaporisation_kj_kg);
    }

    #[test]
    fn heat_counts_the_water() {
        let (low, high) = (
            NITROMETHANE.lower_heat_mj_kg().unwrap(),
            NITROMETHANE.higher_heat_mj_kg().unwrap(),
        );
        assert!(low < high && PETROL.lower_heat_mj_kg().is_none());
    }
}
