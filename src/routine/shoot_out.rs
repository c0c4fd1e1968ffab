//! The shoot-out: the leaders compared by ear with the subwoofer really moved.
//!
//! The order is drawn from the visit's seed, and goes round: every finalist is heard once after another one and once
//! before another one, so that hearing it first or second does not favour any.

use crate::judge::{self, Ranking};
use crate::random::Random;
use crate::routine::effect::Cue;
use crate::routine::question::{Answer, Ask, Topic};
use crate::routine::stage::{Outcome, Stage};
use crate::routine::{Refusal, State};

/// Spots less likely to be best than this are no finalists.
const A_CHANCE: f64 = 0.1;
/// With a lead like this nobody needs to carry anything.
const A_CLEAR_LEAD: f64 = 0.85;
const MOST_FINALISTS: usize = 3;
/// Sets the order apart from all other draws.
const ORDER: u64 = 0x73_68_6f_6f_74;

/// Where in a shoot-out we are. Numbers count the placements.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ShootOutStep {
    /// Who carries?
    Carrier,
    /// The subwoofer goes to its next place.
    Place(usize),
    /// The notes are heard from the seat.
    Listen(usize),
}

/// A shoot-out with what came of it so far.
#[derive(Debug, Clone, PartialEq)]
pub struct ShootOut {
    /// The spots in the order in which the subwoofer stands there; the first one comes again at the end.
    order: Vec<usize>,
    blind: bool,
    comparisons: Vec<Comparison>,
}

/// Two spots heard from the seat one after the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Comparison {
    /// The spot that was heard first.
    pub before: usize,
    /// The spot that was heard after it.
    pub after: usize,
    /// The more even of the two; `None` if they were not told apart.
    pub more_even: Option<usize>,
    /// Whoever listened did not know where the subwoofer stood.
    pub blind: bool,
}

/// The spots that are worth comparing with the subwoofer moved; empty where one leads clearly.
pub fn finalists(ranking: &Ranking) -> Vec<usize> {
    let heard = || ranking.spots.iter().filter(|spot| spot.answers > 0);
    let clear = heard().next().is_none_or(|leader| leader.probability_best >= A_CLEAR_LEAD);
    let with_a_chance = heard().filter(|spot| spot.probability_best >= A_CHANCE).map(|spot| spot.spot);
    let finalists: Vec<usize> = with_a_chance.take(MOST_FINALISTS).collect();
    if clear || finalists.len() < 2 { Vec::new() } else { finalists }
}

impl State {
    /// The finalists, if a shoot-out is to be offered with the verdict. There is one at most in a visit.
    pub(super) fn offered_finalists(&self) -> &[usize] {
        match &self.advised {
            Some(advised) if self.shoot_out.is_none() && self.stage == Stage::Verdict => &advised.finalists,
            _ => &[],
        }
    }

    /// What has been compared so far.
    pub fn comparisons(&self) -> &[Comparison] {
        self.shoot_out.as_ref().map_or(&[], |shoot_out| &shoot_out.comparisons)
    }

    /// The same, as the judge takes it. Where no difference was heard, nothing is claimed.
    pub(super) fn outcomes(&self) -> Vec<judge::ShootOut> {
        let outcome = |comparison: &Comparison| {
            let more_even = comparison.more_even?;
            let less_even = if more_even == comparison.after { comparison.before } else { comparison.after };
            Some(judge::ShootOut { more_even, less_even, blind: comparison.blind })
        };
        self.comparisons().iter().filter_map(outcome).collect()
    }

    /// Where the subwoofer stands at the end of a shoot-out.
    pub(super) fn subwoofer_stands_at(&self) -> Option<usize> {
        let shoot_out = self.shoot_out.as_ref()?;
        shoot_out.order.get(shoot_out.comparisons.len()).copied().filter(|_| !shoot_out.comparisons.is_empty())
    }

    pub(super) fn begin_shoot_out(&mut self) -> Outcome {
        let mut order = self.offered_finalists().to_vec();
        if order.len() < 2 || order.iter().any(|&spot| spot >= self.room.spots.len()) {
            return Err(Refusal::WrongKind);
        }
        Random::new(self.brief.seed, ORDER).shuffle(&mut order);
        order.push(order[0]);
        self.shoot_out = Some(ShootOut { order, blind: false, comparisons: Vec::new() });
        self.stage = Stage::ShootOut(ShootOutStep::Carrier);
        Ok(())
    }

    pub(super) fn shoot_out_question(&self, step: ShootOutStep) -> Option<(String, String, Ask)> {
        let shoot_out = self.shoot_out.as_ref()?;
        let confirm = |topic, yes: &str| Ask::Confirm { topic, yes: yes.into(), no: None };
        let count = shoot_out.order.len();
        Some(match step {
            ShootOutStep::Carrier => (
                "Who moves the subwoofer while you listen from the main seat?".into(),
                format!(
                    "It is placed {count} times. With somebody else you do not know what you hear, if you do not look. \
                     If you carry it yourself, the comparison is not blind: what you expect is heard as well, and the \
                     sheet says so."
                ),
                Ask::Choose {
                    topic: Topic::ShootOutCarrier,
                    options: vec!["Somebody else, and I do not look".into(), "I do it myself".into()],
                },
            ),
            ShootOutStep::Place(at) => {
                let name = &self.room.spots.get(*shoot_out.order.get(at)?)?.name;
                let text = if shoot_out.blind {
                    format!("For whoever carries: move the subwoofer to {name}, and do not say where it stands.")
                } else {
                    format!("Move the subwoofer to {name}.")
                };
                let why = format!(
                    "Place {} of {count}. Mains power off before it is unplugged, two people to lift it, then power \
                     on.{}",
                    at + 1,
                    if shoot_out.blind { " Then give the screen to whoever listens." } else { " Then sit down." }
                );
                (text, why, confirm(Topic::ShootOutPlaced, "It stands there"))
            }
            ShootOutStep::Listen(0) => (
                "Hear the notes from the main seat, and keep in mind how even they are.".into(),
                "They run by from the lowest up. Have them again as often as you like.".into(),
                confirm(Topic::ShootOutHeard, "I have it"),
            ),
            ShootOutStep::Listen(_) => (
                "Were the notes more even before the last move, or are they now?".into(),
                "They run by from the lowest up. Have them again as often as you like.".into(),
                Ask::Choose {
                    topic: Topic::ShootOutMoreEven,
                    options: vec!["More even before".into(), "More even now".into(), "No difference".into()],
                },
            ),
        })
    }

    pub(super) fn shoot_out_cue(&self, step: ShootOutStep) -> Option<Cue> {
        matches!(step, ShootOutStep::Listen(_)).then(|| self.scale_cue())
    }

    pub(super) fn shoot_out_answer(&mut self, step: ShootOutStep, answer: &Answer) -> Outcome {
        let shoot_out = self.shoot_out.as_mut().ok_or(Refusal::WrongKind)?;
        let last = shoot_out.order.len() - 1;
        match (step, answer) {
            (ShootOutStep::Carrier, &Answer::Choice(who)) => {
                shoot_out.blind = who == 0;
                self.stage = Stage::ShootOut(ShootOutStep::Place(0));
            }
            (ShootOutStep::Place(at), Answer::Yes) => self.stage = Stage::ShootOut(ShootOutStep::Listen(at)),
            (ShootOutStep::Listen(0), Answer::Yes) => self.stage = Stage::ShootOut(ShootOutStep::Place(1)),
            (ShootOutStep::Listen(at), &Answer::Choice(which)) if at > 0 => {
                let (before, after) = (shoot_out.order[at - 1], shoot_out.order[at]);
                let more_even = [Some(before), Some(after), None][which.min(2)];
                shoot_out.comparisons.push(Comparison { before, after, more_even, blind: shoot_out.blind });
                if at < last {
                    self.stage = Stage::ShootOut(ShootOutStep::Place(at + 1));
                } else {
                    self.end_shoot_out();
                }
            }
            _ => return Err(Refusal::WrongKind),
        }
        Ok(())
    }

    /// What was compared so far counts; then the verdict is spoken again.
    pub(super) fn end_shoot_out(&mut self) {
        self.deciding = true;
        self.stage = Stage::Consult;
    }
}
