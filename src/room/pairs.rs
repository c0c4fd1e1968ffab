//! Two subwoofers: every pair of spots, with polarity and delay.

use serde::{Deserialize, Serialize};

use crate::room::draws::{SeatSpread, spread_band, spread_db};
use crate::room::ensemble::Ensemble;

/// How two subwoofers at two spots would do at a seat.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Pair {
    /// Positions in the room's list of spots.
    pub spots: [usize; 2],
    /// The second one's cone moves the other way.
    pub inverted: bool,
    /// By how much the second one is late.
    pub delay_ms: f64,
    /// Standard deviation over the frequencies, dB: the middle of what is believed.
    pub predicted_spread_db: f64,
    /// Four in five draws are between these.
    pub interval_db: [f64; 2],
    /// The same at each seat with a position, with this polarity and delay.
    #[serde(default)]
    pub seats: Vec<SeatSpread>,
    /// Mean level of the pair re one subwoofer at the first spot alone, dB: polarity and delay can cost most of the
    /// bass.
    pub gain_db: f64,
}

/// Delays that are tried, ms; longer ones are heard as an echo of the blow rather than as a blend (common practice).
const DELAYS_MS: [f64; 5] = [0.0, 2.5, 5.0, 7.5, 10.0];
/// A pair that is this much weaker than one subwoofer alone is no use, however even.
const WEAKEST_DB: f64 = -3.0;

/// Of more placed spots no pairs are tried: the time for all of them grows with the square of the spots.
pub const MOST_SPOTS_FOR_PAIRS: usize = 24;

/// For each pair of placed spots the polarity and delay that make it most even at a seat, most even pair first.
///
/// Both subwoofers play the same, equally loud. `None` where [`Ensemble::levels`] gives none; empty with fewer than two
/// placed spots, or more than [`MOST_SPOTS_FOR_PAIRS`]. A pair is left out if every setting is more than 3 dB weaker
/// than one subwoofer.
pub fn best_pairs(ensemble: &Ensemble, seat: usize, draws: usize, seed: u64) -> Option<Vec<Pair>> {
    let spots: Vec<usize> = ensemble.placed_spots().iter().map(|(spot, _)| *spot).collect();
    if spots.len() > MOST_SPOTS_FOR_PAIRS {
        return Some(Vec::new());
    }
    let settings: Vec<(bool, f64)> = [false, true]
        .iter()
        .flat_map(|inverted| DELAYS_MS.iter().map(move |delay_ms| (*inverted, *delay_ms)))
        .collect();
    let choices: Vec<(usize, usize)> =
        (0..spots.len()).flat_map(|a| (a + 1..spots.len()).map(move |b| (a, b))).collect();
    let turns = turns(ensemble.fine_hz().0, &settings);
    let count = ensemble.fine_hz().0.len();
    let mut tried = vec![(Vec::with_capacity(draws), 0.0); choices.len() * settings.len()];
    ensemble.each_draw(seat, draws, seed, |_, pressures| {
        let of_spot = |spot: usize| &pressures[spot * 2 * count..(spot + 1) * 2 * count];
        for (choice, (a, b)) in choices.iter().enumerate() {
            let alone = mean_db(&powers(of_spot(*a), None, ensemble.fine_hz().1));
            for (setting, turn) in turns.iter().enumerate() {
                let levels = powers(of_spot(*a), Some((of_spot(*b), turn)), ensemble.fine_hz().1);
                let mean = mean_db(&levels);
                let entry = &mut tried[choice * settings.len() + setting];
                entry.0.push(spread_db(&levels));
                entry.1 += (mean - alone) / draws as f64;
            }
        }
    })?;
    let mut pairs: Vec<Pair> = choices
        .iter()
        .zip(tried.chunks_mut(settings.len()))
        .filter_map(|((a, b), tried)| best_setting([spots[*a], spots[*b]], &settings, tried))
        .collect();
    pairs.sort_by(|a, b| a.predicted_spread_db.total_cmp(&b.predicted_spread_db));
    Some(pairs)
}

/// Notes in each pair how it does at a further seat.
/// * `name` - the seat's name
pub(in crate::room) fn hear_at(
    pairs: &mut [Pair],
    ensemble: &Ensemble,
    (seat, name): (usize, &str),
    draws: usize,
    seed: u64,
) -> Option<()> {
    let spots: Vec<usize> = ensemble.placed_spots().iter().map(|(spot, _)| *spot).collect();
    let count = ensemble.fine_hz().0.len();
    let settings: Vec<(bool, f64)> = pairs.iter().map(|pair| (pair.inverted, pair.delay_ms)).collect();
    let turns = turns(ensemble.fine_hz().0, &settings);
    let mut spreads = vec![Vec::with_capacity(draws); pairs.len()];
    ensemble.each_draw(seat, draws, seed, |_, pressures| {
        let of_spot = |spot: usize| {
            let at = spots.iter().position(|placed| *placed == spot).unwrap_or(0);
            &pressures[at * 2 * count..(at + 1) * 2 * count]
        };
        for ((pair, turn), spreads) in pairs.iter().zip(&turns).zip(&mut spreads) {
            let [a, b] = pair.spots.map(of_spot);
            let levels = powers(a, Some((b, turn)), ensemble.fine_hz().1);
            spreads.push(spread_db(&levels));
        }
    })?;
    for (pair, spreads) in pairs.iter_mut().zip(spreads) {
        pair.seats.extend(spread_band(spreads).map(|band| SeatSpread::new(name, band)));
    }
    Some(())
}

/// For each setting, what the second subwoofer's pressure is multiplied by: cosine and sine at each frequency.
fn turns(fine_hz: &[f64], settings: &[(bool, f64)]) -> Vec<Vec<[f32; 2]>> {
    let turn = |(inverted, delay_ms): &(bool, f64)| {
        let sign = if *inverted { -1.0 } else { 1.0 };
        let at = |frequency_hz: &f64| {
            let angle = -std::f64::consts::TAU * frequency_hz * delay_ms / 1000.0;
            [(sign * angle.cos()) as f32, (sign * angle.sin()) as f32]
        };
        fine_hz.iter().map(at).collect()
    };
    settings.iter().map(turn).collect()
}

/// Band levels of one subwoofer, or of two.
fn powers(first: &[f32], second: Option<(&[f32], &[[f32; 2]])>, band: usize) -> Vec<f64> {
    let count = first.len() / 2;
    let power = |at: usize| {
        let (mut re, mut im) = (first[at], first[count + at]);
        if let Some((pressure, turn)) = second {
            let [cosine, sine] = turn[at];
            re += pressure[at] * cosine - pressure[count + at] * sine;
            im += pressure[at] * sine + pressure[count + at] * cosine;
        }
        re * re + im * im
    };
    let level = |start: usize| {
        let sum: f32 = (start..start + band).map(power).sum();
        10.0 * (f64::from(sum) / band as f64).max(1e-12).log10()
    };
    (0..count).step_by(band).map(level).collect()
}

fn mean_db(levels_db: &[f64]) -> f64 {
    levels_db.iter().sum::<f64>() / levels_db.len() as f64
}

fn best_setting(spots: [usize; 2], settings: &[(bool, f64)], tried: &mut [(Vec<f64>, f64)]) -> Option<Pair> {
    let pair = |((inverted, delay_ms), (spreads, gain_db)): (&(bool, f64), &mut (Vec<f64>, f64))| {
        let band = spread_band(std::mem::take(spreads))?;
        Some(Pair {
            spots,
            inverted: *inverted,
            delay_ms: *delay_ms,
            predicted_spread_db: band.middle_db,
            interval_db: [band.low_db, band.high_db],
            seats: Vec::new(),
            gain_db: *gain_db,
        })
    };
    settings
        .iter()
        .zip(tried)
        .filter_map(pair)
        .filter(|pair| pair.gain_db >= WEAKEST_DB)
        .min_by(|a, b| a.predicted_spread_db.total_cmp(&b.predicted_spread_db))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::room::Room;
    use crate::room::ensemble::Doubt;

    const ROOM: &str = "size_m = [6.0, 4.0]\nheight_m = 2.5\n[[seat]]\nname = \"s\"\nat_m = [3.0, 2.0]\n\
        [[spot]]\nname = \"left\"\nat_m = [0.35, 2.0]\n[[spot]]\nname = \"right\"\nat_m = [5.65, 2.0]\n\
        [[spot]]\nname = \"corner\"\nat_m = [0.35, 0.35]\n";

    fn pairs() -> Vec<Pair> {
        let room = Room::from_toml("r", ROOM).unwrap();
        let notes_hz: Vec<f64> = (0..16).map(|n| 25.0 * (f64::from(n) * 0.15).exp2()).collect();
        best_pairs(&Ensemble::new(&room, &notes_hz, 1.0 / 12.0, Doubt::default()).unwrap(), 0, 8, 3).unwrap()
    }

    #[test]
    fn equal_pressures_add_6_db_in_phase_and_vanish_half_a_period_late() {
        let pressure = [0.6_f32, -0.3, 0.2, 0.5];
        let alone = powers(&pressure, None, 1);
        let turn = &turns(&[50.0, 50.0], &[(false, 0.0), (false, 10.0), (true, 10.0)]);
        let together = |setting: usize| powers(&pressure, Some((&pressure, &turn[setting])), 1);
        for (one, two) in alone.iter().zip(together(0)).chain(alone.iter().zip(together(2))) {
            assert!((two - one - 20.0 * 2.0_f64.log10()).abs() < 1e-4, "{one} {two}");
        }
        assert!(together(1).iter().all(|level_db| *level_db < -100.0));
    }

    #[test]
    fn every_pair_is_there_most_even_first() {
        let found = pairs();
        assert_eq!(found.len(), 3);
        assert!(found.windows(2).all(|two| two[0].predicted_spread_db <= two[1].predicted_spread_db));
        assert!(
            found
                .iter()
                .all(|p| p.interval_db[0] <= p.predicted_spread_db && p.predicted_spread_db <= p.interval_db[1])
        );
    }
}
