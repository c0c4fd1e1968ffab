//! Whole blends, driven by a person who does as told and hears by rule; and what must hold at every step of them.

use std::sync::Arc;

use proptest::prelude::*;

use super::scene::{Hearing, Scene};
use super::search::Want;
use super::*;
use crate::blend::Control;
use crate::blend::tune::{self, Pass, Sounding};
use crate::presets;
use crate::room::Room;
use crate::routine::levels::START;
use crate::routine::question::{Ask, QuestionId, Topic};
use crate::routine::{Brief, Effect, Event, Kit, Stamped};

mod wrong;

const LINE: &str = r#"
name = "den"
connection = "line"
two_channel = true
mains_low_hz = 60.0
[[control]]
role = "low-pass"
name = "X-OVER"
unit = "Hz"
low = 40.0
high = 160.0
[[control]]
role = "level"
name = "GAIN"
unit = "%"
low = 0.0
high = 100.0
[[control]]
role = "phase"
low = 0.0
high = 180.0
[[control]]
role = "polarity"
[[control]]
role = "contour"
unit = "dB"
low = -6.0
high = 6.0
"#;

const PROCESSOR: &str = r#"
name = "loft"
connection = "lfe"
mains_low_hz = 70.0
wireless = true
[channels]
left = 1
right = 2
subwoofer = 4
[[control]]
role = "level"
unit = "%"
low = 0.0
high = 100.0
now = 45.0
[[control]]
role = "crossover"
on = "processor"
unit = "Hz"
low = 40.0
high = 160.0
step = 10.0
now = 80.0
[[control]]
role = "level"
on = "processor"
unit = "dB"
low = -12.0
high = 12.0
step = 1.0
now = 3.0
[[control]]
role = "distance"
on = "processor"
unit = "ft"
low = 0.0
high = 60.0
step = 0.5
[[control]]
role = "polarity"
"#;

fn brief(system: Option<&str>) -> Brief {
    brief_by(system, "assistant")
}

fn brief_by(system: Option<&str>, routine: &str) -> Brief {
    let system = system.map(|text| System::parse("system.toml", text).unwrap());
    let routines = [presets::routine(routine, None).unwrap()];
    Brief {
        name: "den".into(),
        seed: 3,
        minutes: None,
        room: Some(Room::unmeasured("den", &["sofa", "chair"], &["by the door"])),
        seat: 0,
        kit: Kit::default(),
        note_set: presets::note_set("walk-16", None).unwrap(),
        loudness_phon: 50.0,
        rehearsal: false,
        asks_more: false,
        blend: Some(BlendBrief {
            system,
            routines: routines.into(),
            placed: true,
            recheck: None,
            output_channels: None,
        }),
    }
}

/// Somebody who does as told; `hears` says what is right.
struct Visit {
    state: State,
    now_s: f64,
    log: Vec<Stamped>,
    /// The second pass of the tuning is heard close to the subwoofer.
    goes_near: bool,
}

/// What the person hears: whether it is too far, how good a setting is, and the notes' levels.
trait Ears {
    fn pulls(&self, setup: &Setup) -> bool;
    fn goodness(&self, setup: &Setup) -> f64;
}

impl Visit {
    fn new(brief: Brief) -> Self {
        Self { state: State::new(Arc::new(brief)), now_s: 0.0, log: Vec::new(), goes_near: false }
    }

    fn event(&mut self, event: Event) -> Result<Vec<Effect>, Refusal> {
        self.now_s += 0.2;
        let stamped = Stamped { at_s: self.now_s, event };
        let (state, effects) = self.state.clone().step(&stamped)?;
        self.state = state;
        self.log.push(stamped);
        Ok(effects)
    }

    fn say(&mut self, answer: Answer) -> Result<Vec<Effect>, Refusal> {
        let question = self.state.question().map_or(QuestionId(u64::MAX), |question| question.id);
        let effects = self.event(Event::Answered { question, answer, rattles: false, parts_begun: 99 })?;
        self.think(&effects);
        Ok(effects)
    }

    /// Stands in for what is thought out beside the visit: a pass with the main speakers alone, one with everything elsewhere, done.
    fn think(&mut self, effects: &[Effect]) {
        let Some(Effect::Tune(_)) = effects.last() else { return };
        let blend = self.state.blend().unwrap();
        let Some(tuner) = blend.to_think(2) else { return };
        let passes = tuner.passes().len();
        let ends = |high: bool| -> Vec<f64> {
            let end = |control: &Control| if high { control.ends().1 } else { control.ends().0 };
            blend.system().controls.iter().map(end).collect()
        };
        let pass = |setting: Vec<f64>, sounding| Pass {
            setting,
            sounding,
            bands_hz: vec![50.0, 70.0],
            gains_db: vec![0.0, 6.0],
            heard: Vec::new(),
        };
        let start: Vec<f64> = blend.stands().values.iter().map(|value| value.unwrap_or(0.0)).collect();
        let next = match passes {
            0 => Next::Hear(pass(start, Sounding::Mains)),
            1 if self.goes_near => Next::Hear(pass(start, Sounding::NearSubwoofer)),
            1 => Next::Hear(pass(ends(true), Sounding::Both)),
            _ => Next::Keep(tune::Outcome {
                setting: ends(false),
                worst_db: [1.0, 0.5, 2.0],
                other_polarity_db: None,
                polarity_surely: Some(0.9),
                seconds: 60.0,
                out_of_time: false,
            }),
        };
        self.event(Event::Tuned { passes, next }).unwrap();
    }

    /// The answer to the open question.
    fn answer_to(&self, ears: &impl Ears) -> Answer {
        let question = self.state.question().unwrap();
        let scene = self.state.scene();
        let hearing = scene.as_ref().map_or(Hearing::Nothing, |scene| scene.hearing.clone());
        let of = |scene: &Scene, choice: usize| {
            scene.sounds.iter().find(|heard| heard.choice == choice).map(|heard| heard.setup.clone()).unwrap()
        };
        match (hearing, &question.ask) {
            (Hearing::Side, _) => {
                let scene = scene.unwrap();
                Answer::Choice(usize::from(scene.sounds[0].part.routes[0].channel) - 1)
            }
            (Hearing::Middle, _) => {
                let scene = scene.unwrap();
                let same = scene.sounds.iter().position(|heard| heard.part.routes.iter().all(|route| !route.inverted));
                Answer::Choice(same.unwrap())
            }
            (Hearing::Pull | Hearing::Louder, _) => {
                if ears.pulls(&of(scene.as_ref().unwrap(), 0)) {
                    Answer::Yes
                } else {
                    Answer::No
                }
            }
            (Hearing::Better, _) => {
                let scene = scene.unwrap();
                // What was heard first is known from where it stood then; the second is what sounds now.
                let Doing::Seek { search, .. } = &self.state.blend.as_ref().unwrap().doing else { unreachable!() };
                let Some(Want::Prefer(pair)) = search.want() else { unreachable!() };
                assert!(pair.contains(&scene.sounds.last().unwrap().setup));
                Answer::Choice(usize::from(ears.goodness(&pair[0]) < ears.goodness(&pair[1])))
            }
            (Hearing::Fullest, _) => {
                let scene = scene.unwrap();
                let goodness = |at: &usize| ears.goodness(&scene.sounds[*at].setup);
                let best = (0..scene.sounds.len()).max_by(|a, b| goodness(a).total_cmp(&goodness(b))).unwrap();
                Answer::Number(best as f64 + 1.0)
            }
            (_, Ask::Rate(_)) => Answer::Rating(Rating::ALL[3]),
            (_, Ask::Choose { .. }) => Answer::Choice(0),
            (_, Ask::Number { low, default, .. }) => Answer::Number(default.unwrap_or(*low)),
            _ => Answer::Yes,
        }
    }

    /// To the end; everything that must hold is looked at on the way.
    fn go_to_the_end(&mut self, ears: &impl Ears) -> usize {
        for answers in 0..600 {
            if *self.state.stage() == Stage::Done {
                return answers;
            }
            hold(&self.state);
            let answer = self.answer_to(ears);
            self.say(answer).unwrap();
        }
        panic!("the blend never ends: {:?}", self.state.question());
    }
}

/// What must hold at every question.
fn hold(state: &State) {
    let (Some(cue), Some(blend)) = (state.blend_cue(), state.blend()) else { return };
    let reference = state.reference_level();
    for part in &cue.parts {
        // Nothing is louder than the reference, but for a band that is raised for its hole, which climbs.
        if part.level > reference {
            assert!(part.level - reference <= GainDb::new(12.0), "{part:?}");
            assert!(part.climbs_from.is_some_and(|from| from <= reference), "{part:?} is louder than the reference");
        }
        assert!(!part.routes.is_empty());
        assert!(part.routes.iter().all(|route| route.gain <= GainDb::ZERO && route.delay_s >= 0.0));
    }
    // After a knob was turned up, the first sound begins lower by all that it can have added.
    if blend.climb > GainDb::ZERO {
        let first = &cue.parts[0];
        assert!(first.climbs_from.unwrap() <= first.level - blend.climb);
    }
}

/// Hears everything as it is best: low-pass up to 70 Hz, level up to 60 %, phase 90, contour +3.
struct Best;

impl Ears for Best {
    fn pulls(&self, setup: &Setup) -> bool {
        setup.values[0].is_some_and(|hz| hz > 70.0) || setup.values[1].is_some_and(|level| level > 60.0)
    }

    fn goodness(&self, setup: &Setup) -> f64 {
        let phase = setup.values[2].unwrap() + setup.values[3].unwrap();
        libm::cos((phase - 90.0).to_radians()) - 0.1 * (setup.values[4].unwrap() - 3.0).abs()
    }
}

#[test]
fn a_two_channel_blend_ends_where_it_sounds_best() {
    let mut visit = Visit::new(brief(Some(LINE)));
    let answers = visit.go_to_the_end(&Best);
    let blend = visit.state.blend().unwrap();
    let value = |at: usize| blend.stands().values[at].unwrap();
    // Half a step of the low-pass is a sixth of an octave, half a step of the level 2.5 %.
    assert!((libm::log2(value(0) / 70.0)).abs() < 1.0 / 6.0, "{}", value(0));
    assert!((value(1) - 60.0).abs() < 2.6, "{}", value(1));
    assert_eq!((value(2), value(3), value(4)), (90.0, 0.0, 3.0));
    assert!(answers < 160, "{answers} answers are too many");
    // Every control has its line for the sheet, with what it was before.
    assert_eq!(blend.decisions().len(), 5);
    assert!(blend.decisions().iter().all(|decision| decision.before.is_some() && !decision.how.is_empty()));
    assert_eq!(blend.seats(), [SeatHeard { seat: 0, even: true }, SeatHeard { seat: 1, even: true }]);
    assert_eq!(blend.wiring().unwrap().faults(Connection::Line), []);
}

/// The subwoofer on its own channel is 6 ms late and turned over; the level is right at 4 dB.
struct Late;

impl Ears for Late {
    fn pulls(&self, setup: &Setup) -> bool {
        setup.values[1].is_some_and(|hz| hz > 85.0) || setup.values[2].is_some_and(|level| level > 4.5)
    }

    fn goodness(&self, setup: &Setup) -> f64 {
        let power = (-6..=6).map(|step| {
            let hz = 70.0 * libm::exp2(f64::from(step) / 12.0);
            // The 14 ft of the wireless link stand in the distance; what is heard is what is left.
            let late_s = 6e-3 + setup.own.later_s - (setup.values[3].unwrap_or(14.0) - 14.0) * 0.3048 / 343.2;
            let turned = setup.own.inverted == (setup.values[4] == Some(0.0));
            libm::cos(std::f64::consts::TAU * hz * late_s) * if turned { 1.0 } else { -1.0 }
        });
        power.sum()
    }
}

#[test]
fn a_channel_of_its_own_is_aligned_without_a_hand_and_goes_into_distance_and_switch() {
    let mut visit = Visit::new(brief(Some(PROCESSOR)));
    visit.go_to_the_end(&Late);
    let blend = visit.state.blend().unwrap();
    let value = |at: usize| blend.stands().values[at].unwrap();
    // 6 ms earlier: 6.76 ft farther than the 14 ft of the wireless link; a sixteenth of a period is 1 ms here.
    assert!((value(3) - 20.76).abs() < 1.2, "{}", value(3));
    assert_eq!(value(4), 180.0);
    assert_eq!(blend.stands().own, Own::default());
    assert_eq!(blend.left(), None);
    assert!((value(2) - 4.0).abs() <= 1.0, "{}", value(2));
}

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

/// How much of the tuner's time the first setting may take, when the steps before took `slow` times as long as they usually do; and how
/// much is left after the first pass.
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
    // Three minutes for the contour, 45 seconds for the notes at the end and twenty for each of two seats are kept; 16 questions come
    // before the tuning.
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

#[test]
fn the_first_sound_of_the_blend_starts_low_on_its_own_channels() {
    let mut visit = Visit::new(brief(Some(PROCESSOR)));
    visit.say(Answer::Yes).unwrap();
    visit.say(Answer::Yes).unwrap();
    let cue = visit.state.cue().unwrap();
    assert_eq!(cue.parts[0].level, START);
    let channels: Vec<u16> = cue.parts[0].routes.iter().map(|route| route.channel).collect();
    assert_eq!(channels, [1, 2, 4]);
    // What a processor plays 10 dB louder is sent 10 dB softer.
    assert_eq!(cue.parts[0].routes[2].gain, GainDb::new(-10.0));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Whatever is answered, taken back or interrupted: nothing sounds above the reference, every turn up is climbed for, and the file
    /// replays to the same state.
    #[test]
    fn any_answers_hold_the_promises(seed in 0_u64..1000, deeds in prop::collection::vec(0_u8..12, 40..160)) {
        let (system, routine) =
            [(LINE, "assistant"), (LINE, "two-channel"), (PROCESSOR, "assistant"), (PROCESSOR, "lfe")][seed as usize % 4];
        let mut visit = Visit::new(brief_by(Some(system), routine));
        struct Random(u64);
        impl Ears for Random {
            fn pulls(&self, setup: &Setup) -> bool {
                setup.values.iter().flatten().sum::<f64>().to_bits().wrapping_mul(self.0 * 2 + 1) % 3 == 0
            }
            fn goodness(&self, setup: &Setup) -> f64 {
                (setup.values.iter().flatten().sum::<f64>().to_bits().wrapping_mul(self.0 * 2 + 1) % 7) as f64
            }
        }
        for deed in deeds {
            if *visit.state.stage() == Stage::Done {
                break;
            }
            hold(&visit.state);
            // Refusals are fine; what is taken must hold.
            let done = match deed {
                0 => visit.event(Event::Undo),
                1 => visit.event(Event::Quieter),
                2 => visit.event(Event::Louder),
                3 => visit.event(Event::Opened { program: "x".into(), device: "y".into(), rate_hz: 48_000, channels: None }),
                _ => {
                    match visit.state.question() {
                        Some(_) => visit.say(visit.answer_to(&Random(seed))),
                        None => Ok(visit.state.entering()),
                    }
                }
            };
            if let Ok(effects) = done {
                visit.think(&effects);
            }
        }
        let again = State::replay(visit.state.brief.clone(), visit.log.clone()).unwrap();
        prop_assert_eq!(again.question(), visit.state.question());
        prop_assert_eq!(again.blend(), visit.state.blend());
    }
}
