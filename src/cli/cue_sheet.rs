//! The cue sheet of a rendered note set: what each file holds, and room to write down what was heard.

use std::fmt::Write as _;

use maud::{DOCTYPE, PreEscaped, html};

/// One file.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Cue {
    pub file: String,
    pub frequency_hz: f64,
    pub note: String,
    pub level_dbfs: f64,
    pub seconds: f64,
    /// What is missing to equal loudness, in words.
    pub short: String,
}

/// The whole sheet.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct CueSheet {
    pub title: String,
    pub about: String,
    pub summary: String,
    pub cues: Vec<Cue>,
}

/// Empty columns to write into, one a spot.
const SPOTS: [&str; 6] = ["A", "B", "C", "D", "E", "F"];

const HOW: [&str; 4] = [
    "Start with the amplifier turned down. Play file 00 and turn up until it is comfortable at the seat; then leave the volume alone.",
    "Play all notes once without judging. Then play them again and write a number for each spot: -3 lost, -2 weak, -1 a little weak, 0 even, +1 a little strong, +2 strong, +3 booming.",
    "All notes are made to sound equally loud where nothing booms or is lost. A note that falls short is softer by itself: do not blame the spot.",
    "Stop at once if the driver rattles or strains.",
];

const STYLE: &str = "@page{size:A4;margin:14mm}body{font-family:system-ui,sans-serif;color:#1d2126;background:#fff;\
max-width:50rem;margin:1rem auto;padding:0 1rem;font-variant-numeric:tabular-nums}h1{font-size:1.3rem;margin:0 0 .2rem}\
ol{padding-left:1.2rem;font-size:.85rem}table{border-collapse:collapse;width:100%;font-size:.8rem}\
caption{text-align:left;font-size:.8rem;padding-bottom:.4rem;color:#5b646d}\
th,td{border:1px solid #d3d8dc;padding:.28rem .4rem;text-align:left}td.n{text-align:right;white-space:nowrap}\
td.spot,th.spot{width:1.9rem;text-align:center}tr{break-inside:avoid}thead{display:table-header-group}";

impl CueSheet {
    /// For a printer.
    pub fn html(&self) -> String {
        html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width";
                    title { "Cue sheet " (self.title) }
                    style { (PreEscaped(STYLE)) }
                }
                body {
                    h1 { "Cue sheet " (self.title) }
                    p { (self.about) }
                    ol { @for line in HOW { li { (line) } } }
                    table {
                        caption { (self.summary) }
                        thead { tr {
                            th { "File" } th { "Hz" } th { "Note" } th { "dBFS" } th { "Seconds" } th { "Falls short by" }
                            @for spot in SPOTS { th.spot { (spot) } }
                        } }
                        tbody { @for cue in &self.cues { tr {
                            td { (cue.file) }
                            td.n { (format!("{:.1}", cue.frequency_hz)) }
                            td { (cue.note) }
                            td.n { (format!("{:.1}", cue.level_dbfs).replace('-', "\u{2212}")) }
                            td.n { (format!("{:.1}", cue.seconds)) }
                            td { (cue.short) }
                            @for _ in SPOTS { td.spot {} }
                        } } }
                    }
                }
            }
        }
        .into_string()
    }

    /// For a screen, or a printer without a browser.
    pub fn text(&self) -> String {
        let mut text = format!("Cue sheet {}\n{}\n{}\n\n", self.title, self.about, self.summary);
        for (line, number) in HOW.iter().zip(1..) {
            let _ = writeln!(text, "{number}. {line}");
        }
        let wide = self.cues.iter().map(|cue| cue.file.len()).max().unwrap_or(4);
        let _ =
            writeln!(text, "\n{:<wide$} {:>6} {:<14} {:>6} {:>6}  falls short by", "file", "Hz", "note", "dBFS", "s");
        for cue in &self.cues {
            let Cue { file, frequency_hz, note, level_dbfs, seconds, short } = cue;
            let _ = writeln!(
                text,
                "{file:<wide$} {frequency_hz:>6.1} {note:<14} {level_dbfs:>6.1} {seconds:>6.1}  {short}"
            );
        }
        text
    }
}
