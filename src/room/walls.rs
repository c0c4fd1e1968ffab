//! What walls take from a standing wave.

use crate::room::modes::{SPEED_OF_SOUND_M_PER_S, damping_per_s};
use crate::room::outline::area_m2;
use crate::room::plan::{Room, Surface, USUAL_HEIGHT_M};
use crate::room::waves::PlanWave;

/// Furnished living rooms decay by 60 dB in about this time in the bass (common practice); half of them are between
/// two thirds and one and a half of it.
pub const USUAL_REVERBERATION_S: f64 = 0.45;

/// Specific admittance (real part) of every surface.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::room) struct Walls {
    pub(in crate::room) walls: Vec<f64>,
    pub(in crate::room) floor: f64,
    pub(in crate::room) ceiling: f64,
}

impl Surface {
    /// Absorption coefficient in the 125 Hz octave: lowest and highest of what is published for such surfaces.
    ///
    /// # Source
    /// Kuttruff, *Room Acoustics*, and Everest & Pohlmann, *Master Handbook of Acoustics*, tables of absorption
    /// coefficients (from memory; the ranges are rounded outwards).
    pub const fn absorption(self) -> [f64; 2] {
        match self {
            Self::Masonry => [0.01, 0.10],
            Self::Plasterboard => [0.12, 0.30],
            Self::Wood => [0.15, 0.35],
            Self::Glass => [0.10, 0.35],
        }
    }

    /// Specific admittance that gives the middle of the range: absorption at random incidence is about 8 times the
    /// admittance where both are small. Source: Kuttruff, *Room Acoustics*, chapter 2.
    fn admittance(self) -> f64 {
        let [low, high] = self.absorption();
        (low * high).sqrt() / 8.0
    }

    /// The geometric mean over the four.
    fn usual_admittance() -> f64 {
        let all = [Self::Masonry, Self::Plasterboard, Self::Wood, Self::Glass];
        all.iter().map(|surface| surface.admittance()).product::<f64>().powf(0.25)
    }
}

impl Walls {
    pub(in crate::room) fn of(room: &Room) -> Self {
        let fittings = &room.fittings;
        let corners = room.corners_m().len().max(4);
        let height_m = room.height_m.unwrap_or(USUAL_HEIGHT_M);
        // A surface that nobody named is none of the four in particular.
        let known = |surface: Option<&Surface>| surface.map_or_else(Surface::usual_admittance, |s| s.admittance());
        let relative = Self {
            walls: (0..corners).map(|wall| known(fittings.walls.get(wall))).collect(),
            floor: known(fittings.floor.as_ref()),
            ceiling: known(fittings.ceiling.as_ref()),
        };
        let measured = fittings.reverberation_s.is_some();
        let everything_known =
            !measured && fittings.walls.len() == corners && fittings.floor.is_some() && fittings.ceiling.is_some();
        let scale = if everything_known { 1.0 } else { relative.scale_for(room, height_m) };
        Self {
            walls: relative.walls.iter().map(|wall| wall * scale).collect(),
            floor: relative.floor * scale,
            ceiling: relative.ceiling * scale,
        }
    }

    /// The factor that makes an oblique wave decay in the measured, or the usual, time.
    fn scale_for(&self, room: &Room, height_m: f64) -> f64 {
        let corners = room.corners_m();
        let wanted_per_s = damping_per_s(room.fittings.reverberation_s.unwrap_or(USUAL_REVERBERATION_S));
        let area_m2 = area_m2(&corners).max(1e-6);
        let along: f64 = (0..corners.len())
            .map(|i| {
                let (a, b) = (corners[i], corners[(i + 1) % corners.len()]);
                self.walls[i] * (b[0] - a[0]).hypot(b[1] - a[1])
            })
            .sum();
        // Over a wall, the mean square of a wave that meets it is about twice that over the room.
        let by_walls = 2.0 * along / area_m2;
        let by_floor = 2.0 * (self.floor + self.ceiling) / height_m;
        // Tangential and axial waves touch less; the usual decay time is taken as that of the mean wave.
        const MEAN_WAVE: f64 = 0.8;
        wanted_per_s / (0.5 * SPEED_OF_SOUND_M_PER_S * (by_walls + by_floor) * MEAN_WAVE)
    }

    /// The decay constant of a wave: (c/2) ∮βψ²dS / ∫ψ²dV, first order in the admittance.
    /// Source: Kuttruff, *Room Acoustics*, chapter 3.
    pub(in crate::room) fn damping_per_s(&self, wave: &PlanWave, vertical: u32, height_m: f64) -> f64 {
        let ends = if vertical == 0 { 1.0 } else { 2.0 } / height_m;
        let by_walls: f64 = self.walls.iter().zip(&wave.at_walls_per_m).map(|(wall, at)| wall * at).sum();
        0.5 * SPEED_OF_SOUND_M_PER_S * (by_walls + (self.floor + self.ceiling) * ends)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::room::field::RoomField;

    fn first_decay_s(more: &str) -> f64 {
        let room = Room::from_toml("r", &format!("size_m = [5, 4]\nheight_m = 2.5\n{more}")).unwrap();
        let field = RoomField::new(&room, 120.0).unwrap();
        damping_per_s(field.resonances()[1].damping_per_s)
    }

    #[test]
    fn a_floor_that_nobody_named_does_not_take_everything() {
        // Hard walls let the wave between them ring longer than an average room's, within what one pair of surfaces can
        // do.
        let (unknown_s, masonry_s) = (first_decay_s(""), first_decay_s("walls = \"masonry\"\n"));
        assert!(masonry_s > unknown_s && masonry_s < 3.0 * unknown_s, "{unknown_s} {masonry_s}");
        let glass_s = first_decay_s("walls = \"glass\"\n");
        assert!(glass_s < unknown_s && glass_s > unknown_s / 3.0, "{unknown_s} {glass_s}");
    }

    #[test]
    fn a_measured_decay_time_is_kept_whatever_the_walls_are() {
        for walls in ["masonry", "glass"] {
            let text = format!("size_m = [5, 4]\nheight_m = 2.5\nwalls = \"{walls}\"\nreverberation_s = 0.6\n");
            let field = RoomField::new(&Room::from_toml("r", &text).unwrap(), 200.0).unwrap();
            assert!((field.reverberation_s() / 0.6 - 1.0).abs() < 0.3, "{walls}: {}", field.reverberation_s());
        }
    }
}
