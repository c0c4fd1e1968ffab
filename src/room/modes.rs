//! Standing waves of a box, how many there are, and where that talk stops making sense.

use serde::{Deserialize, Serialize};

/// Speed of sound at 20 °C, m/s. Source: ISO 9613-1:1993, Annex A. Unknown indoor air is within 0.4 % of it.
pub const SPEED_OF_SOUND_M_PER_S: f64 = 343.2;

/// Between which surfaces a standing wave runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ModeKind {
    /// Between one pair of walls, or floor and ceiling.
    Axial,
    /// Between two pairs.
    Tangential,
    /// Between all three pairs.
    Oblique,
    /// Over a floor that is no rectangle, the same at every height.
    Plan,
    /// Over a floor that is no rectangle, and between floor and ceiling as well.
    PlanAndHeight,
}

/// One standing wave of a box.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BoxMode {
    /// Its frequency without damping.
    pub frequency_hz: f64,
    /// Half waves along length, width and height.
    pub half_waves: [u32; 3],
    /// Between which surfaces.
    pub kind: ModeKind,
}

/// Which kind a number of half waves along each edge of a box makes.
pub fn kind_of(half_waves: [u32; 3]) -> ModeKind {
    match half_waves.iter().filter(|n| **n > 0).count() {
        0 | 1 => ModeKind::Axial,
        2 => ModeKind::Tangential,
        _ => ModeKind::Oblique,
    }
}

/// The standing waves of a rigid box up to a frequency, lowest first (the even pressure at 0 Hz is left out).
///
/// f = (c/2) √[(nx/Lx)² + (ny/Ly)² + (nz/Lz)²].
/// * `size_m` - length, width, height, all above zero
/// * `speed_m_per_s` - speed of sound
/// # Source
/// Kuttruff, *Room Acoustics*, chapter 3.
pub fn box_modes(size_m: [f64; 3], speed_m_per_s: f64, up_to_hz: f64) -> Vec<BoxMode> {
    let most = size_m.map(|side_m| (2.0 * up_to_hz * side_m / speed_m_per_s).floor().max(0.0) as u32);
    let mut modes = Vec::new();
    for x in 0..=most[0] {
        for y in 0..=most[1] {
            for z in 0..=most[2] {
                let half_waves = [x, y, z];
                let frequency_hz = box_mode_hz(size_m, speed_m_per_s, half_waves);
                if frequency_hz > 0.0 && frequency_hz <= up_to_hz {
                    modes.push(BoxMode { frequency_hz, half_waves, kind: kind_of(half_waves) });
                }
            }
        }
    }
    modes.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz).then(b.half_waves.cmp(&a.half_waves)));
    modes
}

/// The frequency of one standing wave of a rigid box. Source: as [`box_modes`].
pub fn box_mode_hz(size_m: [f64; 3], speed_m_per_s: f64, half_waves: [u32; 3]) -> f64 {
    let square: f64 = size_m.iter().zip(half_waves).map(|(side_m, n)| (f64::from(n) / side_m).powi(2)).sum();
    0.5 * speed_m_per_s * square.sqrt()
}

/// How many standing waves (the one at 0 Hz included) a box is expected to have below a frequency:
/// (4π/3)V(f/c)³ + (π/4)S(f/c)² + (L/8)(f/c), S all surfaces, L all edges.
/// # Source
/// Kuttruff, *Room Acoustics*, chapter 3.
pub fn expected_count(size_m: [f64; 3], speed_m_per_s: f64, frequency_hz: f64) -> f64 {
    let [x, y, z] = size_m;
    let waves_per_m = frequency_hz / speed_m_per_s;
    let (volume, surface, edges) = (x * y * z, 2.0 * (x * y + y * z + z * x), 4.0 * (x + y + z));
    let pi = std::f64::consts::PI;
    4.0 * pi / 3.0 * volume * waves_per_m.powi(3) + pi / 4.0 * surface * waves_per_m.powi(2) + edges / 8.0 * waves_per_m
}

/// Above this frequency standing waves overlap so much that single ones no longer explain what is heard: 2000 √(T/V).
/// # Source
/// Schroeder 1962; Kuttruff, *Room Acoustics*, chapter 3.
pub fn schroeder_hz(reverberation_s: f64, volume_m3: f64) -> f64 {
    2000.0 * (reverberation_s / volume_m3).sqrt()
}

/// The decay constant of a field that falls by 60 dB in a time: 3 ln 10 / T, 1/s.
pub fn damping_per_s(reverberation_s: f64) -> f64 {
    3.0 * std::f64::consts::LN_10 / reverberation_s
}

/// How wide a resonance is between its half-power points: δ/π, about 2.2/T, Hz. Source: Kuttruff, chapter 3.
pub fn bandwidth_hz(reverberation_s: f64) -> f64 {
    damping_per_s(reverberation_s) / std::f64::consts::PI
}

#[cfg(test)]
mod tests {
    use super::*;

    fn code(mode: &BoxMode) -> u32 {
        mode.half_waves[0] * 100 + mode.half_waves[1] * 10 + mode.half_waves[2]
    }

    #[test]
    fn handbook_room_of_47_by_41_by_31_m() {
        // Kuttruff, Room Acoustics, chapter 3, table of the 4.7 x 4.1 x 3.1 m room at c = 340 m/s.
        let table = [
            (36.17, 100),
            (41.46, 10),
            (54.84, 1),
            (55.02, 110),
            (65.69, 101),
            (68.75, 11),
            (72.34, 200),
            (77.68, 111),
            (82.93, 20),
            (83.38, 210),
            (90.47, 120),
            (90.78, 201),
            (99.42, 21),
            (99.80, 211),
            (105.79, 121),
            (108.51, 300),
            (109.68, 2),
            (110.05, 220),
            (115.49, 102),
            (116.16, 310),
        ];
        let modes = box_modes([4.7, 4.1, 3.1], 340.0, 116.5);
        assert_eq!(modes.len(), table.len());
        for (mode, (frequency_hz, half_waves)) in modes.iter().zip(table) {
            assert!((mode.frequency_hz - frequency_hz).abs() <= 0.005 + 1e-9, "{mode:?} is not {frequency_hz}");
            assert_eq!(code(mode), half_waves);
        }
        assert_eq!(box_modes([4.7, 4.1, 3.1], 340.0, 100.0).len(), 14);
        assert!((expected_count([4.7, 4.1, 3.1], 340.0, 100.0) - 14.4417).abs() < 5e-5);
    }

    #[test]
    fn handbook_room_of_16_by_12_by_8_feet() {
        // Ballou (ed.), Handbook for Sound Engineers, 4th ed., table 6-4, c = 1130 ft/s.
        let modes = box_modes([16.0, 12.0, 8.0], 1130.0, 142.0);
        let axial = |axis: usize| -> Vec<f64> {
            modes
                .iter()
                .filter(|m| m.kind == ModeKind::Axial && m.half_waves[axis] > 0)
                .map(|m| m.frequency_hz)
                .collect()
        };
        for (axis, table) in [vec![35.31, 70.63, 105.94, 141.25], vec![47.08, 94.17, 141.25], vec![70.63, 141.25]]
            .into_iter()
            .enumerate()
        {
            let found = axial(axis);
            assert_eq!(found.len(), table.len());
            assert!(found.iter().zip(table).all(|(a, b)| (a - b).abs() < 0.006));
        }
    }

    #[test]
    fn counts_and_kinds_of_a_5_by_4_by_25_m_room() {
        // Recomputed from the same formula by other hands; c = 343 m/s.
        let size_m = [5.0, 4.0, 2.5];
        let expected = [(50.0, 2, 2.906), (100.0, 12, 12.541), (150.0, 33, 32.799), (200.0, 65, 67.571)];
        for (frequency_hz, count, formula) in expected {
            assert_eq!(box_modes(size_m, 343.0, frequency_hz).len(), count);
            assert!((expected_count(size_m, 343.0, frequency_hz) - formula).abs() < 5e-4);
        }
        let modes = box_modes(size_m, 343.0, 90.0);
        let kinds: Vec<ModeKind> = modes.iter().map(|m| m.kind).collect();
        use ModeKind::{Axial, Oblique, Tangential};
        assert_eq!(kinds, [Axial, Axial, Tangential, Axial, Axial, Tangential, Tangential, Tangential, Axial, Oblique]);
    }

    #[test]
    fn schroeder_frequency_and_modal_width() {
        // Schroeder 1962; Kuttruff, Room Acoustics, chapter 3.
        for (t, v, f) in [(0.4, 50.0, 178.8854), (0.5, 50.0, 200.0), (0.5, 80.0, 158.1139), (0.8, 200.0, 126.4911)] {
            assert!((schroeder_hz(t, v) - f).abs() < 5e-5);
        }
        for (t, width_hz) in [(0.3, 7.3294), (0.5, 4.3976), (1.0, 2.1988)] {
            assert!((bandwidth_hz(t) - width_hz).abs() < 5e-5);
        }
        assert!((damping_per_s(0.345388) - 20.0).abs() < 1e-4);
    }
}
