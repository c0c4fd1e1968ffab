//! A signal as a picture: its spectrum on the left, its level over time on the right.

use maud::{Markup, html};

use crate::draw::svg::{Anchor, LABEL, SMALL, line, path, picture, text};
use crate::draw::theme::Theme;

/// What is drawn.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SignalPicture {
    /// What a screen reader says.
    pub title: String,
    /// Frequency in hertz, ascending, and level in dB below the strongest.
    pub spectrum: Vec<[f64; 2]>,
    /// Time in seconds, ascending, and level in dB.
    pub level: Vec<[f64; 2]>,
}

/// How far down both axes go, dB.
const SPECTRUM_DB: f64 = 80.0;
const LEVEL_DB: f64 = 40.0;
const HERTZ: [f64; 7] = [10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0];
const HEIGHT: f64 = 190.0;
const WIDTH: f64 = 640.0;
const TOP: f64 = 28.0;
const BOTTOM: f64 = HEIGHT - 26.0;

/// One of both.
struct Panel {
    left: f64,
    right: f64,
    /// dB at the upper edge, and how many lie below.
    top_db: f64,
    span_db: f64,
}

impl Panel {
    fn x(&self, share: f64) -> f64 {
        self.left + share.clamp(0.0, 1.0) * (self.right - self.left)
    }

    fn y(&self, level_db: f64) -> f64 {
        let shown = level_db.clamp(self.top_db - self.span_db, self.top_db);
        TOP + (self.top_db - shown) / self.span_db * (BOTTOM - TOP)
    }
}

/// The picture as SVG.
pub fn svg(signal: &SignalPicture, theme: &Theme) -> String {
    let ends = [HERTZ[0], HERTZ[HERTZ.len() - 1]];
    let share_of_hz = |hz: f64| (hz / ends[0]).ln() / (ends[1] / ends[0]).ln();
    let spectrum = Panel { left: 40.0, right: WIDTH / 2.0 - 12.0, top_db: 0.0, span_db: SPECTRUM_DB };
    let highest = signal.level.iter().map(|point| point[1]).fold(f64::NEG_INFINITY, f64::max);
    let top_db = if highest.is_finite() { (highest / 10.0).ceil() * 10.0 } else { 0.0 };
    let level = Panel { left: WIDTH / 2.0 + 40.0, right: WIDTH - 12.0, top_db, span_db: LEVEL_DB };
    let seconds = signal.level.last().map_or(1.0, |point| point[0]).max(1e-3);
    let hertz = HERTZ.map(|hz| (share_of_hz(hz), format!("{hz:.0}")));
    let times = times(seconds).map(|time| (time / seconds, format!("{time}")));
    let content = html! {
        (axes(&spectrum, 20.0, "Spectrum, dB below the strongest", "Hz", &hertz, theme))
        (axes(&level, 10.0, "Level (125 ms), dBFS", "s", &times.collect::<Vec<_>>(), theme))
        (curve(&spectrum, signal.spectrum.iter().map(|[hz, db]| [share_of_hz(*hz), *db]), theme))
        (curve(&level, signal.level.iter().map(|[time, db]| [time / seconds, *db]), theme))
    };
    picture(WIDTH, HEIGHT, &signal.title, theme, &content)
}

/// Four to eight round times up to the end.
fn times(seconds: f64) -> impl Iterator<Item = f64> {
    let rough = seconds / 8.0;
    let decade = 10_f64.powf(rough.log10().floor());
    let step =
        [1.0, 2.0, 5.0, 10.0].map(|step| step * decade).into_iter().find(|step| *step >= rough).unwrap_or(decade);
    (0..=8).map(move |n| (f64::from(n) * step * 1e6).round() / 1e6).filter(move |time| *time <= seconds * 1.000_001)
}

fn axes(panel: &Panel, step_db: f64, title: &str, unit: &str, marks: &[(f64, String)], theme: &Theme) -> Markup {
    let steps = (panel.span_db / step_db).round() as i32;
    html! {
        (text([panel.left, TOP - 12.0], Anchor::Start, LABEL, theme.ink, true, title))
        @for n in 0..=steps {
            @let level_db = panel.top_db - f64::from(n) * step_db;
            @let words = format!("{level_db:.0}").replace('-', "\u{2212}");
            (line([panel.left, panel.y(level_db)], [panel.right, panel.y(level_db)], theme.grid, 0.6))
            (text([panel.left - 5.0, panel.y(level_db) + 3.2], Anchor::End, SMALL, theme.quiet, false, &words))
        }
        @for (index, (share, words)) in marks.iter().enumerate() {
            // The unit stands with the last figure, where nothing is beside it.
            @let words = if index + 1 == marks.len() { format!("{words} {unit}") } else { words.clone() };
            (line([panel.x(*share), TOP], [panel.x(*share), BOTTOM + 3.0], theme.grid, 0.6))
            (text([panel.x(*share), BOTTOM + 13.0], Anchor::Middle, SMALL, theme.quiet, false, &words))
        }
    }
}

fn curve(panel: &Panel, points: impl Iterator<Item = [f64; 2]>, theme: &Theme) -> Markup {
    let points: Vec<[f64; 2]> =
        points.map(|[share, db]| [panel.x(share), panel.y(db)].map(|place| (place * 10.0).round() / 10.0)).collect();
    html! { path d=(path(&points, false)) fill="none" stroke=(theme.weak) stroke-width="1.2" stroke-linejoin="round" {} }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_strongest_line_touches_the_upper_edge_and_what_is_too_weak_lies_on_the_lower() {
        let signal = SignalPicture {
            title: "a tone".into(),
            spectrum: vec![[20.0, -300.0], [50.0, 0.0], [100.0, -40.0]],
            level: vec![[0.0, -23.0], [10.0, -23.0]],
        };
        let drawn = svg(&signal, &Theme::PRINT);
        assert!(drawn.contains("<title>a tone</title>"));
        // 80 dB over 136 units: -40 dB in the middle of 28 and 164.
        assert!(drawn.contains(" 164L") && drawn.contains(" 28L") && drawn.contains(" 96\""), "{drawn}");
        assert!(!drawn.contains("NaN") && !drawn.contains("inf"));
        assert!(drawn.contains(">1000 Hz</text>") && drawn.contains(">10 s</text>") && drawn.contains(">10</text>"));
        assert_eq!(times(10.0).collect::<Vec<_>>(), [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]);
        assert_eq!(times(0.5).last(), Some(0.5));
    }
}
