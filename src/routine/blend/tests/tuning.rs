//! The tuning in a visit: what is heard in which setting, what is kept, and how much time it gets.

use super::*;

#[test]
fn tuning_hears_settings_and_keeps_one_and_an_undo_goes_back_into_it() {
    let mut visit = Visit::new(brief_by(Some(LINE), "two-channel"));
    let (mut switched, mut bands, mut undone) = (Vec::new(), 0, false);
    while *visit.state.stage() != Stage::Done {
        hold(&visit.state);
        let ask = visit.state.question().unwrap().ask;
        let scene = visit.state.scene();
        if let Some(Hearing::Band { sounding, at, .. }) = scene.as_ref().map(|scene| &scene.hearing) {
            bands += 1;
            // The last band of the second pass is taken back once, after the result was thought out.
            if *sounding == Sounding::Both && *at == 1 && !undone {
                undone = true;
                let before = visit.state.question().unwrap().text;
                visit.say(Answer::Rating(Rating::ALL[2])).unwrap();
                visit.event(Event::Undo).unwrap();
                assert_eq!(visit.state.question().unwrap().text, before);
                continue;
            }
        }
        if let Ask::Confirm { topic: Topic::SubwooferSwitched, yes, .. } = ask {
            switched.push(yes);
        }
        let answer = visit.answer_to(&Best);
        visit.say(answer).unwrap();
    }
    // The main speakers alone are heard with the subwoofer switched off, and it is on again before anything else.
    assert_eq!(switched, ["It is off", "It is on"]);
    assert_eq!(bands, 5);
    let blend = visit.state.blend().unwrap();
    assert_eq!(blend.stands().values[..4], [Some(40.0), Some(0.0), Some(0.0), Some(0.0)]);
    let level = blend.decisions().iter().find(|decision| decision.control == 1).unwrap();
    assert!(level.how.contains("at 2 settings") && level.answers == 4, "{level:?}");
    assert!(level.sure.contains("within 1.0 dB (0.5 to 2.0)"), "{level:?}");
}

/// How much of the tuner's time the first setting may take, when the steps before took `slow` times as long as they
/// usually do; and how much is left after the first pass.
fn budgets(slow: f64) -> (f64, f64) {
    let mut visit = Visit::new(brief_by(Some(LINE), "two-channel"));
    let mut budgets = Vec::new();
    while budgets.len() < 2 {
        visit.now_s += slow * 3.0;
        let answer = visit.answer_to(&Best);
        let question = visit.state.question().unwrap().id;
        let effects = visit.event(Event::Answered { question, answer, rattles: false, parts_begun: 99 }).unwrap();
        if let Some(Effect::Tune(tuner)) = effects.last() {
            let told = serde_json::to_value(&**tuner).unwrap();
            budgets.push(told["case"]["budget_s"].as_f64().unwrap() - tuner.seconds(None));
        }
        visit.think(&effects);
    }
    (budgets[0], budgets[1])
}

#[test]
fn a_tuning_gets_what_is_left_of_a_quarter_of_an_hour_at_this_persons_pace() {
    let (usual, slow) = (budgets(1.0), budgets(4.0));
    // Three minutes for the contour, 45 seconds for the notes at the end and twenty for each of two seats are kept; 16
    // questions come before the tuning.
    assert!((560.0..620.0).contains(&usual.0), "{usual:?}");
    assert!(slow.0 < usual.0 - 100.0, "{slow:?} {usual:?}");
    // What is left gets less by what was used, and less again for whoever takes longer than usual.
    assert!(usual.1 < usual.0 && slow.1 < slow.0 - 30.0, "{slow:?} {usual:?}");
    // Whoever made telephone calls meanwhile has only paused, and a tuning that begins late still gets four minutes.
    let late = budgets(1000.0);
    assert_eq!(late.0, 240.0);
}

#[test]
fn a_band_that_is_heard_close_to_the_subwoofer_is_said_to_be_heard_there() {
    let mut visit = Visit { goes_near: true, ..Visit::new(brief_by(Some(LINE), "two-channel")) };
    let (mut near, mut places) = (false, [Vec::new(), Vec::new()]);
    while *visit.state.stage() != Stage::Done {
        let question = visit.state.question().unwrap();
        match &question.ask {
            Ask::Confirm { topic: Topic::NearSubwoofer, .. } => near = !near,
            Ask::Rate(note) => places[usize::from(near)].push(note.spot_name.clone()),
            _ => {}
        }
        let answer = visit.answer_to(&Best);
        visit.say(answer).unwrap();
    }
    let [at_the_seat, close] = places;
    assert_eq!(close, ["the subwoofer", "the subwoofer"]);
    assert!(!at_the_seat.is_empty() && at_the_seat.iter().all(|place| place != "the subwoofer"), "{at_the_seat:?}");
}

#[test]
fn on_its_own_channel_a_tuned_setting_is_imitated_until_it_is_kept() {
    let mut visit = Visit::new(brief_by(Some(PROCESSOR), "lfe"));
    let mut heard = false;
    while *visit.state.stage() != Stage::Done {
        hold(&visit.state);
        if let Some(scene) = visit.state.scene()
            && let Hearing::Band { sounding: Sounding::Both, .. } = scene.hearing
        {
            heard = true;
            let setup = &scene.sounds.last().unwrap().setup;
            // Polarity over, distance at 60 ft, level up by 9 dB: on the channel, and not on any knob.
            assert!(setup.own.inverted);
            let start_ft = visit.state.blend().unwrap().stands().values[3].unwrap();
            assert!((setup.own.later_s + (60.0 - start_ft) * 0.3048 / 343.2).abs() < 1e-9);
            let part = &scene.sounds.last().unwrap().part;
            let own = part.routes.iter().find(|route| route.channel == 4).unwrap();
            assert!(own.inverted && own.delay_s == 0.0);
            assert!(part.routes.iter().any(|route| route.channel == 1 && route.delay_s > 0.0));
        }
        let answer = visit.answer_to(&Late);
        visit.say(answer).unwrap();
    }
    assert!(heard);
    assert_eq!(visit.state.blend().unwrap().stands().own, Own::default());
}
