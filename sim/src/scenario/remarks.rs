//! What of a scenario is allowed, and probably not meant.

use super::{Disturb, GridShape, Scenario};

impl Scenario {
    /// What the scenario asks for and will not show, a phrase each.
    pub fn remarks(&self) -> Vec<String> {
        let mut remarks = Vec::new();
        let mut begins = |what: &str, at_s: f64| {
            if at_s >= self.duration_s {
                remarks.push(format!("{what} begins at {at_s} s, after the end at {} s", self.duration_s));
            }
        };
        match self.grid.shape {
            GridShape::Step { at_s, .. } => begins("the grid's step", at_s),
            GridShape::Ramp { start_s, .. } => begins("the grid's ramp", start_s),
            _ => {}
        }
        for (number, disturb) in self.disturb.iter().enumerate() {
            let (kind, at_s) = match *disturb {
                Disturb::Dip { at_s, residual_percent: 0.0, .. } => ("interruption", at_s),
                Disturb::Dip { at_s, .. } => ("dip", at_s),
                Disturb::Impulses { start_s, .. } => ("impulses", start_s),
                Disturb::Burst { at_s, .. } => ("burst", at_s),
                Disturb::Notches { start_s, .. } => ("notches", start_s),
                Disturb::PhaseJump { at_s, .. } => ("phase-jump", at_s),
                Disturb::Signalling { at_s, .. } => ("signalling", at_s),
                Disturb::AmplitudeStep { at_s, .. } => ("amplitude-step", at_s),
            };
            begins(&format!("disturbance {} ({kind})", number + 1), at_s);
        }
        if self.meter.window_s > self.duration_s {
            remarks.push(format!(
                "the meter's window of {} s is never full within {} s",
                self.meter.window_s, self.duration_s
            ));
        }
        remarks
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    #[test]
    fn what_comes_after_the_end_is_told() {
        let remarks = |text: &str| Scenario::from_toml(text, Path::new("cellar.toml")).unwrap().remarks();
        assert!(remarks("").is_empty());
        for (_, text) in super::super::built_in::ALL {
            assert_eq!(remarks(text), Vec::<String>::new());
        }
        let text = "duration_s = 30\n[grid]\nshape = \"step\"\nat_s = 40\nsize_mhz = 1\n[[disturb]]\nkind = \"phase-jump\"\nat_s = 5\n\
                    degrees = 3\n[[disturb]]\nkind = \"interruption\"\nat_s = 30\nlength_s = 1\n[meter]\nwindow_s = 40\n";
        assert_eq!(
            remarks(text),
            [
                "the grid's step begins at 40 s, after the end at 30 s",
                "disturbance 2 (interruption) begins at 30 s, after the end at 30 s",
                "the meter's window of 40 s is never full within 30 s"
            ]
        );
    }
}
