//! Asking the judge, and keeping it for the next time.

use std::sync::Arc;

use crate::blend::tune::Tuner;
use crate::conductor::Conductor;
use crate::judge::{Judge, Ranking};
use crate::room::Room;
use crate::routine::shoot_out::finalists;
use crate::routine::{Consultation, Event, Stage};

/// A judge with what it knows of a room before anybody has heard it: that is the same all through a visit.
pub struct Seated {
    room: Arc<Room>,
    notes_hz: Arc<[f64]>,
    judge: Judge,
}

/// What the judge said, and the judge itself, for the next time.
pub struct Judged {
    /// What it said.
    pub ranking: Ranking,
    /// The judge, for the next time.
    pub seated: Seated,
}

impl Judged {
    /// Asks the judge that is seated, if it knows this room and these notes; another one otherwise.
    pub fn of(consultation: &Consultation, seated: Option<Seated>) -> Self {
        let case = consultation.case();
        let same = |seated: &Seated| *seated.room == *case.room && *seated.notes_hz == *case.notes_hz;
        let seated = seated.filter(same).unwrap_or_else(|| Seated {
            room: consultation.room().clone(),
            notes_hz: consultation.notes_hz().clone(),
            judge: Judge::new(&case),
        });
        Self { ranking: consultation.ranked_by(&seated.judge), seated }
    }
}

impl Conductor {
    /// The judge thinks on a thread of its own, so that stop is never kept waiting.
    pub(super) fn consult(&mut self, consultation: Consultation) {
        let answer = self.judged.0.clone();
        let seated = self.seated.take();
        let thinking = std::thread::Builder::new().name("judge".into()).spawn(move || {
            // Nobody waits for it any more if the program is ending.
            let _ = answer.send(Judged::of(&consultation, seated));
        });
        if let Err(error) = thinking {
            self.notice(format!("The judge could not be asked: {error}. Close other programs and undo once."));
        }
    }

    /// Which setting of the blend comes next is thought out on a thread of its own as well.
    pub(super) fn think_out(&mut self, tuner: Tuner) {
        let answer = self.tuned.0.clone();
        let thinking = std::thread::Builder::new().name("tuner".into()).spawn(move || {
            // Nobody waits for it any more if the program is ending.
            let _ = answer.send((tuner.passes().len(), tuner.next()));
        });
        if let Err(error) = thinking {
            self.notice(format!(
                "The next setting could not be thought out: {error}. Close other programs and undo once."
            ));
        }
    }

    pub(super) fn judged(&mut self, judged: Judged) {
        self.changed = true;
        let Judged { ranking, seated } = judged;
        self.seated = Some(seated);
        let leader = ranking.spots.first().filter(|spot| spot.answers > 0);
        let event = Event::Advised {
            advice: ranking.advice.clone(),
            leader: leader.map(|spot| spot.spot),
            expected_regret_db: ranking.expected_regret_db,
            probability_best: leader.map_or(0.0, |spot| spot.probability_best),
            finalists: finalists(&ranking),
        };
        self.ranking = Some(Arc::new(ranking));
        if self.baton.state.stage() == &Stage::Consult {
            self.facts.push_front(event);
        } else if self.baton.state.stage() == &Stage::Done && self.sheet.is_none() {
            self.write_sheet();
        }
    }

    /// A finished visit is never left without its sheet, even if the judge has not spoken again since it was opened.
    pub(super) fn complete(&mut self) {
        if self.baton.state.stage() == &Stage::Done && self.sheet.is_none() {
            if self.ranking.is_none() {
                let judged = Judged::of(&self.baton.state.consultation(), self.seated.take());
                self.ranking = Some(Arc::new(judged.ranking));
            }
            self.write_sheet();
        }
    }

    pub(super) fn write_sheet(&mut self) {
        let Some(ranking) = self.ranking.clone() else { return };
        match (self.baton.sheet)(&self.baton.state, &ranking) {
            Ok(path) => self.sheet = Some(path),
            Err(why) => self.notice(format!("The set-up sheet was not written: {why}")),
        }
        self.changed = true;
    }
}
