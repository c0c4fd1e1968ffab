//! From what is wanted to the controls that can do it: phase beyond a knob's end, and what was found on the subwoofer's
//! own channel.

use crate::blend::{Control, Device, Role, System};
use crate::routine::blend::setup::{Own, Setup};

/// The control at a value. Phase beyond the knob's end is reached by the polarity switch, which turns by 180 degrees.
pub(super) fn turned_to(system: &System, around: &Setup, control: usize, value: f64) -> Option<Setup> {
    let of = system.controls.get(control)?;
    if of.has(value) {
        return Some(around.with(control, value));
    }
    let (polarity, switch) = system.control(Role::Polarity, of.on).or_else(|| system.any(Role::Polarity))?;
    let rest = (value + 180.0).rem_euclid(360.0);
    if of.role != Role::Phase || !of.has(rest) {
        return None;
    }
    let stands = around.values.get(polarity).copied().flatten().unwrap_or(0.0);
    Some(around.with(control, rest).with(polarity, switch.nearest(180.0 - stands)))
}

/// The controls that can take up what was found on the subwoofer's own channel, with their new values; and what is left
/// of it.
///
/// Time goes into a distance or delay, polarity into its switch, the rest into the phase control's degrees at the
/// crossover.
pub fn translated(system: &System, setup: &Setup, crossover_hz: f64) -> (Setup, Own) {
    let mut into = setup.clone();
    let mut left = setup.own;
    let time = [Role::Distance, Role::Delay]
        .into_iter()
        .find_map(|role| system.control(role, Device::Processor).or_else(|| system.control(role, Device::Subwoofer)));
    if let Some((at, control)) = time {
        let stands = into.values[at].unwrap_or_else(|| control.ends().0);
        if let Some(wanted) = control.later_by(stands, left.later_s) {
            let given = control.nearest(wanted);
            if let (Some(before_s), Some(after_s)) = (control.as_delay_s(stands), control.as_delay_s(given)) {
                left.later_s -= after_s - before_s;
                into = into.with(at, given);
            }
        }
    }
    if let (true, Some((at, _))) = (left.inverted, system.any(Role::Polarity)) {
        into = into.with(at, 180.0 - into.values[at].unwrap_or(0.0));
        left.inverted = false;
    }
    if let Some((at, control)) = system.any(Role::Phase) {
        let stands = into.values[at].unwrap_or(0.0);
        let turn = 360.0 * crossover_hz * left.later_s + if left.inverted { 180.0 } else { 0.0 };
        let (given, flips) = nearest_phase(control, stands + turn, system.any(Role::Polarity).is_some());
        // Only what is nearer than leaving it is worth a hand on the knob.
        if turn.abs() > 5.0 {
            into = into.with(at, given);
            if let (true, Some((polarity, _))) = (flips, system.any(Role::Polarity)) {
                into = into.with(polarity, 180.0 - into.values[polarity].unwrap_or(0.0));
            }
            left = Own { later_s: 0.0, inverted: false, ..left };
        }
    }
    into.own = Own { gain_db: left.gain_db, ..Own::default() };
    (into, left)
}

/// The knob's value nearest to a phase, and whether the polarity switch has to be turned over for it.
fn nearest_phase(control: &Control, wanted: f64, may_flip: bool) -> (f64, bool) {
    let away = |value: f64, wanted: f64| {
        let turn = (value - wanted).rem_euclid(360.0);
        turn.min(360.0 - turn)
    };
    let options = [(0.0, false), (180.0, true)].into_iter().filter(|(_, flips)| may_flip || !flips).flat_map(
        |(turned, flips)| {
            let aim = (wanted - turned).rem_euclid(360.0);
            let (low, high) = control.ends();
            [control.nearest(aim), low, high].map(|value| (value, flips, away(value, aim)))
        },
    );
    let best = options.min_by(|a, b| a.2.total_cmp(&b.2));
    best.map_or((wanted, false), |(value, flips, _)| (value, flips))
}
