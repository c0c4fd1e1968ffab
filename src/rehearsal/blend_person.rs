//! Somebody who goes through a blend on a virtual system: turns what is to be turned, and says what is heard.

use crate::blend::Device;
use crate::blend::tune::Sounding;
use crate::evidence::Rating;
use crate::presets::ListenerTraits;
use crate::rehearsal::{BOTH, BlendListener, Imitated, Switched, VirtualSystem};
use crate::view::{Answer, Ask, Hearing, Scene, Setup, Topic};

/// What the person's deeds take, seconds (*common practice*): going to a box and turning a control there, and turning
/// another one on the same box straight after it.
const TURN_ON_SUBWOOFER_S: f64 = 15.0;
const TURN_IN_PROCESSOR_S: f64 = 8.0;
const TURN_FURTHER_S: f64 = 4.0;
const LISTEN_S: f64 = 4.0;
const RATE_S: f64 = 3.5;
const READ_S: f64 = 3.0;
const GO_S: f64 = 15.0;
/// Half an octave: how wide the noises across the crossover are to either side.
const HALF_OCTAVE: f64 = 0.5;
/// A third of an octave: the notes of a run.
const NOTE_HALF_OCTAVES: f64 = 1.0 / 6.0;
/// A twelfth: the bands of a tuning.
const BAND_HALF_OCTAVES: f64 = 1.0 / 12.0;
/// Notes within this of their mean are even enough to a person, dB.
const EVEN_DB: f64 = 5.0;
/// The subwoofer is heard as a source of its own when it stands out by this, dB.
const STANDS_OUT_DB: f64 = 1.5;

/// A listener at the seat of a virtual system.
pub struct BlendPerson {
    system: VirtualSystem,
    listener: BlendListener,
    /// How full the first of two was.
    first_db: Option<f64>,
    /// The bands of the run that is being rated.
    run: Vec<f64>,
    /// The box at which the person stands, a control in hand.
    at: Option<Device>,
}

impl BlendPerson {
    /// With these traits, wholly determined by the seed.
    pub fn new(system: VirtualSystem, traits: ListenerTraits, seed: u64) -> Self {
        Self { listener: BlendListener::new(traits, seed), system, first_db: None, run: Vec::new(), at: None }
    }

    /// The answer to a question of the blend, and how long it took, seconds.
    pub fn answer(&mut self, ask: &Ask, scene: &Scene) -> (Answer, f64) {
        let crossover_hz = self.system.crossover_hz;
        let stood_at = self.at.take();
        match &scene.hearing {
            Hearing::Turn { on, .. } => (Answer::Yes, self.turning_s(*on, stood_at)),
            Hearing::Before { control, on, .. } => (self.shown(*control, ask), self.turning_s(*on, stood_at) + READ_S),
            Hearing::Side => {
                let left = scene.sounds.first().and_then(|heard| heard.part.routes.first());
                let is_left = left.is_some_and(|route| route.channel == self.system.system.channels.left);
                (Answer::Choice(usize::from(!is_left)), LISTEN_S)
            }
            Hearing::Middle => {
                let same = |heard: &&crate::view::Heard| heard.part.routes.iter().all(|route| !route.inverted);
                let choice = scene.sounds.iter().find(same).map_or(2, |heard| heard.choice);
                (Answer::Choice(choice), LISTEN_S)
            }
            Hearing::SubwooferSounds => (Answer::Yes, LISTEN_S),
            Hearing::Pull => {
                let setup = setup_of(scene, 0);
                (if self.pulls(&setup) { Answer::Yes } else { Answer::No }, LISTEN_S)
            }
            Hearing::Louder => {
                let setup = setup_of(scene, 0);
                let [low_hz, high_hz] = [0.5 * crossover_hz, 2.0 * crossover_hz];
                let over_db = self.level_db(&setup, BOTH, low_hz, NOTE_HALF_OCTAVES)
                    - self.level_db(&setup, BOTH, high_hz, NOTE_HALF_OCTAVES);
                self.listener.begin();
                let louder = self.listener.hear(low_hz, over_db, 6.0, high_hz) > 0.0;
                (if louder { Answer::Yes } else { Answer::No }, LISTEN_S)
            }
            Hearing::First => {
                self.first_db = Some(self.fullness_db(&setup_of(scene, 0)));
                (Answer::Yes, LISTEN_S)
            }
            Hearing::Better => {
                let second_db = self.fullness_db(&setup_of(scene, 1));
                let in_one_go = scene.sounds.iter().any(|heard| heard.choice == 0);
                let first_db = if in_one_go { Some(self.fullness_db(&setup_of(scene, 0))) } else { self.first_db };
                let second = self.listener.second_is_louder(crossover_hz, first_db.unwrap_or(second_db), second_db);
                (Answer::Choice(usize::from(second)), LISTEN_S + READ_S)
            }
            Hearing::Fullest => {
                let levels: Vec<f64> = scene.sounds.iter().map(|heard| self.fullness_db(&heard.setup)).collect();
                let mean_db = levels.iter().sum::<f64>() / levels.len().max(1) as f64;
                let heard_db: Vec<f64> = levels
                    .iter()
                    .map(|level| self.listener.hear(crossover_hz, level - mean_db, 6.0, crossover_hz))
                    .collect();
                let fullest = (0..heard_db.len()).max_by(|&a, &b| heard_db[a].total_cmp(&heard_db[b]));
                (Answer::Number(fullest.map_or(1.0, |at| at as f64 + 1.0)), levels.len() as f64 + LISTEN_S)
            }
            Hearing::Band { frequency_hz, reference_hz, bands_hz, at, gains_db, sounding } => {
                let setup = setup_of(scene, 1);
                let near = *sounding == Sounding::NearSubwoofer;
                let on = Switched { mains: *sounding != Sounding::Subwoofer, subwoofer: *sounding != Sounding::Mains };
                let level_db = |person: &Self, hz: f64| {
                    if near { person.near_db(&setup, hz) } else { person.level_db(&setup, on, hz, BAND_HALF_OCTAVES) }
                };
                let mains = Switched { mains: true, subwoofer: false };
                let reference_db = if near {
                    level_db(self, *reference_hz)
                } else {
                    self.level_db(&setup, mains, *reference_hz, NOTE_HALF_OCTAVES)
                };
                let gain_db = |at: usize| gains_db.get(at).copied().unwrap_or(0.0);
                if *at == 0 {
                    self.listener.begin();
                    let run = bands_hz.iter().enumerate().map(|(at, &hz)| level_db(self, hz) + gain_db(at));
                    self.run = run.collect();
                }
                let over_db = level_db(self, *frequency_hz) + gain_db(*at) - reference_db;
                (self.judged(ask, *frequency_hz, over_db, *reference_hz), RATE_S)
            }
            Hearing::Note { frequency_hz, notes_hz, .. } => {
                let setup = &scene.standing;
                self.run = notes_hz.iter().map(|&hz| self.level_db(setup, BOTH, hz, NOTE_HALF_OCTAVES)).collect();
                let mean_db = self.run.iter().sum::<f64>() / self.run.len().max(1) as f64;
                let level_db = self.level_db(setup, BOTH, *frequency_hz, NOTE_HALF_OCTAVES);
                (self.judged(ask, *frequency_hz, level_db - mean_db, *frequency_hz), RATE_S)
            }
            Hearing::Even { notes_hz, .. } => {
                let levels: Vec<f64> =
                    notes_hz.iter().map(|&hz| self.level_db(&scene.standing, BOTH, hz, NOTE_HALF_OCTAVES)).collect();
                let mean_db = levels.iter().sum::<f64>() / levels.len().max(1) as f64;
                let even = levels.iter().all(|level| (level - mean_db).abs() < EVEN_DB);
                (if even { Answer::Yes } else { Answer::No }, notes_hz.len() as f64 + LISTEN_S)
            }
            Hearing::Nothing => (
                first_answer(ask),
                // To the subwoofer and back, or to its switch.
                if matches!(ask, Ask::Confirm { topic: Topic::NearSubwoofer | Topic::SubwooferSwitched, .. }) {
                    GO_S
                } else {
                    READ_S
                },
            ),
        }
    }

    /// Turns a control on a box, coming from another one, or from the seat.
    fn turning_s(&mut self, on: Device, from: Option<Device>) -> f64 {
        self.at = Some(on);
        match on {
            on if from == Some(on) => TURN_FURTHER_S,
            Device::Subwoofer => TURN_ON_SUBWOOFER_S,
            Device::Processor => TURN_IN_PROCESSOR_S,
        }
    }

    /// A rating, or a reading of the meter.
    fn judged(&mut self, ask: &Ask, hz: f64, over_db: f64, reference_hz: f64) -> Answer {
        let mean_db = self.run.iter().sum::<f64>() / self.run.len().max(1) as f64;
        let variance = self.run.iter().map(|level| (level - mean_db).powi(2)).sum::<f64>();
        let spread_db = (variance / self.run.len().max(1) as f64).sqrt();
        match ask {
            Ask::Meter(_) => Answer::Level(((70.0 + over_db).clamp(30.0, 120.0) * 10.0).round() / 10.0),
            _ => Answer::Rating(self.listener.rate(hz, over_db, spread_db, reference_hz)),
        }
    }

    fn shown(&self, control: usize, ask: &Ask) -> Answer {
        let value = self.system.start.get(control).copied().unwrap_or(0.0);
        match ask {
            Ask::Number { low, high, .. } => Answer::Number(value.clamp(*low, *high)),
            Ask::Choose { options, .. } => {
                let of = self.system.system.controls.get(control);
                let said = of.map(|of| of.say(of.nearest(value))).unwrap_or_default();
                Answer::Choice(options.iter().position(|option| *option == said).unwrap_or(0))
            }
            _ => Answer::Yes,
        }
    }

    /// The bass pulls when the subwoofer is as loud as the main speakers where voices begin, or stands out as a whole.
    fn pulls(&mut self, setup: &Setup) -> bool {
        let high_hz = std::f64::consts::SQRT_2 * self.system.crossover_hz;
        let alone = |mains| Switched { mains, subwoofer: !mains };
        let over_db =
            self.level_db(setup, alone(false), high_hz, 0.25) - self.level_db(setup, alone(true), high_hz, 0.25);
        let (low_hz, reference_hz) = (0.8 * self.system.crossover_hz, 3.0 * self.system.crossover_hz);
        let loud_db = self.level_db(setup, BOTH, low_hz, 0.25) - self.level_db(setup, BOTH, reference_hz, 0.25);
        self.listener.begin();
        self.listener.hear(high_hz, over_db, 6.0, high_hz) > 0.0
            || self.listener.hear(low_hz, loud_db, 6.0, reference_hz) > STANDS_OUT_DB
    }

    fn fullness_db(&self, setup: &Setup) -> f64 {
        self.level_db(setup, BOTH, self.system.crossover_hz, HALF_OCTAVE)
    }

    fn near_db(&self, setup: &Setup, hz: f64) -> f64 {
        self.system.near_db(&self.values(setup), hz)
    }

    fn values(&self, setup: &Setup) -> Vec<f64> {
        setup.values.iter().zip(&self.system.start).map(|(value, start)| value.unwrap_or(*start)).collect()
    }

    fn level_db(&self, setup: &Setup, on: Switched, hz: f64, half_width_octaves: f64) -> f64 {
        let imitated =
            Imitated { later_s: setup.own.later_s, inverted: setup.own.inverted, gain_db: setup.own.gain_db };
        self.system.band_db(&self.values(setup), imitated, on, hz, half_width_octaves)
    }
}

fn setup_of(scene: &Scene, choice: usize) -> Setup {
    let heard = scene.sounds.iter().find(|heard| heard.choice == choice);
    heard.map_or_else(|| scene.standing.clone(), |heard| heard.setup.clone())
}

/// What leads on where there is nothing to hear.
fn first_answer(ask: &Ask) -> Answer {
    match ask {
        Ask::Choose { .. } => Answer::Choice(0),
        Ask::Number { default: None, low, .. } => Answer::Number(*low),
        Ask::Rate(_) => Answer::Rating(Rating::ALL[3]),
        _ => Answer::Yes,
    }
}
