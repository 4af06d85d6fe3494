//! Argument values: a number, with a unit after it where it is not in the option's own.

use spinover_protocol::units::Unit;

/// Reads `20`, `68F`, `"29.92 inHg"`: a number in the option's own unit, or in any unit of the
/// same kind, which is converted.
///
/// # Errors
/// A sentence that says what is wrong and what would be right.
fn in_unit(text: &str, own: Unit) -> Result<f64, String> {
    let text = text.trim();
    // The longest prefix that is a number; "1e3" and "-5" are, the "e" of a unit is not.
    let split = (1..=text.len())
        .rev()
        .filter(|at| text.is_char_boundary(*at))
        .find(|at| text[..*at].trim().parse::<f64>().is_ok());
    let Some(split) = split else {
        return Err(format!(
            "not a number; say for example 20 or 20{}",
            own.symbol()
        ));
    };
    let number: f64 = text[..split]
        .trim()
        .parse()
        .map_err(|_| "not a number".to_owned())?;
    if !number.is_finite() {
        return Err("not a finite number".to_owned());
    }
    let rest = text[split..].trim();
    if rest.is_empty() {
        return Ok(number);
    }
    let unit: Unit = rest
        .parse()
        .map_err(|e: spinover_protocol::units::UnknownUnit| e.to_string())?;
    unit.convert(number, own)
        .ok_or_else(|| format!("{unit} does not measure what {own} does"))
}

macro_rules! parsers {
    ($($name:ident = $unit:expr;)*) => {$(
        /// A value in this option's own unit, or with another unit after it.
        pub(super) fn $name(text: &str) -> Result<f64, String> {
            in_unit(text, $unit)
        }
    )*};
}

parsers! {
    celsius = Unit::DegC;
    hectopascals = Unit::HectoPascal;
    metres = Unit::Metre;
    litres = Unit::Litre;
    litres_per_min = Unit::LitrePerMin;
    kg_per_m3 = Unit::KilogramPerCubicMetre;
    percent = Unit::Percent;
    rpm = Unit::Rpm;
    seconds = Unit::Second;
    miles_per_hour = Unit::MilePerHour;
    number = Unit::One;
}

/// Reads a list of numbers parted by commas; an empty place is none.
///
/// # Errors
/// A sentence naming the place that is not a number.
pub(super) fn list(text: &str) -> Result<Vec<Option<f64>>, String> {
    text.split(',')
        .enumerate()
        .map(|(i, part)| match part.trim() {
            "" => Ok(None),
            part => part
                .parse()
                .map(Some)
                .map_err(|_| format!("place {}: {part:?} is not a number", i + 1)),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_may_carry_its_unit() {
        assert_eq!(celsius("20"), Ok(20.0));
        assert_eq!(celsius("68F"), Ok(20.0));
        assert_eq!(celsius("-40 °F"), Ok(-40.0));
        assert_eq!(celsius("1e1"), Ok(10.0));
        assert!((hectopascals("29.92 inHg").unwrap() - 1013.2).abs() < 0.1);
        assert_eq!(metres("100ft"), Ok(30.48));
    }

    #[test]
    fn a_bad_value_says_what_would_be_right() {
        assert!(celsius("warm").unwrap_err().contains("20degC"));
        assert!(celsius("20psi").unwrap_err().contains("does not measure"));
        assert!(celsius("20 furlongs").unwrap_err().contains("unknown unit"));
        assert!(celsius("").is_err() && celsius("NaN").is_err() && celsius("inf").is_err());
    }

    #[test]
    fn a_list_may_have_empty_places() {
        assert_eq!(
            list("1, 2,,4"),
            Ok(vec![Some(1.0), Some(2.0), None, Some(4.0)])
        );
        assert!(list("1,x").unwrap_err().contains("place 2"));
    }
}
