//! A few simulated systems taken through the tuner, and through whole visits, by a simulated person; `benches/blend.rs`
//! does it for hundreds and prints how flat they end.

#[path = "../benches/blend/harness.rs"]
mod harness;
#[path = "support/script.rs"]
#[allow(dead_code, reason = "made for visits that a script answers")]
mod script;
#[path = "../benches/blend/through.rs"]
mod through;

use evenbass::blend::Connection;
use evenbass::rehearsal::VirtualSystem;

use harness::{By, best_db, is_inverted, plain, tuned, usual_listener, worst_db};

const LIMIT_S: f64 = 15.0 * 60.0;

#[test]
fn what_was_badly_set_is_made_flatter_within_a_quarter_of_an_hour() {
    let (mut before, mut after, mut plain_after, mut best) = (0.0, 0.0, 0.0, 0.0);
    let cases = [(Connection::Line, 1, By::Meter), (Connection::Lfe, 0, By::Ear), (Connection::Both, 4, By::Meter)];
    for (connection, seed, by) in cases {
        let system = VirtualSystem::random(connection, seed);
        let outcome = tuned(&system, &usual_listener(), by, seed, LIMIT_S);
        assert!(outcome.seconds <= LIMIT_S, "{connection:?} {seed}: {} s", outcome.seconds);
        for (control, &value) in system.system.controls.iter().zip(&outcome.setting) {
            assert!(control.has(value), "{connection:?} {seed}: {} cannot stand at {value}", control.name);
        }
        let least = best_db(&system);
        let kept = least[usize::from(is_inverted(&system, &outcome.setting))];
        assert!(kept - least[0].min(least[1]) < 1.0, "{connection:?} {seed}: the wrong polarity, {least:?}");
        before += worst_db(&system, &system.start);
        after += worst_db(&system, &outcome.setting);
        let by_hand = plain(&system, usual_listener(), seed);
        assert!(by_hand.seconds <= LIMIT_S, "the plain way takes {} s", by_hand.seconds);
        plain_after += worst_db(&system, &by_hand.setting);
        best += least[0].min(least[1]);
    }
    assert!(best <= after, "the best cannot be worse than what was found: {best} and {after}");
    assert!(after < before / 2.0, "from {before} dB in all to {after}");
    assert!(after < plain_after, "the plain way ends flatter: {plain_after} dB in all, and here {after}");
}

#[test]
fn a_whole_visit_makes_every_connection_flatter_within_a_quarter_of_an_hour() {
    let (mut before, mut after) = (0.0, 0.0);
    for (connection, seed) in [(Connection::Line, 1), (Connection::Lfe, 0), (Connection::Both, 4)] {
        let system = through::system(connection, seed);
        let visit = through::visit(connection, seed, usual_listener(), None);
        assert!(visit.passes > 3, "{connection:?} {seed}: {} settings heard", visit.passes);
        assert!(visit.seconds <= LIMIT_S, "{connection:?} {seed}: {} s", visit.seconds);
        for (control, &value) in system.system.controls.iter().zip(&visit.setting) {
            assert!(control.has(value), "{connection:?} {seed}: {} cannot stand at {value}", control.name);
        }
        before += worst_db(&system, &system.start);
        after += worst_db(&system, &visit.setting);
    }
    assert!(after < before / 2.0, "from {before} dB in all to {after}");
}
