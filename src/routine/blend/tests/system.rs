//! What the system has, and what is therefore asked: controls that are not there, a system that no file says, channels
//! that are missing.

use super::*;

#[test]
fn what_is_not_there_never_appears() {
    let bare = "name = \"hut\"\nconnection = \"line\"\ntwo_channel = true\nmains_low_hz = 60.0\n";
    let mut visit = Visit::new(brief(Some(bare)));
    struct Deaf;
    impl Ears for Deaf {
        fn pulls(&self, _: &Setup) -> bool {
            false
        }
        fn goodness(&self, _: &Setup) -> f64 {
            0.0
        }
    }
    let mut seen = Vec::new();
    while *visit.state.stage() != Stage::Done {
        if let Some(Ask::Confirm { topic, .. } | Ask::Choose { topic, .. } | Ask::Number { topic, .. }) =
            visit.state.question().map(|question| question.ask)
        {
            seen.push(topic);
        }
        let answer = visit.answer_to(&Deaf);
        visit.say(answer).unwrap();
    }
    for topic in [Topic::Turn, Topic::ControlBefore, Topic::BassPulls, Topic::Better, Topic::Fullest] {
        assert!(!seen.contains(&topic), "{topic:?}");
    }
    assert!(seen.contains(&Topic::ChannelSide) && seen.contains(&Topic::SeatEven));
}

#[test]
fn the_system_can_be_asked_for() {
    let mut visit = Visit::new(brief(None));
    struct Pull;
    impl Ears for Pull {
        fn pulls(&self, setup: &Setup) -> bool {
            setup.values.iter().flatten().any(|&value| value > 75.0)
        }
        fn goodness(&self, _: &Setup) -> f64 {
            0.0
        }
    }
    visit.go_to_the_end(&Pull);
    let blend = visit.state.blend().unwrap();
    // The first option of each: a low-pass in Hz, a level knob, a phase knob, a polarity switch, no contour.
    let roles: Vec<Role> = blend.system().controls.iter().map(|control| control.role).collect();
    assert_eq!(roles, [Role::LowPass, Role::Level, Role::Phase, Role::Polarity]);
}

#[test]
fn a_channel_that_the_output_of_now_does_not_have_is_refused_with_a_way_out() {
    let mut visit = Visit::new(brief(None));
    let opened =
        |channels| Event::Opened { program: "x".into(), device: "y".into(), rate_hz: 48_000, channels: Some(channels) };
    visit.event(opened(8)).unwrap();
    loop {
        let answer = match visit.state.question().unwrap().ask {
            Ask::Number { topic: Topic::OwnChannel, .. } => break,
            Ask::Choose { .. } => Answer::Choice(0),
            Ask::Number { low, .. } => Answer::Number(low),
            _ => Answer::Yes,
        };
        visit.say(answer).unwrap();
    }
    // The visit goes on with another output, which has fewer.
    visit.event(opened(4)).unwrap();
    let Err(Refusal::Because(why)) = visit.say(Answer::Number(6.0)) else { panic!("there are four channels") };
    assert!(why.contains("is open with 4 channels: there is no channel 6") && why.contains("Type 0"), "{why}");
    visit.say(Answer::Number(4.0)).unwrap();
    assert_eq!(visit.state.blend().unwrap().system().channels.subwoofer, Some(4));
}
