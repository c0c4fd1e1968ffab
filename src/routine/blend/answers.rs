//! What an answer leads to.

use crate::blend::Scale;
use crate::blend::compare::Choice;
use crate::blend::trace::traces;
use crate::blend::tune::{Next, Tuner};
use crate::blend::wiring::{Fault, Middle, Side, Wiring};
use crate::presets::routine::Target;
use crate::routine::Refusal;
use crate::routine::blend::check::Run;
use crate::routine::blend::record::{NoteHeard, SeatHeard};
use crate::routine::blend::search::{Search, Want};
use crate::routine::blend::tuning::{At, Spent, Tuning};
use crate::routine::blend::{
    Blend, BlendBrief, DRIFT_SHARE, Doing, Flow, Hand, Here, PAUSE_S, Round, question, same_comes_first,
};
use crate::routine::question::Answer;
use crate::routine::stage::Outcome;
use crate::units::GainDb;

impl Blend {
    /// Takes an answer. One that is refused leaves this as it may be: whoever asks keeps what was before.
    pub(super) fn answer(&mut self, answer: &Answer, brief: &BlendBrief, at: &Here<'_>) -> Result<Flow, Refusal> {
        let seed = at.seed;
        self.count(answer, at.now_s);
        // Whatever has sounded has climbed.
        if !matches!(
            self.doing,
            Doing::Adjust(_) | Doing::Seek { hand: Hand::Turn(..), .. } | Doing::Before { .. } | Doing::Say
        ) {
            self.climb = GainDb::ZERO;
        }
        match (self.doing.clone(), answer) {
            (Doing::Kit(step), answer) => match step.answer(&mut self.system, answer, self.output_channels)? {
                Some(next) => self.doing = Doing::Kit(next),
                None => {
                    self.know_system(brief);
                    self.doing = Doing::Mains;
                }
            },
            (Doing::Mains, Answer::Yes) => {
                if brief.recheck.is_some() && !self.system.controls.is_empty() {
                    self.doing = Doing::Recheck(0);
                    return Ok(Flow::On);
                }
                self.go_to_step(0, seed);
                return Ok(Flow::Comfort);
            }
            (Doing::Recheck(control), answer) => {
                let shows = self.shown(control, answer)?;
                self.compare_with_before(control, shows);
                if control + 1 < self.system.controls.len() {
                    self.doing = Doing::Recheck(control + 1);
                } else {
                    self.go_to_step(0, seed);
                    return Ok(Flow::Comfort);
                }
            }
            (Doing::Connection(round), answer) => self.wired(round, answer, seed)?,
            (Doing::Wired, Answer::Yes | Answer::No) => {
                let faults = self.faults();
                // With a fault, yes means that it has been put right and is heard again.
                if !faults.is_empty() && *answer == Answer::Yes {
                    self.wiring = Some(Wiring::default());
                    self.doing = Doing::Connection(Round::Left);
                } else {
                    self.finish_step(seed);
                }
            }
            (Doing::Say, Answer::Yes | Answer::No) => self.finish_step(seed),
            (Doing::Before { control, to }, answer) => {
                let shown = self.shown(control, answer)?;
                self.before[control] = Some(shown);
                self.stands = self.stands.with(control, shown);
                let value = self.target_value(&self.system.controls[control].clone(), to).unwrap_or(shown);
                // It was put there by the same question, unless where it goes depends on what it showed.
                self.decide(control, value, "start value", "common practice");
                if to == Target::Latency {
                    self.doing = Doing::Adjust(self.stands.with(control, value));
                    self.unless_there(seed);
                } else {
                    self.turned(control, value);
                    self.finish_step(seed);
                }
            }
            (Doing::Adjust(goal), Answer::Yes) => {
                if let Some((control, to)) = self.stands.first_turn(&goal) {
                    self.turned(control, to);
                }
                self.unless_there(seed);
            }
            (Doing::Seek { search, hand, first_heard }, answer) => {
                self.sought(search, hand, first_heard, answer, seed)?;
            }
            (Doing::Tune(tuning), answer) => self.tuned(*tuning, answer, seed)?,
            (Doing::Check(run), answer) => self.noted(run, answer)?,
            (Doing::Checked, &Answer::Choice(option)) => self.after_check(option, seed),
            (Doing::Verify(seat), Answer::Yes | Answer::No) => {
                self.seats.push(SeatHeard { seat, even: *answer == Answer::Yes });
                self.doing = if seat + 1 < at.seats { Doing::Verify(seat + 1) } else { Doing::Sign };
            }
            (Doing::Sign, Answer::Text(name)) => {
                let name = name.trim();
                self.heard_by = (name != question::NOT_NAMED).then(|| name.to_owned());
                self.finish_step(seed);
            }
            _ => return Err(Refusal::WrongKind),
        }
        Ok(if self.doing == Doing::Over { Flow::Over } else { Flow::On })
    }

    pub(super) fn count(&mut self, answer: &Answer, now_s: f64) {
        self.answers += 1;
        self.rated += usize::from(matches!(answer, Answer::Rating(_) | Answer::Level(_)));
        let (from_s, last_s) = self.from_to_s.unwrap_or((now_s, now_s));
        self.spent_s += (now_s - last_s).clamp(0.0, PAUSE_S);
        self.from_to_s = Some((from_s, now_s));
    }

    /// An answer to 'what does it show': a number on the scale, or a position.
    pub(super) fn shown(&self, control: usize, answer: &Answer) -> Result<f64, Refusal> {
        let of = self.system.controls.get(control).ok_or(Refusal::WrongKind)?;
        match (&of.scale, answer) {
            (Scale::Range { .. }, &Answer::Number(value)) => Ok(value),
            (Scale::Positions(positions), &Answer::Choice(at)) => positions.get(at).copied().ok_or(Refusal::WrongKind),
            _ => Err(Refusal::WrongKind),
        }
    }

    pub(super) fn compare_with_before(&mut self, control: usize, shows: f64) {
        let of = &self.system.controls[control];
        let (low, high) = of.ends();
        if let Some(was) = self.before[control]
            && (shows - was).abs() > DRIFT_SHARE * (high - low)
        {
            self.drifts.push(format!("{} stood at {} and shows {} now.", of.label(), of.say(was), of.say(shows)));
        }
        self.stands = self.stands.with(control, shows);
        self.decide(control, shows, "as found at the re-check", "");
    }

    pub(super) fn wired(&mut self, round: Round, answer: &Answer, seed: u64) -> Result<(), Refusal> {
        let wiring = self.wiring.get_or_insert_default();
        match (round, answer) {
            (Round::Left, &Answer::Choice(at)) => wiring.left = Side::ALL.get(at).copied(),
            (Round::Right, &Answer::Choice(at)) => wiring.right = Side::ALL.get(at).copied(),
            (Round::Middle, &Answer::Choice(at)) => {
                let same_first = same_comes_first(seed);
                wiring.middle = Some(match at {
                    2.. => Middle::Unclear,
                    0 if same_first => Middle::Same,
                    1 if !same_first => Middle::Same,
                    _ => Middle::Opposite,
                });
            }
            (Round::Subwoofer(channel), Answer::Yes | Answer::No) => {
                let sounds = Some(*answer == Answer::Yes);
                match channel {
                    0 => wiring.subwoofer_from_left = sounds,
                    1 => wiring.subwoofer_from_right = sounds,
                    _ => wiring.subwoofer_from_own = sounds,
                }
            }
            _ => return Err(Refusal::WrongKind),
        }
        self.doing = match round {
            Round::Left => Doing::Connection(Round::Right),
            Round::Right => Doing::Connection(Round::Middle),
            Round::Middle => Doing::Connection(Round::Subwoofer(0)),
            Round::Subwoofer(0) => Doing::Connection(Round::Subwoofer(1)),
            Round::Subwoofer(1) if self.system.channels.subwoofer.is_some() => Doing::Connection(Round::Subwoofer(2)),
            Round::Subwoofer(_) => Doing::Wired,
        };
        Ok(())
    }

    pub(super) fn faults(&self) -> Vec<Fault> {
        self.wiring.as_ref().map(|wiring| wiring.faults(self.system.connection)).unwrap_or_default()
    }

    pub(super) fn sought(
        &mut self,
        mut search: Search,
        hand: Hand,
        first_heard: bool,
        answer: &Answer,
        seed: u64,
    ) -> Result<(), Refusal> {
        let first_heard = match (hand, search.want(), answer) {
            (Hand::Turn(control, to), _, Answer::Yes) => {
                self.turned(control, to);
                first_heard
            }
            (Hand::First, _, Answer::Yes) => true,
            (Hand::Listen, Some(Want::Hear(_)), Answer::Yes | Answer::No) => {
                search.heard(*answer == Answer::Yes);
                false
            }
            (Hand::Listen, Some(Want::Prefer(_)), &Answer::Choice(at)) => {
                search.preferred([Choice::First, Choice::Second, Choice::Neither][at.min(2)]);
                false
            }
            (Hand::Listen, Some(Want::Fullest(_)), &Answer::Number(number)) => {
                if number.fract() != 0.0 {
                    return Err(Refusal::Because("The steps are counted: type a whole number.".into()));
                }
                search.fullest((number as usize).saturating_sub(1));
                false
            }
            _ => return Err(Refusal::WrongKind),
        };
        self.doing = Doing::Seek { search, hand: Hand::Listen, first_heard };
        self.settle();
        self.unless_there(seed);
        Ok(())
    }

    pub(super) fn tuned(&mut self, mut tuning: Tuning, answer: &Answer, seed: u64) -> Result<(), Refusal> {
        match (tuning.at(&self.stands), answer) {
            (At::Turn(control, to), Answer::Yes) => self.turned(control, to),
            (At::Turn(..) | At::Thinking, _) => return Err(Refusal::WrongKind),
            (at, answer) => tuning.answer(at, answer)?,
        }
        self.doing = Doing::Tune(Box::new(tuning));
        self.keep_tuned(seed);
        Ok(())
    }

    /// What has to be thought out before anything can be asked, where so many seats hear the result.
    pub(in crate::routine) fn to_think(&self, seats: usize) -> Option<Tuner> {
        match &self.doing {
            Doing::Tune(tuning) => tuning.to_think(Spent { spent_s: self.spent_s, seats }),
            _ => None,
        }
    }

    /// Takes what was thought out.
    pub(super) fn thought(&mut self, passes: usize, next: &Next, seed: u64) -> Outcome {
        let Doing::Tune(tuning) = &mut self.doing else {
            return Err(Refusal::Because("Nobody asked what to hear next.".into()));
        };
        tuning.thought(passes, next)?;
        self.keep_tuned(seed);
        Ok(())
    }

    pub(super) fn noted(&mut self, mut run: Run, answer: &Answer) -> Result<(), Refusal> {
        let heard = match *answer {
            Answer::Rating(rating) => NoteHeard { frequency_hz: run.note_hz(), rating: Some(rating), level_db: None },
            Answer::Level(level_db) => {
                NoteHeard { frequency_hz: run.note_hz(), rating: None, level_db: Some(level_db) }
            }
            _ => return Err(Refusal::WrongKind),
        };
        if run.is_first() {
            self.notes.clear();
        }
        self.notes.push(heard);
        self.notes.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
        self.doing = if run.go_on() {
            Doing::Check(run)
        } else {
            let levels: Vec<(f64, f64)> = self.notes.iter().map(|note| (note.frequency_hz, note.db())).collect();
            self.traces = traces(self.crossover_hz(), &levels);
            Doing::Checked
        };
        Ok(())
    }
}
