//! Asking the judge, and keeping it for the next time.

use std::sync::Arc;

use crate::judge::{Judge, Ranking};
use crate::room::Room;
use crate::routine::Consultation;

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
        Self { ranking: seated.judge.rank(&case), seated }
    }
}
