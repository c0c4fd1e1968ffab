//! What the walls are made of, what is open, what is in the way.

use toml::Spanned;

use crate::room::load::{
    LONGEST_M, Reader, Walls, WrittenDoor, WrittenNoGo, WrittenOpening, WrittenReach, WrittenSocket,
};
use crate::room::outline;
use crate::room::plan::{Door, LEAD_M, MOST_SUBWOOFERS, NoGo, Opening, Reach, Surface};
use crate::toml_file::TomlError;

impl Reader<'_> {
    pub(super) fn walls(&self, walls: Option<Spanned<Walls>>, corners: usize) -> Result<Vec<Surface>, TomlError> {
        let Some(walls) = walls else { return Ok(Vec::new()) };
        let span = walls.span();
        match walls.into_inner() {
            Walls::All(surface) => Ok(vec![surface; corners.max(4)]),
            Walls::Each(each) if each.len() == corners => Ok(each),
            Walls::Each(each) => {
                let message = format!("{} walls are described, the outline has {corners}", each.len());
                self.refuse(
                    span,
                    &message,
                    "give one kind for each wall, in the order of the corners, or one word for all",
                )
            }
        }
    }

    pub(super) fn openings(
        &self,
        written: Vec<WrittenOpening>,
        corners: &[[f64; 2]],
    ) -> Result<Vec<Opening>, TomlError> {
        let mut openings = Vec::new();
        for (index, opening) in written.into_iter().enumerate() {
            self.few_enough(index, "openings", opening.from_m.span(), "write down the largest ones alone")?;
            let (from_m, to_m) = (*opening.from_m.get_ref(), *opening.to_m.get_ref());
            let remedy = "give both ends of the gap on one wall, in metres";
            if !(from_m.iter().chain(&to_m).all(|x| x.is_finite())
                && (to_m[0] - from_m[0]).hypot(to_m[1] - from_m[1]) > 0.05)
            {
                return self.refuse(opening.to_m.span(), "this opening has no width", remedy);
            }
            if !corners.is_empty() && outline::wall_of_gap(corners, from_m, to_m, 0.3).is_none() {
                return self.refuse(opening.from_m.span(), "this opening is not on a wall", remedy);
            }
            let height_m = opening.height_m.as_ref().map(|height| {
                let height_m = *height.get_ref();
                if height_m > 0.0 && height_m <= LONGEST_M {
                    return Ok(height_m);
                }
                self.refuse(height.span(), "an opening has a height above zero", "leave height_m out for a door of 2 m")
            });
            let name = opening.name.unwrap_or_else(|| format!("opening {}", index + 1));
            openings.push(Opening { name, from_m, to_m, height_m: height_m.transpose()? });
        }
        Ok(openings)
    }

    pub(super) fn no_go(&self, written: Vec<WrittenNoGo>, corners: &[[f64; 2]]) -> Result<Vec<NoGo>, TomlError> {
        let mut areas = Vec::new();
        for (index, area) in written.into_iter().enumerate() {
            self.few_enough(index, "no-go areas", area.corner_m.span(), "put those that touch into one")?;
            let (corner_m, size_m) = (*area.corner_m.get_ref(), *area.size_m.get_ref());
            if !(size_m.iter().all(|side| side.is_finite() && *side > 0.0) && corner_m.iter().all(|x| x.is_finite())) {
                let remedy = "size_m is how far the rectangle goes from corner_m along x and y, both above zero";
                return self.refuse(area.size_m.span(), "this no-go area has no size", remedy);
            }
            let name = area.name.unwrap_or_else(|| format!("no-go area {}", index + 1));
            if let Some(side) = size_m.iter().find(|side| **side > LONGEST_M) {
                let message = format!("{name:?} is {side} m long; no room is longer than {LONGEST_M} m");
                let remedy = "size_m is how far the rectangle goes from corner_m along x and y, in metres";
                return self.refuse(area.size_m.span(), &message, remedy);
            }
            let beyond = |axis: usize| {
                let along = || corners.iter().map(|corner| corner[axis]);
                let (low, high) = (along().fold(f64::INFINITY, f64::min), along().fold(f64::NEG_INFINITY, f64::max));
                corner_m[axis] > high || corner_m[axis] + size_m[axis] < low
            };
            if !corners.is_empty() && (beyond(0) || beyond(1)) {
                let remedy = "corner_m is its corner nearest the place where x and y are 0, in metres";
                return self.refuse(area.corner_m.span(), &format!("{name:?} is outside the walls"), remedy);
            }
            areas.push(NoGo { name, corner_m, size_m });
        }
        Ok(areas)
    }

    pub(super) fn doors(&self, written: Vec<WrittenDoor>, corners: &[[f64; 2]]) -> Result<Vec<Door>, TomlError> {
        let mut doors = Vec::new();
        for (index, door) in written.into_iter().enumerate() {
            self.few_enough(index, "doors", door.hinge_m.span(), "leave out those that stay shut")?;
            let (hinge_m, latch_m) = (*door.hinge_m.get_ref(), *door.latch_m.get_ref());
            let remedy = "give the hinge and the other side of the door, both on one wall, in metres";
            let name = door.name.unwrap_or_else(|| format!("door {}", index + 1));
            let found = Door { name, hinge_m, latch_m, outwards: door.outwards };
            if !(hinge_m.iter().chain(&latch_m).all(|x| x.is_finite()) && found.width_m() > 0.05) {
                return self.refuse(door.latch_m.span(), "this door has no width", remedy);
            }
            if !corners.is_empty() && outline::wall_of_gap(corners, hinge_m, latch_m, 0.3).is_none() {
                return self.refuse(door.hinge_m.span(), "this door is not on a wall", remedy);
            }
            doors.push(found);
        }
        Ok(doors)
    }

    pub(super) fn cable(&self, written: &WrittenReach, corners: &[[f64; 2]]) -> Result<Reach, TomlError> {
        let cable_m = *written.cable_m.get_ref();
        if !(cable_m.is_finite() && cable_m > 0.0) {
            let remedy = "cable_m is the length along the floor in metres, from_m where it starts";
            return self.refuse(written.cable_m.span(), "this cable has no length", remedy);
        }
        let remedy = "from_m is where it enters the room, in metres";
        Ok(Reach { from_m: self.start(&written.from_m, "the cable starts", remedy, corners)?, cable_m })
    }

    pub(super) fn sockets(&self, written: &[WrittenSocket], corners: &[[f64; 2]]) -> Result<Vec<Reach>, TomlError> {
        let mut sockets = Vec::new();
        for socket in written {
            self.few_enough(sockets.len(), "sockets", socket.at_m.span(), "leave out those beside another")?;
            let cable_m = socket.lead_m.as_ref().map_or(LEAD_M, |lead| *lead.get_ref());
            if let Some(lead) = socket.lead_m.as_ref().filter(|_| !(cable_m.is_finite() && cable_m > 0.0)) {
                let remedy = format!("lead_m is the length of the lead in metres; leave it out for {LEAD_M} m");
                return self.refuse(lead.span(), "this lead has no length", &remedy);
            }
            let from_m =
                self.start(&socket.at_m, "the socket is", "at_m is its place on a wall, in metres", corners)?;
            sockets.push(Reach { from_m, cable_m });
        }
        Ok(sockets)
    }

    /// Where a cable starts: somewhere in the room, give or take what a tape errs.
    fn start(
        &self,
        at: &Spanned<[f64; 2]>,
        what: &str,
        remedy: &str,
        corners: &[[f64; 2]],
    ) -> Result<[f64; 2], TomlError> {
        let at_m = *at.get_ref();
        if !at_m.iter().all(|x| x.is_finite()) {
            return self.refuse(at.span(), "this is not a place", remedy);
        }
        let outside_m = if corners.is_empty() { 0.0 } else { outline::distance_outside_m(corners, at_m) };
        if !corners.is_empty() && outside_m > outline::tape_allowance_m(corners) {
            return self.refuse(at.span(), &format!("{what} {outside_m:.2} m outside the walls"), remedy);
        }
        Ok(at_m)
    }

    pub(super) fn subwoofers(&self, count: &Spanned<i64>) -> Result<u8, TomlError> {
        match u8::try_from(*count.get_ref()) {
            Ok(number @ 1..=MOST_SUBWOOFERS) => Ok(number),
            _ => {
                let message = format!("{} subwoofers cannot be predicted", count.get_ref());
                self.refuse(count.span(), &message, "subwoofers is 1 or 2; more of them are tried by ear")
            }
        }
    }
}
