//! Several seats, each with how much it counts.
//!
//! Where the subwoofer stands on the seat and the person goes from spot to spot, the crawl is done for one seat after
//! the other, the listening time shared out between them. Where the subwoofer is too heavy for that, every seat is sat
//! on at each spot. Either way the ranking weighs them together.

use crate::judge::{LEAST_OF_A_MATCHED_STAY, Pace};
use crate::routine::brief::AnswerBy;
use crate::routine::stage::{Outcome, Pass, PassKind, Stage};
use crate::routine::{Refusal, State};

impl State {
    /// The seats that are judged for and how much each counts, the main seat first.
    pub fn seats(&self) -> Vec<(usize, f64)> {
        let main = self.brief.seat;
        let counts = |seat: usize| self.room.seat_weights.get(seat).copied().filter(|&weight| weight > 0.0);
        let others = (0..self.room.seats.len()).filter(|&seat| seat != main);
        let others = others.filter_map(|seat| Some((seat, counts(seat)?)));
        std::iter::once((main, counts(main).unwrap_or(1.0))).chain(others).collect()
    }

    /// The seat that is heard for now: the subwoofer stands on it, or the person sits there.
    pub fn seat_now(&self) -> usize {
        match self.passes.last() {
            Some(pass) if self.too_heavy() => pass.seat,
            _ => self.seats().get(self.seat_at).map_or(self.brief.seat, |(seat, _)| *seat),
        }
    }

    pub(super) fn has_several_seats(&self) -> bool {
        self.seats().len() > 1
    }

    pub(super) fn seat_name(&self, seat: usize) -> &str {
        self.room.seats.get(seat).map_or("the seat", |seat| seat.name.as_str())
    }

    /// The weights that the judge is given: a seat that nobody has begun to hear for does not count yet.
    pub(super) fn seat_weights(&self) -> Vec<f64> {
        let mut weights = vec![0.0; self.room.seats.len()];
        let begun = if self.too_heavy() { usize::MAX } else { self.seat_at + 1 };
        for (seat, weight) in self.seats().into_iter().take(begun) {
            if let Some(of_seat) = weights.get_mut(seat) {
                *of_seat = weight;
            }
        }
        weights
    }

    /// Which seat's answers tell how well a spot has been heard; `None` where there is only one.
    pub(super) fn seat_heard_for(&self) -> Option<usize> {
        let seat = if self.too_heavy() { self.brief.seat } else { self.seat_now() };
        self.has_several_seats().then_some(seat)
    }

    /// What a stay costs: with a heavy subwoofer every seat is sat on.
    pub(super) fn stay_pace(&self, pace: Pace) -> Pace {
        let seats = if self.too_heavy() { self.seats().len() as f64 } else { 1.0 };
        Pace { move_s: seats * pace.move_s, rating_s: seats * pace.rating_s, meter_s: seats * pace.meter_s }
    }

    /// The least listening in which two spots can be compared by matching, whole minutes.
    pub fn least_minutes_to_match(&self) -> f64 {
        let pace = self.stay_pace(self.pace.pace(AnswerBy::Match));
        let turns = if self.too_heavy() { 1 } else { self.seats().len() };
        let stay_s = pace.move_s + LEAST_OF_A_MATCHED_STAY as f64 * pace.rating_s;
        (turns as f64 * 2.0 * stay_s / 60.0).ceil()
    }

    /// Seconds of listening that are left for the seat that is heard for now, if there is a limit: an equal share of
    /// what was left when it was begun.
    pub(super) fn seat_seconds_left(&self) -> Option<f64> {
        let whole_s = self.brief.minutes? * 60.0;
        let seats = if self.too_heavy() { 1 } else { self.seats().len().saturating_sub(self.seat_at).max(1) };
        let share_s = (whole_s - self.seat_from_s).max(0.0) / seats as f64;
        Some((share_s - (self.seconds_spent() - self.seat_from_s)).max(0.0))
    }

    /// Goes on to the next seat, if there is one for which the subwoofer has to be lifted.
    pub(super) fn next_seat(&mut self) -> bool {
        let more = !self.too_heavy() && self.seat_at + 1 < self.seats().len();
        if more {
            self.seat_at += 1;
            self.at_spot = None;
            self.stage = Stage::Placing;
        }
        more
    }

    /// The subwoofer stands on a seat after the first one: its crawl begins.
    pub(super) fn begin_seat(&mut self) {
        self.seat_from_s = self.seconds_spent();
        self.stage = Stage::Consult;
    }

    /// Notes at a spot, as the judge advised: for every seat in turn where the person sits, beginning where they are.
    pub(super) fn begin_stay(&mut self, spot: usize, notes: &[usize], why: &str, kind: PassKind) -> Outcome {
        let known = spot < self.room.spots.len() && !notes.is_empty();
        if !known || notes.iter().any(|&note| note >= self.notes_hz.len()) {
            return Err(Refusal::Because("The judge asked for a spot or note that does not exist.".into()));
        }
        let mut seats = vec![self.seat_now()];
        if self.too_heavy() {
            seats = self.seats().into_iter().map(|(seat, _)| seat).collect();
            let here = seats.iter().position(|&seat| seat == self.seat_now()).unwrap_or(0);
            seats.rotate_left(here);
        }
        let seat = seats.remove(0);
        self.seats_left = seats;
        let moved = self.at_spot != Some(spot) || self.passes.last().is_some_and(|pass| pass.seat != seat);
        self.push_pass((spot, seat), notes.to_vec(), why.to_owned(), kind, moved);
        Ok(())
    }

    /// The same notes from the next seat, if this stay has one.
    pub(super) fn next_seat_here(&mut self) -> bool {
        let Some(last) = self.passes.last().filter(|_| !self.seats_left.is_empty()).cloned() else { return false };
        let seat = self.seats_left.remove(0);
        self.push_pass((last.spot, seat), last.notes, last.why, last.kind, true);
        true
    }

    fn push_pass(&mut self, (spot, seat): (usize, usize), notes: Vec<usize>, why: String, kind: PassKind, moved: bool) {
        let stay = self.passes.last().map_or(0, |pass| pass.stay + usize::from(moved));
        self.passes.push(Pass {
            spot,
            seat,
            stay,
            kind,
            at: 0,
            answers: vec![None; notes.len()],
            notes,
            why,
            moved,
            here_s: (!moved).then_some((self.now_s, self.now_s)),
        });
        self.stage = if moved { Stage::Move } else { Stage::Notes };
    }

    /// Seats that count and for which nothing was heard, in words; empty where there is none.
    pub(super) fn unheard_seats(&self) -> String {
        let evidence = self.evidence();
        let unheard = |&(seat, _): &(usize, f64)| !evidence.iter().any(|evidence| evidence.seat == seat);
        let seats = self.seats();
        let names: Vec<&str> =
            seats.iter().filter(|seat| unheard(seat)).map(|(seat, _)| self.seat_name(*seat)).collect();
        if seats.len() < 2 || names.is_empty() {
            return String::new();
        }
        format!(" Nothing was heard for {}, so that does not count.", names.join(" and "))
    }
}
