//! What sounds for a question of the blend, and what somebody hears who knows the system.

use crate::blend::tune::{Pass, Sounding};
use crate::presets::routine::StepKind;
use crate::routine::blend::check::Run;
use crate::routine::blend::scene::{Heard, Hearing, Scene};
use crate::routine::blend::search::Want;
use crate::routine::blend::setup::{Own, Setup};
use crate::routine::blend::tuning::At;
use crate::routine::blend::{Blend, Doing, Hand, Here, Round, same_comes_first, tones};
use crate::routine::effect::{Cue, Part};
use crate::units::GainDb;

/// Sides are told apart best in the middle of the voice, sum and difference a little lower, Hz.
const SIDE_HZ: f64 = 500.0;
const MIDDLE_HZ: f64 = 160.0;
/// The subwoofer's own band: lower than main speakers play, high enough for any subwoofer, Hz.
const DEEP_HZ: (f64, f64) = (32.0, 50.0);
/// How long one round of the connection check, one note, and one note of a run sound, seconds.
const ROUND_S: f64 = 2.0;
const NOTE_S: f64 = 2.0;
const OVERVIEW_S: f64 = 0.5;
const SCALE_S: f64 = 0.9;
const METER_S: f64 = 8.0;

/// By how much a band is played over equal loudness.
fn band_gain(pass: &Pass, at: usize) -> GainDb {
    GainDb::new(pass.gains_db.get(at).copied().unwrap_or(0.0))
}

impl Blend {
    /// What sounds: each part with the choice that it belongs to and the setting that it is heard in; and from which
    /// part on the question is open.
    fn sounds(&self, here: &Here<'_>) -> (Vec<Heard>, usize) {
        let mut heard = Vec::new();
        let mut question_at = 0;
        let loudness = here.loudness;
        let routes = |own: Own| tones::routes(&self.system, own);
        let mut add = |choice: usize, setup: &Setup, parts: Vec<Part>| {
            heard.extend(parts.into_iter().map(|part| Heard { choice, part, setup: setup.clone() }));
            heard.len()
        };
        let stands = &self.stands;
        match &self.doing {
            Doing::Connection(round) => {
                let channels = self.system.channels;
                match round {
                    Round::Left | Round::Right => {
                        let channel = if *round == Round::Left { channels.left } else { channels.right };
                        let to = tones::alone(&self.system, channel);
                        add(0, stands, vec![tones::band(loudness, SIDE_HZ, ROUND_S, "noise on one channel", to)]);
                    }
                    Round::Middle => {
                        let same_first = same_comes_first(here.seed);
                        for (choice, label) in ["the first", "the second"].into_iter().enumerate() {
                            let opposite = (choice == 0) != same_first;
                            let to = tones::both_mains(&self.system, opposite);
                            question_at =
                                add(choice, stands, vec![tones::band(loudness, MIDDLE_HZ, ROUND_S, label, to)]) - 1;
                        }
                    }
                    Round::Subwoofer(channel) => {
                        let own = channels.subwoofer.unwrap_or(channels.right);
                        let to = tones::alone(&self.system, [channels.left, channels.right, own][(*channel).min(2)]);
                        let deep_hz = (0.6 * self.system.mains.rated_low_hz).clamp(DEEP_HZ.0, DEEP_HZ.1);
                        add(0, stands, vec![tones::band(loudness, deep_hz, ROUND_S, "deep noise", to)]);
                    }
                }
            }
            Doing::Seek { search, hand: hand @ (Hand::First | Hand::Listen), first_heard } => {
                let crossover_hz = self.crossover_hz();
                match search.want() {
                    Some(Want::Hear(setup)) => {
                        let matching = self.steps.get(self.step).is_some_and(|step| step.what == StepKind::Match);
                        let to = routes(setup.own);
                        if matching {
                            add(
                                0,
                                &setup,
                                vec![tones::band(loudness, 0.5 * crossover_hz, ROUND_S, "the low noise", to.clone())],
                            );
                            let high = tones::band(loudness, 2.0 * crossover_hz, ROUND_S, "the high noise", to);
                            question_at = add(1, &setup, vec![high]) - 1;
                        } else {
                            add(0, &setup, vec![tones::pull(loudness, to)]);
                        }
                    }
                    Some(Want::Prefer(pair)) => {
                        let in_one_go = pair[0].values == pair[1].values;
                        let labels = ["the first", "the second"];
                        for (choice, (setup, label)) in pair.iter().zip(labels).enumerate() {
                            let sounds =
                                in_one_go || (choice == 0) == (*hand == Hand::First) && (*first_heard || choice == 0);
                            if sounds {
                                let parts = tones::across(loudness, crossover_hz, label, routes(setup.own));
                                question_at = add(choice, setup, parts) - 2;
                            }
                        }
                    }
                    Some(Want::Fullest(setups)) => {
                        for (choice, setup) in setups.iter().enumerate() {
                            let label = format!("step {}", choice + 1);
                            let part = tones::in_a_row(loudness, crossover_hz, &label, routes(setup.own));
                            question_at = add(choice, setup, vec![part]) - 1;
                        }
                    }
                    None => {}
                }
            }
            Doing::Tune(tuning) => {
                if let (At::Band(at), Some(pass)) = (tuning.at(stands), tuning.pass()) {
                    let setup = tuning.setup();
                    let all = routes(setup.own);
                    let mains = tones::mains_of(&self.system, &all);
                    let near = pass.sounding == Sounding::NearSubwoofer;
                    let loudness = if near { loudness.near() } else { loudness };
                    let hz = pass.bands_hz.get(at).copied().unwrap_or(0.0);
                    if !here.meter {
                        let to = if near { all.clone() } else { mains.clone() };
                        question_at = add(0, &setup, vec![tones::reference_band(loudness, tuning.reference_hz(), to)]);
                    }
                    let to = match pass.sounding {
                        Sounding::Mains => mains,
                        Sounding::Subwoofer => tones::subwoofer_of(&self.system, &all),
                        Sounding::Both | Sounding::NearSubwoofer => all,
                    };
                    let label = format!("{hz:.0} Hz");
                    let mut band = tones::narrow_band(loudness, hz, band_gain(pass, at), &label, to);
                    if here.meter {
                        band.seconds = Some(METER_S);
                    }
                    add(1, &setup, vec![band]);
                }
            }
            Doing::Check(run) => {
                let to = routes(stands.own);
                if run.is_first() && !here.meter {
                    let all = "all notes once, to hear them as a whole";
                    let parts = run.notes_hz().iter().map(|&hz| tones::band(loudness, hz, OVERVIEW_S, all, to.clone()));
                    question_at = add(0, stands, parts.collect());
                }
                let seconds = if here.meter { METER_S } else { NOTE_S };
                add(0, stands, vec![tones::band(loudness, run.note_hz(), seconds, &run.note_name(), to)]);
            }
            Doing::Verify(_) => {
                let run = Run::new(self.crossover_hz());
                let to = routes(stands.own);
                let parts = run
                    .notes_hz()
                    .iter()
                    .map(|&hz| tones::band(loudness, hz, SCALE_S, &format!("{hz:.0} Hz"), to.clone()));
                add(0, stands, parts.collect());
            }
            _ => {}
        }
        let parts = tones::climbing(heard.iter().map(|heard| heard.part.clone()).collect(), self.climb);
        for (heard, part) in heard.iter_mut().zip(parts) {
            heard.part = part;
        }
        (heard, question_at)
    }

    pub(super) fn cue(&self, here: &Here<'_>) -> Option<Cue> {
        let (heard, question_at) = self.sounds(here);
        (!heard.is_empty()).then(|| Cue { parts: heard.into_iter().map(|heard| heard.part).collect(), question_at })
    }

    /// The question as somebody hears it who knows the system.
    pub(super) fn scene(&self, here: &Here<'_>) -> Scene {
        let turn = |control: usize, to: f64| match self.system.controls.get(control) {
            Some(of) => Hearing::Turn { control, role: of.role, on: of.on, to },
            None => Hearing::Nothing,
        };
        let matching = self.steps.get(self.step).is_some_and(|step| step.what == StepKind::Match);
        let hearing = match &self.doing {
            Doing::Connection(Round::Left | Round::Right) => Hearing::Side,
            Doing::Connection(Round::Middle) => Hearing::Middle,
            Doing::Connection(Round::Subwoofer(_)) => Hearing::SubwooferSounds,
            Doing::Before { control, .. } | Doing::Recheck(control) => match self.system.controls.get(*control) {
                Some(of) => Hearing::Before { control: *control, role: of.role, on: of.on },
                None => Hearing::Nothing,
            },
            Doing::Adjust(goal) => self.stands.first_turn(goal).map_or(Hearing::Nothing, |(at, to)| turn(at, to)),
            Doing::Tune(tuning) => match (tuning.at(&self.stands), tuning.pass()) {
                (At::Turn(control, to), _) => turn(control, to),
                (At::Band(at), Some(pass)) => Hearing::Band {
                    frequency_hz: pass.bands_hz.get(at).copied().unwrap_or(0.0),
                    reference_hz: tuning.reference_hz(),
                    bands_hz: pass.bands_hz.clone(),
                    at,
                    gains_db: (0..pass.bands_hz.len()).map(|at| band_gain(pass, at).db()).collect(),
                    sounding: pass.sounding,
                },
                _ => Hearing::Nothing,
            },
            Doing::Seek { search, hand, .. } => match (hand, search.want()) {
                (Hand::Turn(control, to), _) => turn(*control, *to),
                (Hand::First, _) => Hearing::First,
                (Hand::Listen, Some(Want::Hear(_))) if matching => Hearing::Louder,
                (Hand::Listen, Some(Want::Hear(_))) => Hearing::Pull,
                (Hand::Listen, Some(Want::Prefer(_))) => Hearing::Better,
                (Hand::Listen, Some(Want::Fullest(_))) => Hearing::Fullest,
                (Hand::Listen, None) => Hearing::Nothing,
            },
            Doing::Check(run) => {
                Hearing::Note { frequency_hz: run.note_hz(), notes_hz: run.notes_hz().to_vec(), seat: here.seat }
            }
            Doing::Verify(seat) => {
                let run = Run::new(self.crossover_hz());
                Hearing::Even { notes_hz: run.notes_hz().to_vec(), seat: *seat }
            }
            _ => Hearing::Nothing,
        };
        Scene { hearing, sounds: self.sounds(here).0, standing: self.stands.clone() }
    }
}
