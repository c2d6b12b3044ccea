//! What readings are held to, as it is written on the command line.

use std::str::FromStr;

use humtick::watch::{self, Band, Quantity, Watch};
use humtick::{Config, Frequency, TickRate};

/// All forms, for help texts.
pub const FORMS: &str = "\
en-50160, en-50160-island, continental-europe, great-britain, ireland, nordic,
eastern-interconnection, western-interconnection, texas, loss-of-mains,
or LOW..HIGH in hertz, 49.8..50.2 say, where either may be left out; several with commas between";

/// The bands by their names; where their figures are from says the core.
const NAMED: [(&str, &[Band]); 10] = [
    ("en-50160", &watch::EN_50160),
    ("en-50160-island", &watch::EN_50160_ISLAND),
    ("continental-europe", &watch::CONTINENTAL_EUROPE),
    ("great-britain", &watch::GREAT_BRITAIN),
    ("ireland", &watch::IRELAND),
    ("nordic", &watch::NORDIC),
    ("eastern-interconnection", &watch::EASTERN_INTERCONNECTION),
    ("western-interconnection", &watch::WESTERN_INTERCONNECTION),
    ("texas", &watch::TEXAS),
    ("loss-of-mains", &[watch::LOSS_OF_MAINS]),
];

/// [`FORMS`] and the figures of the names, for help texts.
pub fn forms() -> String {
    let line = |(name, bands): (&str, &[Band])| {
        let bands: Vec<_> = bands.iter().map(told).collect();
        format!("\n{name:<24}  {}", bands.join(", "))
    };
    format!("{FORMS}\n{}", NAMED.into_iter().map(line).collect::<String>())
}

/// Ticks to a millisecond of a sensor's time. A meter needs some per period, and wraps are whole at both.
pub(super) const TICKS_A_MS: u32 = 10;

/// Back inside by so much an excursion from LOW..HIGH is over: the 10 mHz that Regulation (EU) 2017/1485, Annex V, asks of frequency
/// measurement for reserves, or a tenth of the band where it is narrower.
const HYSTERESIS: i64 = 10_000_000;

/// Bands, each with the text it is told by.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Limits(pub Vec<(Band, String)>);

impl FromStr for Limits {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let mut bands = Vec::new();
        for part in text.split(',') {
            let named = NAMED.into_iter().find_map(|(name, bands)| (name == part).then_some(bands));
            let several = match named {
                Some(bands) => bands,
                None => &[band(part)?],
            };
            bands.extend(several.iter().map(|band| (*band, told(band))));
        }
        for (band, text) in &bands {
            made(band)
                .ok_or_else(|| format!("{text}: limits must hold some frequency of a grid between them"))?;
        }
        Ok(Self(bands))
    }
}

/// `LOW..HIGH`.
fn band(text: &str) -> Result<Band, String> {
    let wrong = || format!("{text:?}: expected {FORMS}");
    let (low, high) = text.split_once("..").ok_or_else(wrong)?;
    let limit = |text: &str| match text {
        "" => Ok(None),
        text => match text.parse::<f64>() {
            Ok(hz) if (0.1..=100_000.0).contains(&hz) => Ok(Some((hz * 1e9).round() as i64)),
            _ => Err(wrong()),
        },
    };
    let (low, high) = (limit(low)?, limit(high)?);
    let hysteresis = match (low, high) {
        (Some(low), Some(high)) if low >= high => return Err(format!("{text:?}: LOW must be below HIGH")),
        (Some(low), Some(high)) => HYSTERESIS.min((high - low) / 10),
        _ => HYSTERESIS,
    };
    Ok(Band { quantity: Quantity::Frequency, low, high, hysteresis, at_least_ms: 0 })
}

/// The band as people read it.
fn told(band: &Band) -> String {
    let unit = match band.quantity {
        Quantity::Frequency => "Hz",
        Quantity::Rocof => "Hz/s",
    };
    let limit = |value: Option<i64>| value.map_or(String::new(), |v| (v as f64 / 1e9).to_string());
    format!("{}..{} {unit}", limit(band.low), limit(band.high))
}

/// A watch of one band, around whatever frequency lies in it.
pub(super) fn made(band: &Band) -> Option<Watch<1>> {
    let rate = TickRate::from_hz(1_000 * TICKS_A_MS)?;
    let middle = match (band.quantity, band.low, band.high) {
        (Quantity::Frequency, Some(low), Some(high)) => low / 2 + high / 2,
        (Quantity::Frequency, Some(low), None) => low.saturating_mul(2),
        (Quantity::Frequency, None, Some(high)) => high / 2,
        _ => 50_000_000_000,
    };
    Watch::new(&Config::mains(rate), Frequency::from_nanohertz(u64::try_from(middle).ok()?), [*band]).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_are_read_and_told() {
        let of = |text: &str| -> Vec<String> {
            text.parse::<Limits>().unwrap().0.into_iter().map(|(_, told)| told).collect()
        };
        assert_eq!(of("en-50160"), ["49.5..50.5 Hz", "47..52 Hz"]);
        assert!(forms().contains("\nloss-of-mains             -1..1 Hz/s"), "{}", forms());
        assert_eq!(of("49.8..50.2,..51,loss-of-mains"), ["49.8..50.2 Hz", "..51 Hz", "-1..1 Hz/s"]);
        for name in
            FORMS.split(['\n', ',']).map(str::trim).filter(|name| name.contains('-') || *name == "texas")
        {
            assert!(!of(name).is_empty(), "{name}");
        }
        for wrong in ["", "..", "50..49", "a..b", "49.8-50.2", "nan..50", "-1..2", "en50160"] {
            assert!(wrong.parse::<Limits>().is_err(), "{wrong}");
        }
    }
}
