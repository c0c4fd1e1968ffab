//! Numbers that are typed, and what is said of those that cannot be asked for.

/// Up to which level a phone may make it louder, dBFS.
pub(super) fn phone_level(text: &str) -> Result<f64, String> {
    in_range(text, -60.0, -19.0, "dBFS")
}

/// How long a visit may listen, minutes.
pub(super) fn minutes(text: &str) -> Result<f64, String> {
    in_range(text, 1.0, 240.0, "minutes")
}

/// The loudness at which tones are taken to arrive, phon.
pub(super) fn phon(text: &str) -> Result<f64, String> {
    in_range(text, 20.0, 80.0, "phon")
}

/// A number between two others, both allowed.
pub(super) fn in_range(text: &str, low: f64, high: f64, unit: &str) -> Result<f64, String> {
    let number: f64 = text.parse().map_err(|_| format!("a number of {unit} was expected"))?;
    if (low..=high).contains(&number) { Ok(number) } else { Err(format!("{low} to {high} {unit} can be asked for")) }
}
