//! Seats and spots.

use std::collections::HashSet;
use std::ops::Range;

use toml::Spanned;

use crate::room::load::{LONGEST_M, Reader, WrittenPlace};
use crate::room::outline;
use crate::room::plan::{Place, Room};
use crate::toml_file::TomlError;

impl Reader<'_> {
    /// How much each seat counts; empty where no weight is given. A seat without one does not count then.
    pub(super) fn seat_weights(&self, seats: &[WrittenPlace], spots: &[WrittenPlace]) -> Result<Vec<f64>, TomlError> {
        if let Some(weight) = spots.iter().find_map(|spot| spot.weight.as_ref()) {
            return self.refuse(weight.span(), "a spot has no weight", "give weights to seats: how much each counts");
        }
        let mut last = None;
        for weight in seats.iter().filter_map(|seat| seat.weight.as_ref()) {
            if !(0.0..=100.0).contains(weight.get_ref()) {
                let message = format!("a seat cannot count {} times", weight.get_ref());
                return self.refuse(
                    weight.span(),
                    &message,
                    "a weight is a number from 0 to 100, such as 2 for the main seat",
                );
            }
            last = Some(weight.span());
        }
        let weights: Vec<f64> =
            seats.iter().map(|seat| seat.weight.as_ref().map_or(0.0, |weight| *weight.get_ref())).collect();
        match last {
            None => Ok(Vec::new()),
            Some(span) if weights.iter().all(|&weight| weight == 0.0) => {
                self.refuse(span, "no seat counts", "give at least one seat a weight above 0, or leave all weights out")
            }
            Some(_) => Ok(weights),
        }
    }

    pub(super) fn places(
        &self,
        written: Vec<WrittenPlace>,
        kind: &str,
        usual_z_m: f64,
        room: &Room,
    ) -> Result<Vec<Place>, TomlError> {
        let mut names = HashSet::new();
        let mut places = Vec::new();
        for place in written {
            let (span, name) = (place.name.span(), place.name.into_inner());
            if name.trim().is_empty() || name.chars().any(char::is_control) {
                return self.refuse(
                    span,
                    &format!("a {kind} needs a name that can be read out"),
                    "for example \"left corner\"",
                );
            }
            if !names.insert(name.clone()) {
                let message = format!("there are two {kind}s called {name:?}");
                return self.refuse(span, &message, "give each its own name: answers are kept by name");
            }
            self.few_enough(places.len(), &format!("{kind}s"), span.clone(), "nobody visits that many")?;
            let at_m = place.at_m.map(|at| self.position(&at, &name, usual_z_m, room)).transpose()?;
            if let Some(at) = at_m.filter(|_| kind == "spot") {
                self.stands_free(&name, [at[0], at[1]], span, room)?;
            }
            places.push(Place { name, at_m });
        }
        Ok(places)
    }

    /// Refuses a spot where no subwoofer may stand. Seats may be there: [`suggest::seats_in_the_way`] names them.
    ///
    /// [`suggest::seats_in_the_way`]: crate::room::suggest::seats_in_the_way
    fn stands_free(&self, name: &str, [x, y]: [f64; 2], span: Range<usize>, room: &Room) -> Result<(), TomlError> {
        if let Some(area) = outline::no_go_at(room, [x, y]) {
            let message = format!("spot {name:?} at {x:.2}, {y:.2} m stands in the no-go area {:?}", area.name);
            return self.refuse(span, &message, "move the spot, or make the area smaller");
        }
        match room.fittings.doors.iter().find(|door| door.sweeps([x, y], 0.0)) {
            Some(door) => {
                let message = format!("spot {name:?} at {x:.2}, {y:.2} m is in the way of the door {:?}", door.name);
                self.refuse(span, &message, "move the spot, or say `outwards = true` if the door opens out of the room")
            }
            None => Ok(()),
        }
    }

    fn position(&self, at: &Spanned<Vec<f64>>, name: &str, usual_z_m: f64, room: &Room) -> Result<[f64; 3], TomlError> {
        let remedy = "at_m is [x, y] or [x, y, z] in metres, from the corner where x and y are 0";
        let at_m = match at.get_ref()[..] {
            [x, y] => [x, y, usual_z_m],
            [x, y, z] => [x, y, z],
            _ => return self.refuse(at.span(), &format!("{name:?} is not at a place"), remedy),
        };
        if !at_m.iter().all(|x| x.is_finite()) {
            return self.refuse(at.span(), &format!("{name:?} is not at a place"), remedy);
        }
        let ceiling_m = room.height_m.unwrap_or(LONGEST_M);
        if at_m[2] < 0.0 || at_m[2] > ceiling_m + 0.1 {
            let message = format!("{name:?} is {} m above the floor, outside the room", at_m[2]);
            return self.refuse(at.span(), &message, remedy);
        }
        let corners = room.corners_m();
        if corners.is_empty() {
            return Ok(at_m);
        }
        let outside_m = outline::distance_outside_m(&corners, [at_m[0], at_m[1]]);
        if outside_m > outline::tape_allowance_m(&corners) {
            let message = format!("{name:?} is {outside_m:.2} m outside the walls");
            return self.refuse(at.span(), &message, remedy);
        }
        Ok(at_m)
    }
}
