//! Resonances of a room between places: modal sums with the damping of each wave.

use std::f64::consts::{PI, TAU};

use realfft::num_complex::Complex64;

use crate::room::modes::{self, ModeKind, SPEED_OF_SOUND_M_PER_S, damping_per_s};
use crate::room::plan::{Room, USUAL_HEIGHT_M};
use crate::room::port::{self, Load, MOST_PORTS, Port};
use crate::room::walls::Walls;
use crate::room::waves::{PlanWaves, cosine};

/// Waves between floor and ceiling beyond this number change nothing that can be heard in the bass.
const MOST_VERTICAL: u32 = 12;

/// Terms of the power series that stands for the waves above the last resonance; the rest is under 2 % of their part.
const SLOW_TERMS: usize = 4;

/// A standing wave of the room.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resonance {
    /// Its frequency without damping; 0 for the even pressure.
    pub frequency_hz: f64,
    /// Its decay constant, 1/s.
    pub damping_per_s: f64,
    /// Between which surfaces it runs.
    pub kind: ModeKind,
    /// Half waves along length and width, where the floor is a rectangle.
    pub plan_half_waves: Option<[u32; 2]>,
    /// Half waves between floor and ceiling.
    pub vertical: u32,
    pub(in crate::room) plan: usize,
}

/// A room as a set of standing waves: what one place hears of a source at another.
#[derive(Debug, Clone)]
pub struct RoomField {
    pub(in crate::room) plan: PlanWaves,
    pub(in crate::room) height_m: f64,
    pub(in crate::room) resonances: Vec<Resonance>,
    /// Waves above the last resonance: they only add a part that changes slowly with frequency.
    pub(in crate::room) stiff: Vec<Stiff>,
    /// Openings, the largest first.
    pub(in crate::room) ports: Vec<Port>,
}

/// A standing wave too high to resonate.
#[derive(Debug, Clone, Copy)]
pub(in crate::room) struct Stiff {
    pub(in crate::room) plan: usize,
    pub(in crate::room) vertical: u32,
    pub(in crate::room) square_per_m2: f64,
}

/// What every standing wave is worth at one place.
#[derive(Debug, Clone)]
pub(in crate::room) struct Worth {
    pub(in crate::room) resonant: Vec<f64>,
    pub(in crate::room) stiff: Vec<f64>,
}

impl RoomField {
    /// The room's standing waves up to a frequency, damped as its walls say (or as rooms usually are).
    ///
    /// `None` if the outline is not known. A missing height counts as [`USUAL_HEIGHT_M`].
    /// * `up_to_hz` - resonances up to here are kept one by one; 1.7 times the highest frequency of interest is enough
    pub fn new(room: &Room, up_to_hz: f64) -> Option<Self> {
        let reach_hz = 3.0 * up_to_hz;
        let plan = PlanWaves::of(room, TAU * up_to_hz / SPEED_OF_SOUND_M_PER_S)?;
        // In a hall the waves over the floor end lower, and single waves higher up would stand for nothing.
        let up_to_hz = up_to_hz.min(plan.reach_per_m * SPEED_OF_SOUND_M_PER_S / TAU);
        let height_m = room.height_m.unwrap_or(USUAL_HEIGHT_M);
        let walls = Walls::of(room);
        let (mut resonances, mut stiff) = (Vec::new(), Vec::new());
        for (index, wave) in plan.waves.iter().enumerate() {
            for vertical in 0..=MOST_VERTICAL {
                let square_per_m2 = wave.square_per_m2() + (PI * f64::from(vertical) / height_m).powi(2);
                let frequency_hz = square_per_m2.sqrt() * SPEED_OF_SOUND_M_PER_S / TAU;
                if frequency_hz <= up_to_hz {
                    let plan_half_waves = wave.half_waves;
                    let kind = kind(plan_half_waves, index, vertical);
                    let damping_per_s = walls.damping_per_s(wave, vertical, height_m);
                    resonances.push(Resonance {
                        frequency_hz,
                        damping_per_s,
                        kind,
                        plan_half_waves,
                        vertical,
                        plan: index,
                    });
                } else if frequency_hz <= reach_hz {
                    stiff.push(Stiff { plan: index, vertical, square_per_m2 });
                }
            }
        }
        resonances.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
        let mut field = Self { plan, height_m, resonances, stiff, ports: Vec::new() };
        field.ports = field.ports_of(room);
        Some(field)
    }

    fn ports_of(&self, room: &Room) -> Vec<Port> {
        let port = |(index, opening)| {
            let high_m = port::height_m(opening, self.height_m);
            let worth = |plan: usize, vertical| {
                self.plan.waves[plan].at_openings[index] * port::mean_over_height(vertical, high_m, self.height_m)
            };
            Port {
                worth: Worth {
                    resonant: self.resonances.iter().map(|r| worth(r.plan, r.vertical)).collect(),
                    stiff: self.stiff.iter().map(|s| worth(s.plan, s.vertical)).collect(),
                },
                area_m2: port::area_m2(opening, self.height_m),
                load: Load::USUAL,
            }
        };
        let mut ports: Vec<Port> = room.fittings.openings.iter().enumerate().map(port).collect();
        ports.sort_by(|a, b| b.area_m2.total_cmp(&a.area_m2));
        ports.truncate(MOST_PORTS);
        ports
    }

    /// Floor area times height.
    pub fn volume_m3(&self) -> f64 {
        self.plan.area_m2 * self.height_m
    }

    /// The standing waves, lowest first; the first is the even pressure at 0 Hz.
    pub fn resonances(&self) -> &[Resonance] {
        &self.resonances
    }

    /// The same room with every wave decaying by 60 dB in `reverberation_s`.
    pub fn evenly_damped(mut self, reverberation_s: f64) -> Self {
        for resonance in &mut self.resonances {
            resonance.damping_per_s = damping_per_s(reverberation_s);
        }
        self
    }

    /// The decay time over the bass, from the mean damping of the waves between 20 and 200 Hz.
    pub fn reverberation_s(&self) -> f64 {
        let heard: Vec<f64> =
            self.resonances.iter().filter(|r| r.frequency_hz > 20.0).map(|r| r.damping_per_s).collect();
        let mean = if heard.is_empty() {
            self.resonances[0].damping_per_s
        } else {
            heard.iter().sum::<f64>() / heard.len() as f64
        };
        damping_per_s(mean)
    }

    /// Above this frequency single standing waves no longer explain what is heard ([`modes::schroeder_hz`]).
    pub fn schroeder_hz(&self) -> f64 {
        modes::schroeder_hz(self.reverberation_s(), self.volume_m3())
    }

    /// What the resonances alone are worth at a place.
    pub(in crate::room) fn resonant_at(&self, place_m: [f64; 3]) -> Vec<f64> {
        let (plan, height) = self.plan_and_height(place_m);
        self.resonances.iter().map(|r| plan[r.plan] * height[r.vertical as usize]).collect()
    }

    fn plan_and_height(&self, place_m: [f64; 3]) -> (Vec<f64>, Vec<f64>) {
        let z_m = place_m[2].clamp(0.0, self.height_m);
        let height = (0..=MOST_VERTICAL).map(|n| cosine(n, z_m, self.height_m)).collect();
        (self.plan.at([place_m[0], place_m[1]]), height)
    }

    pub(in crate::room) fn worth_at(&self, place_m: [f64; 3]) -> Worth {
        let (plan, height) = self.plan_and_height(place_m);
        Worth {
            resonant: self.resonances.iter().map(|r| plan[r.plan] * height[r.vertical as usize]).collect(),
            stiff: self.stiff.iter().map(|s| plan[s.plan] * height[s.vertical as usize]).collect(),
        }
    }

    /// Sound pressure at one place from a source at another, for e^{+jωt}, scaled so that a free field at 1 m from the
    /// source has the magnitude 1 at every frequency (a flat source: constant volume acceleration).
    ///
    /// p = 4π/V Σ ψψ₀/(k_n² - k²), k = (ω - jδ_n)/c. Source: Kuttruff, *Room Acoustics*, chapter 3.
    pub fn pressure(&self, source_m: [f64; 3], receiver_m: [f64; 3], frequencies_hz: &[f64]) -> Vec<Complex64> {
        let (source, receiver) = (self.worth_at(source_m), self.worth_at(receiver_m));
        let at = |frequency_hz: &f64| {
            let answers = self.answers(*frequency_hz);
            let taken = self.taken(&receiver, &answers, *frequency_hz);
            let mut pressure = self.closed(&source, &receiver, &answers);
            for (port, taken) in self.ports.iter().zip(taken) {
                pressure -= self.closed(&source, &port.worth, &answers) * taken;
            }
            pressure
        };
        frequencies_hz.iter().map(at).collect()
    }

    /// What every wave answers at a frequency: the resonances, then the stiff ones; scaled as [`RoomField::pressure`].
    fn answers(&self, frequency_hz: f64) -> (Vec<Complex64>, Vec<f64>) {
        let scale = 4.0 * PI / self.volume_m3();
        let square = (TAU * frequency_hz / SPEED_OF_SOUND_M_PER_S).powi(2);
        let resonant = self.resonances.iter().map(|resonance| scale * resonance.answer_m2(frequency_hz));
        let stiff = self.stiff.iter().map(|wave| scale / (wave.square_per_m2 - square));
        (resonant.collect(), stiff.collect())
    }

    /// Pressure as if all openings were shut.
    fn closed(&self, source: &Worth, receiver: &Worth, (resonant, stiff): &(Vec<Complex64>, Vec<f64>)) -> Complex64 {
        let worths = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).collect::<Vec<f64>>();
        let both = worths(&source.resonant, &receiver.resonant);
        let slow: f64 =
            worths(&source.stiff, &receiver.stiff).iter().zip(stiff).map(|(worth, answer)| worth * answer).sum();
        both.iter().zip(resonant).map(|(worth, answer)| worth * answer).sum::<Complex64>() + slow
    }

    /// By how much each opening's field is taken off what is heard at a place; see [`port::taken`].
    pub(in crate::room) fn taken_at(&self, receiver: &Worth, frequency_hz: f64) -> Vec<Complex64> {
        if self.ports.is_empty() { Vec::new() } else { self.taken(receiver, &self.answers(frequency_hz), frequency_hz) }
    }

    fn taken(&self, receiver: &Worth, answers: &(Vec<Complex64>, Vec<f64>), frequency_hz: f64) -> Vec<Complex64> {
        let loads: Vec<(f64, Load)> = self.ports.iter().map(|port| (port.area_m2, port.load)).collect();
        let pairs = self.ports.iter().flat_map(|a| self.ports.iter().map(move |b| (a, b)));
        let mut between: Vec<Complex64> = pairs.map(|(a, b)| self.closed(&a.worth, &b.worth, answers)).collect();
        let mut heard: Vec<Complex64> =
            self.ports.iter().map(|port| self.closed(&port.worth, receiver, answers)).collect();
        port::taken(&loads, frequency_hz, &mut between, &mut heard);
        heard
    }

    /// Level at the receiver, dB, averaged in power over a band around each frequency; 0 dB is a free field at 1 m.
    /// * `half_width_octaves` - half the width of the tone's band; 0 for a pure tone
    pub fn levels_db(
        &self,
        source_m: [f64; 3],
        receiver_m: [f64; 3],
        frequencies_hz: &[f64],
        half_width_octaves: f64,
    ) -> Vec<f64> {
        let offsets = band_offsets(half_width_octaves);
        let fine_hz: Vec<f64> = frequencies_hz.iter().flat_map(|f| offsets.iter().map(move |o| f * o.exp2())).collect();
        let pressure = self.pressure(source_m, receiver_m, &fine_hz);
        pressure.chunks(offsets.len()).map(power_mean_db).collect()
    }

    /// The first terms, in powers of k², of what the stiff waves add.
    pub(in crate::room) fn slow_part(&self, source: &Worth, receiver: &Worth) -> [f64; SLOW_TERMS] {
        let mut terms = [0.0; SLOW_TERMS];
        for (index, stiff) in self.stiff.iter().enumerate() {
            let inverse = 1.0 / stiff.square_per_m2;
            let mut part = source.stiff[index] * receiver.stiff[index] * inverse;
            for term in &mut terms {
                *term += part;
                part *= inverse;
            }
        }
        terms
    }
}

impl Resonance {
    /// 1/(k_n² - k²), m².
    pub(in crate::room) fn answer_m2(&self, frequency_hz: f64) -> Complex64 {
        let wavenumber = Complex64::new(TAU * frequency_hz, -self.damping_per_s) / SPEED_OF_SOUND_M_PER_S;
        let own_per_m = TAU * self.frequency_hz / SPEED_OF_SOUND_M_PER_S;
        1.0 / (own_per_m * own_per_m - wavenumber * wavenumber)
    }
}

/// What the stiff waves add at a frequency, from [`RoomField::slow_part`].
pub(in crate::room) fn slow_at(terms: [f64; SLOW_TERMS], frequency_hz: f64) -> f64 {
    let square = (TAU * frequency_hz / SPEED_OF_SOUND_M_PER_S).powi(2);
    terms.iter().rev().fold(0.0, |sum, term| sum * square + term)
}

/// Where a band is sampled, in octaves from its middle.
pub(in crate::room) fn band_offsets(half_width_octaves: f64) -> Vec<f64> {
    if half_width_octaves <= 0.0 {
        return vec![0.0];
    }
    const POINTS: usize = 5;
    (0..POINTS).map(|i| half_width_octaves * ((2 * i + 1) as f64 / POINTS as f64 - 1.0)).collect()
}

fn power_mean_db(pressure: &[Complex64]) -> f64 {
    let mean = pressure.iter().map(Complex64::norm_sqr).sum::<f64>() / pressure.len() as f64;
    10.0 * mean.max(1e-30).log10()
}

fn kind(plan_half_waves: Option<[u32; 2]>, plan: usize, vertical: u32) -> ModeKind {
    match plan_half_waves {
        Some([x, y]) => modes::kind_of([x, y, vertical]),
        None if plan == 0 => ModeKind::Axial,
        None if vertical == 0 => ModeKind::Plan,
        None => ModeKind::PlanAndHeight,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::room::green::DampedBox;
    use crate::room::plan::Floor;

    fn house_room() -> Room {
        let floor = Some(Floor::Rectangle { length_m: 5.0, width_m: 4.0 });
        Room { name: "house".into(), floor, height_m: Some(2.5), ..Room::default() }
    }

    #[test]
    fn modal_sum_agrees_with_the_exact_field_where_damping_is_even() {
        let exact = DampedBox { size_m: [5.0, 4.0, 2.5], speed_m_per_s: SPEED_OF_SOUND_M_PER_S, damping_per_s: 20.0 };
        let field = RoomField::new(&house_room(), 250.0).unwrap().evenly_damped(damping_per_s(20.0));
        let (source_m, receiver_m) = ([1.0, 0.7, 0.5], [3.2, 2.9, 1.2]);
        for frequency_hz in [20.0, 34.3, 50.0, 63.0, 80.0, 100.0, 120.0] {
            let modal = field.pressure(source_m, receiver_m, &[frequency_hz])[0];
            let green = exact.green_per_m(source_m, receiver_m, frequency_hz) * 4.0 * PI;
            // The sum stops at 750 Hz; what is left out is a few hundredths of the free field at 1 m.
            assert!((modal - green).norm() < 0.04, "{frequency_hz} Hz: {modal} {green}");
        }
    }

    #[test]
    fn source_and_receiver_may_be_swapped() {
        let field = RoomField::new(&house_room(), 200.0).unwrap();
        let (a, b) = ([1.0, 0.7, 0.5], [3.2, 2.9, 1.2]);
        let frequencies_hz = [27.0, 44.0, 91.0];
        for (there, back) in field.pressure(a, b, &frequencies_hz).iter().zip(field.pressure(b, a, &frequencies_hz)) {
            assert!((there - back).norm() < 1e-9 * there.norm());
        }
    }
}
