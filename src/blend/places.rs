//! At which values a control is tried where a computer does the trying.

use crate::blend::control::{Control, Role, Scale, Unit};

/// How finely.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Grain {
    /// As a hand sets it and an ear hears it: for settings that somebody listens to.
    Heard,
    /// Finer: for a figure on paper.
    Figure,
}

impl Grain {
    /// From one place to the next, in the control's unit.
    fn step(self, control: &Control) -> f64 {
        let (low, high) = control.ends();
        let (heard, figure) = match (control.role, control.unit) {
            (Role::Level, Unit::Percent) => ((high - low) / 40.0, (high - low) / 40.0),
            (Role::Level, _) => (1.0, 1.0),
            (Role::Phase, _) => (15.0, 5.0),
            (_, Unit::Millisecond) => (0.5, 0.25),
            (_, Unit::Foot) => (0.5, 0.5),
            _ => (0.15, 0.1),
        };
        match self {
            Self::Heard => heard,
            Self::Figure => figure,
        }
    }
}

/// Frequencies are tried in steps of this, octaves.
const OCTAVES: f64 = 1.0 / 6.0;

/// From the control's low end to its high one, each where it can stand.
pub(super) fn places(control: &Control, grain: Grain) -> Vec<f64> {
    let (low, high) = control.ends();
    match (&control.scale, control.unit) {
        (Scale::Positions(positions), _) => positions.clone(),
        (_, Unit::Hertz) => {
            let count = (libm::log2(high / low) / OCTAVES).round().max(1.0);
            (0..=count as usize).map(|k| control.nearest(low * libm::pow(high / low, k as f64 / count))).collect()
        }
        _ => {
            let count = ((high - low) / grain.step(control)).round().max(1.0) as usize;
            (0..=count).map(|k| control.nearest(low + (high - low) * k as f64 / count as f64)).collect()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::blend::{Device, Slopes};

    fn control(role: Role, unit: Unit, scale: Scale) -> Control {
        let (on, name) = (Device::Processor, role.word().into());
        Control { role, on, name, unit, scale, start: None, now: None, slopes: Slopes::default() }
    }

    #[test]
    fn places_go_from_end_to_end_where_the_control_can_stand_and_a_figure_has_more_of_them() {
        for (role, unit, low, high, step) in [
            (Role::Phase, Unit::Degree, 0.0, 180.0, None),
            (Role::Distance, Unit::Metre, 0.0, 12.0, Some(0.05)),
            (Role::Delay, Unit::Millisecond, 0.0, 20.0, None),
            (Role::LowPass, Unit::Hertz, 40.0, 160.0, Some(10.0)),
            (Role::Level, Unit::Percent, 0.0, 100.0, None),
        ] {
            let control = control(role, unit, Scale::Range { low, high, step });
            let [heard, figure] = [Grain::Heard, Grain::Figure].map(|grain| places(&control, grain));
            for places in [&heard, &figure] {
                assert!(places[0] == low && places[places.len() - 1] == high, "{role}: {places:?}");
                assert!(places.iter().all(|&place| control.has(place)), "{role}: {places:?}");
                assert!(places.windows(2).all(|two| two[0] <= two[1]), "{role}: {places:?}");
            }
            let finer = matches!(role, Role::Phase | Role::Distance | Role::Delay);
            assert_eq!(heard.len() < figure.len(), finer, "{role}");
        }
        let switch = control(Role::Phase, Unit::Degree, Scale::Positions(vec![0.0, 180.0]));
        assert_eq!(places(&switch, Grain::Heard), [0.0, 180.0]);
    }
}
