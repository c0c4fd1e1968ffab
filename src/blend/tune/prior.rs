//! What is believed before anything was heard.

use nalgebra::{DMatrix, DVector};

use crate::blend::control::{Device, Role, Unit};
use crate::blend::tune::filters::LowPass;
use crate::blend::tune::model::{CONTOUR, FIRST_PASS, MAINS, PHASE, POINTS, Room, SUBWOOFER, Scalar, grid_hz};
use crate::blend::tune::{Case, Pass, Sounding};
use crate::stats::gaussian;

/// How far along the octaves the rough part of a response hangs together.
const ROUGH_OCTAVES: f64 = 0.12;

/// From pass to pass all answers shift together by this, dB. Close by the reference is another one, in which the
/// person's own contour counts differently.
pub fn mood_db(sounding: Sounding) -> f64 {
    if sounding == Sounding::NearSubwoofer { 2.0 } else { 1.2 }
}

/// A normal belief: mean and inverse covariance.
pub struct Prior {
    pub mean: DVector<f64>,
    pub precision: DMatrix<f64>,
    /// Logarithm of the precision's determinant.
    pub log_determinant: f64,
}

/// About a case, after so many passes: every curve smooth and rough as such rooms are, the numbers near what the marks
/// say.
pub fn prior(case: &Case, passes: &[Pass], room: Room) -> Prior {
    let size = FIRST_PASS + passes.len();
    let mut mean = DVector::zeros(size);
    let mut precision = DMatrix::zeros(size, size);
    let grid = grid_hz(case.crossover_hz);
    let natural = LowPass::of(case.system.mains.slope());
    for (k, &hz) in grid.iter().enumerate() {
        let (db, radians) = natural.as_high_pass_at(hz / case.system.mains.rated_low_hz);
        mean[MAINS + k] = db;
        mean[PHASE + k] = -radians;
    }
    // Same for all, slope per octave, smooth over a third of an octave and rough over an eighth: standard deviations. A
    // standing wave is 2.2/T wide, 4 to 9 Hz in furnished rooms: an eighth of an octave at the crossover. What is the
    // same for all is wide, because the reference is a single band and may itself fall into a hole. In a lively room
    // many standing waves add up to levels that vary by 5.6 dB, and to phases that may go anywhere (Schroeder, Acustica
    // 4, 594-600, 1954; from memory).
    let curves = match room {
        Room::Calm => [
            (MAINS, 8.0, 4.0, 4.0, 3.0, 0.33),
            (SUBWOOFER, 10.0, 3.0, 4.0, 3.0, 0.33),
            (PHASE, 0.9, 1.2, 0.6, 0.35, 0.33),
        ],
        Room::Lively => [
            (MAINS, 8.0, 4.0, 4.0, 6.0, 0.33),
            (SUBWOOFER, 10.0, 3.0, 4.0, 6.0, 0.33),
            (PHASE, 1.5, 1.2, 1.0, 1.0, 0.33),
        ],
    };
    for (first, same, slope, smooth, rough, octaves) in curves.into_iter().chain([(CONTOUR, 1.5, 0.0, 1.3, 0.0, 0.5)]) {
        let covariance = DMatrix::from_fn(POINTS, POINTS, |i, j| {
            let (x, y) = (libm::log2(grid[i] / case.crossover_hz), libm::log2(grid[j] / case.crossover_hz));
            let bell = |octaves: f64| libm::exp(-0.5 * ((x - y) / octaves).powi(2));
            let own = if i == j { 1e-3 * smooth * smooth } else { 0.0 };
            same * same
                + slope * slope * x * y
                + smooth * smooth * bell(octaves)
                + rough * rough * bell(ROUGH_OCTAVES)
                + own
        });
        let inverse = gaussian::factor(&covariance).inverse();
        precision.view_mut((first, first), (POINTS, POINTS)).copy_from(&inverse);
    }
    // An order that is stated of a subwoofer's own filter leaves open which alignment it is. Butterworth and Linkwitz-Riley filters of the
    // same order, held against each other over the octave and a half around the crossover (scipy, least squares), differ by factors of
    // 0.80 to 1.16; a processor's are what they are said to be.
    let slope = match case.system.low_pass_is_known_by() {
        Some(Device::Processor) => (1.0, 0.04),
        Some(Device::Subwoofer) => (1.0, 0.12),
        None => (0.8, 0.25),
    };
    let role = |role: Role| case.system.any(role).map(|(_, control)| control);
    let level_doubt = match role(Role::Level) {
        Some(control) if control.unit == Unit::Percent => 0.25,
        Some(control) if control.on == Device::Processor => 0.02,
        _ => 0.1,
    };
    let low_pass_doubt = match role(Role::LowPass).or(role(Role::Crossover)) {
        Some(control) if control.unit == Unit::Percent => 0.4,
        Some(control) if control.on == Device::Processor => 0.02,
        _ => 0.15,
    };
    for (scalar, middle, doubt) in [
        (Scalar::LowPassOff, 0.0, low_pass_doubt),
        (Scalar::LowPassSlope, slope.0, slope.1),
        (Scalar::LevelScale, 1.0, level_doubt),
        (Scalar::PhaseScale, 1.0, 0.15),
        (Scalar::Delay, 0.0, 1.0),
        (Scalar::Stretch, 1.1, 0.2),
        (Scalar::Meter, 75.0, 30.0),
    ] {
        mean[scalar.at()] = middle;
        precision[(scalar.at(), scalar.at())] = 1.0 / (doubt * doubt);
    }
    for (number, pass) in passes.iter().enumerate() {
        let doubt_db = mood_db(pass.sounding);
        precision[(FIRST_PASS + number, FIRST_PASS + number)] = 1.0 / (doubt_db * doubt_db);
    }
    let log_determinant = gaussian::factor(&precision).log_determinant();
    Prior { mean, precision, log_determinant }
}
