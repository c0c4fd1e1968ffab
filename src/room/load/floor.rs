//! Walls and ceiling: sizes that can be believed, outlines that are one.

use std::ops::Range;

use toml::Spanned;

use crate::room::load::{LONGEST_M, Reader};
use crate::room::outline::{self, area_m2};
use crate::room::plan::Floor;
use crate::toml_file::TomlError;

/// Longer walls are asked about: probably feet.
const ASK_ABOVE_M: f64 = 20.0;
/// Higher ceilings are asked about: probably feet.
const ASK_ABOVE_HEIGHT_M: f64 = 6.0;
const MOST_CORNERS: usize = 100;
/// Smaller floors are slips of the pen.
const SMALLEST_M2: f64 = 1.0;

impl Reader<'_> {
    pub(super) fn floor(
        &self,
        size_m: Option<Spanned<[f64; 2]>>,
        floor_m: Option<Spanned<Vec<Spanned<[f64; 2]>>>>,
    ) -> Result<Option<Floor>, TomlError> {
        match (size_m, floor_m) {
            (None, None) => Ok(None),
            (Some(_), Some(floor)) => self.refuse(
                floor.span(),
                "the room has both size_m and floor_m",
                "keep size_m for a rectangle, or floor_m for any other outline",
            ),
            (Some(size), None) => {
                for side_m in size.get_ref() {
                    self.length(*side_m, size.span(), "a wall")?;
                }
                let [length_m, width_m] = size.into_inner();
                Ok(Some(Floor::Rectangle { length_m, width_m }))
            }
            (None, Some(floor)) => self.polygon(floor).map(Some),
        }
    }

    fn polygon(&self, floor: Spanned<Vec<Spanned<[f64; 2]>>>) -> Result<Floor, TomlError> {
        let span = floor.span();
        let corners: Vec<[f64; 2]> = floor.get_ref().iter().map(|corner| *corner.get_ref()).collect();
        if corners.len() < 3 || corners.len() > MOST_CORNERS {
            let message = format!("an outline has 3 to {MOST_CORNERS} corners, this one {}", corners.len());
            return self.refuse(
                span,
                &message,
                "give the corners in order around the room; round walls need a few each",
            );
        }
        for (index, corner) in floor.get_ref().iter().enumerate() {
            let [x, y] = *corner.get_ref();
            let next = corners[(index + 1) % corners.len()];
            if !(x.is_finite() && y.is_finite()) {
                return self.refuse(corner.span(), "this corner is not a place", "give both coordinates in metres");
            }
            if (next[0] - x).hypot(next[1] - y) < 0.01 {
                return self.refuse(
                    corner.span(),
                    "this corner and the next are the same place",
                    "leave one of them out",
                );
            }
        }
        for axis in 0..2 {
            let along = || corners.iter().map(|corner| corner[axis]);
            let extent_m = along().fold(f64::NEG_INFINITY, f64::max) - along().fold(f64::INFINITY, f64::min);
            self.length(extent_m, span.clone(), "the outline")?;
        }
        if let Some((first, second)) = outline::crossing(&corners) {
            let message = format!("the walls from corner {} and from corner {} cross", first + 1, second + 1);
            return self.refuse(
                floor.get_ref()[second].span(),
                &message,
                "give the corners in the order in which you would walk along the walls",
            );
        }
        let floor_m2 = area_m2(&corners);
        if floor_m2 < SMALLEST_M2 {
            let message = format!("this outline holds only {floor_m2:.2} m\u{b2} of floor");
            return self.refuse(
                span,
                &message,
                "give the corners in metres, in the order in which you would walk along the walls",
            );
        }
        Ok(Floor::Polygon(corners))
    }

    fn length(&self, length_m: f64, span: Range<usize>, what: &str) -> Result<(), TomlError> {
        if !(length_m.is_finite() && length_m > 0.0) {
            return self.refuse(span, &format!("{what} of {length_m} m is no wall"), "sizes are metres above zero");
        }
        if length_m < 1.0 {
            let remedy = "sizes are metres; a room that a subwoofer fits into is at least 1 m long and wide";
            return self.refuse(span, &format!("{what} is only {length_m} m long"), remedy);
        }
        if length_m > LONGEST_M || (length_m > ASK_ABOVE_M && !self.large) {
            let other = |unit: &str, metres: f64| {
                if (1.0..=LONGEST_M).contains(&metres) {
                    format!("if that is {unit}, write {metres:.2}; ")
                } else {
                    String::new()
                }
            };
            let remedy = format!(
                "{}{}if the room really is that large, add `large = true` at the top (up to {LONGEST_M} m)",
                other("feet", length_m * 0.3048),
                other("centimetres", length_m / 100.0)
            );
            return self.refuse(span, &format!("{what} is {length_m} m long: are these metres?"), &remedy);
        }
        Ok(())
    }

    pub(super) fn height(&self, height: &Spanned<f64>) -> Result<f64, TomlError> {
        let height_m = *height.get_ref();
        if !(height_m.is_finite() && height_m >= 1.5) {
            let message = format!("a ceiling {height_m} m above the floor is too low to sit under");
            return self.refuse(height.span(), &message, "height_m is metres from floor to ceiling, 1.5 or more");
        }
        if height_m > LONGEST_M || (height_m > ASK_ABOVE_HEIGHT_M && !self.large) {
            let remedy = format!(
                "if that is feet, write {:.2}; if the room really is that high, add `large = true` at the top",
                height_m * 0.3048
            );
            let message = format!("the ceiling is {height_m} m above the floor: are these metres?");
            return self.refuse(height.span(), &message, &remedy);
        }
        Ok(height_m)
    }

    pub(super) fn reverberation(&self, time: &Spanned<f64>) -> Result<f64, TomlError> {
        let seconds = *time.get_ref();
        if seconds.is_finite() && (0.05..=10.0).contains(&seconds) {
            return Ok(seconds);
        }
        let message = format!("a decay time of {seconds} s is no room's");
        self.refuse(time.span(), &message, "reverberation_s is the time in which bass falls by 60 dB, 0.05 to 10 s")
    }
}
