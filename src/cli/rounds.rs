//! The rounds of two listening checks, the same for `play` and `render`: which speaker is which channel, and whether a
//! main speaker's polarity is reversed.

use crate::cli::Failure;
use crate::engine::{Outputs, Polarity};
use crate::signal::Recipe;
use crate::signal::band_noise::{Noise, Spectrum};
use crate::signal::channel_check::{Round, RoundName};
use crate::signal::channels::{Channel, Order, Speaker, usual_layout};
use crate::signal::steady_noise::SteadyNoise;
use crate::units::GainDb;

/// How long each round sounds unless told otherwise, seconds.
pub(super) const ROUND_SECONDS: f64 = 3.0;
const IDENTIFY_HZ: f64 = 80.0;
/// Bass and a little more: what a wrong polarity takes away.
const WIRING_HZ: (f64, f64) = (40.0, 400.0);

/// Steady noise in a third of an octave.
pub(super) fn steady(frequency_hz: f64) -> Recipe {
    Recipe::SteadyNoise(SteadyNoise { frequency_hz, band: Default::default(), seed: 1 })
}

/// What tells the channels: a subwoofer and a small speaker both make it.
pub(super) fn identify_recipe() -> Recipe {
    steady(IDENTIFY_HZ)
}

/// What both main speakers play in the check of the wiring.
pub(super) fn wiring_recipe() -> Recipe {
    let (from_hz, to_hz) = WIRING_HZ;
    Recipe::Noise(Noise { spectrum: Spectrum::Pink, from_hz, to_hz, seed: 1 })
}

/// Left and right as a round has them, among so many channels in an order.
///
/// # Errors
/// There is no left or right among them.
pub(super) fn sides(round: Round, order: Order, there: u16) -> Result<Outputs, Failure> {
    let layout = usual_layout(order, there.into());
    let mut outputs = Outputs::NONE;
    for (speaker, factor) in [(Speaker::Left, round.left), (Speaker::Right, round.right)] {
        let place = Channel::Named(speaker).position(layout, there.into());
        let place = place.map_err(|missing| Failure::Usage(format!("wiring: {missing}.")))? as u16;
        let polarity = if factor < 0.0 { Polarity::Inverted } else { Polarity::Normal };
        if factor != 0.0 {
            outputs = outputs.and(place, GainDb::ZERO, polarity);
        }
    }
    Ok(outputs)
}

/// What sounds in a round, and what is to be heard.
pub(super) const fn words(round: RoundName) -> (&'static str, &'static str) {
    match round {
        RoundName::Same => ("the same from both", "it should stand in the middle, with full bass"),
        RoundName::Opposite => ("opposite from both", "it should have no place, and less bass"),
        RoundName::Left => ("left alone", "it should come from the left speaker and no other"),
        RoundName::Right => ("right alone", "it should come from the right speaker and no other"),
    }
}

/// The round as part of a file's name.
pub(super) const fn file_word(round: RoundName) -> &'static str {
    match round {
        RoundName::Same => "same",
        RoundName::Opposite => "opposite",
        RoundName::Left => "left",
        RoundName::Right => "right",
    }
}
