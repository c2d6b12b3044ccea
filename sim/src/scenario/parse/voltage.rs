//! The table `[voltage]`.

use super::super::{Flicker, FlickerShape, Voltage};
use super::harmonics::{Preset, Word, distortion};
use crate::keys::{Bounds, Fault, Keys};

const PERCENT: Bounds = (0.0, 100.0);

pub(super) fn read(mut keys: Keys<'_>) -> Result<Voltage, Fault> {
    let rms_v = keys.number("rms_v", 230.0, (0.001, 1e6));
    let preset = if keys.has("harmonics") && !keys.has_text("harmonics") {
        Preset { harmonics: listed(&mut keys), ..Preset::default() }
    } else {
        Preset::of(keys.word("harmonics", Word::Clean))
    };
    let mut harmonics = preset.harmonics;
    if let Some(thd) = keys.given("thd_percent", PERCENT) {
        let now = distortion(&harmonics);
        keys.check(now > 0.0, "thd_percent", || {
            "thd_percent scales harmonics, and there are none: give harmonics".into()
        });
        if now > 0.0 {
            harmonics.iter_mut().for_each(|(_, percent, _)| *percent *= thd / now);
        }
    }
    let interharmonics = keys
        .rows("interharmonics", [("ratio_to_nominal", (0.01, 100.0)), ("percent", PERCENT)], 50)
        .map(|rows| rows.into_iter().map(Into::into).collect())
        .unwrap_or(preset.interharmonics);
    for (ratio, _) in &interharmonics {
        keys.check(ratio.fract() != 0.0, "interharmonics", || {
            format!("interharmonics at {ratio} times nominal are harmonics: they go into harmonics")
        });
    }
    let dc_percent = keys.number("dc_percent", 0.0, (-99.0, 99.0));
    let (given, table) = (keys.has("flicker"), keys.table("flicker"));
    let flicker = if given { flicker(table)? } else { preset.flicker };
    keys.finish()?;
    Ok(Voltage { rms_v, harmonics, interharmonics, dc_percent, flicker })
}

fn listed(keys: &mut Keys<'_>) -> Vec<(u32, f64, f64)> {
    let columns = [("order", (2.0, 50.0)), ("percent", PERCENT), ("phase_deg", (-360.0, 360.0))];
    let rows = keys.rows("harmonics", columns, 49).unwrap_or_default();
    let mut list: Vec<(u32, f64, f64)> = vec![];
    for [order, percent, phase_deg] in rows {
        keys.check(order.fract() == 0.0, "harmonics", || {
            format!("harmonics of order {order} are none: expected a whole number, or interharmonics")
        });
        let order = order as u32;
        keys.check(list.iter().all(|(other, ..)| *other != order), "harmonics", || {
            format!("harmonics name order {order} twice: expected each order once")
        });
        list.push((order, percent, phase_deg));
    }
    list
}

fn flicker(mut keys: Keys<'_>) -> Result<Flicker, Fault> {
    let percent = keys.number("percent", 0.0, (0.0, 50.0));
    let shape = keys.word("shape", FlickerShape::Sine);
    let hz = keys.given("hz", (0.01, 40.0));
    // Two changes make a period: 0.01 to 40 Hz again.
    let changes = keys.given("changes_per_minute", (1.2, 4_800.0));
    keys.check(changes.is_none() || shape == FlickerShape::Rectangular, "changes_per_minute", || {
        "changes_per_minute belongs to shape = \"rectangular\"; a sine has hz".into()
    });
    keys.check(changes.is_none() || hz.is_none(), "changes_per_minute", || {
        "changes_per_minute and hz say the same: expected one of them".into()
    });
    keys.finish()?;
    Ok(Flicker { percent, hz: changes.map(|n| n / 120.0).or(hz).unwrap_or(8.8), shape })
}
