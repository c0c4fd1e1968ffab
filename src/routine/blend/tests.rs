//! Whole blends, driven by a person who does as told and hears by rule; and what must hold at every step of them.

use std::sync::Arc;

use proptest::prelude::*;

use super::scene::{Hearing, Scene};
use super::search::Want;
use super::*;
use crate::blend::Control;
use crate::blend::tune::{self, Next, Pass, Sounding};
use crate::presets;
use crate::room::Room;
use crate::routine::levels::START;
use crate::routine::question::{Answer, Ask, QuestionId, Topic};
use crate::routine::{Brief, Effect, Event, Kit, Refusal, Stage, Stamped, State};

mod system;
mod tuning;
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

    /// Stands in for what is thought out beside the visit: a pass with the main speakers alone, one with everything
    /// elsewhere, done.
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

    /// Whatever is answered, taken back or interrupted: nothing sounds above the reference, every turn up is climbed
    /// for, and the file replays to the same state.
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
