//! Several seats, each with how much it counts.

use crate::routine::State;

impl State {
    /// The seats that are judged for and how much each counts, the main seat first.
    pub fn seats(&self) -> Vec<(usize, f64)> {
        let main = self.brief.seat;
        let counts = |seat: usize| self.room.seat_weights.get(seat).copied().filter(|&weight| weight > 0.0);
        let others = (0..self.room.seats.len()).filter(|&seat| seat != main);
        let others = others.filter_map(|seat| Some((seat, counts(seat)?)));
        std::iter::once((main, counts(main).unwrap_or(1.0))).chain(others).collect()
    }
}
