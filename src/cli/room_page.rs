//! The page of `evenbass room --pictures`: figures, pictures and words, for a phone and for paper.

use maud::{Markup, PreEscaped, html};

use crate::cli::room::{pair_setting, spread_in_words};
use crate::cli::room_pictures::Chapter;
use crate::html_page::{HtmlPage, plain_style};
use crate::room::study::Study;

/// More pairs than these are not read.
const MOST_PAIRS: usize = 5;
const STYLE: &str = "body{font-size:17px;line-height:1.45;margin:1.2em auto;max-width:46em;padding:0 .7em}\
h1{font-size:1.4em}h2{font-size:1.1em;margin:1.4em 0 .3em}p{max-width:38em;margin:.3em 0}div{display:flex;flex-wrap:wrap;gap:10px}\
figure{margin:0;break-inside:avoid}svg{max-width:100%;height:auto;display:block}h1,h2,p{break-after:avoid}\
table{font-size:.9em}th,td{vertical-align:top;padding:.25em .6em .25em 0;border-bottom:1px solid var(--grid)}\
@media screen and (prefers-color-scheme:dark){figure{background:#fff;border-radius:6px;padding:4px}}\
@media print{body{font-size:11pt;margin:0;padding:0;max-width:none}div{display:grid;grid-template-columns:1fr 1fr}svg{width:100%}}";

/// The page with everything on it.
pub fn page(study: &Study, chapters: &[Chapter]) -> String {
    let title = format!("{}: what the plan tells", study.name);
    let page = HtmlPage { title: &title, style: &plain_style(true, STYLE), metas: &[("color-scheme", "light dark")] };
    page.around(&html! {
        h1 { (title) }
        p {
            (format!("{:.1} m\u{b2}, {:.0} m\u{b3}. Above about {:.0} Hz single waves explain nothing (Schroeder \
                      frequency).",
                study.floor_m2, study.volume_m3, study.schroeder_hz))
        }
        @for (at, chapter) in chapters.iter().filter(|chapter| !chapter.pictures.is_empty()).enumerate() {
            h2 { (chapter.title) }
            p { (chapter.words) }
            div { @for picture in &chapter.pictures { figure { (PreEscaped(&picture.svg)) } } }
            @if at == 0 { (spots(study)) (pairs(study)) }
        }
        @if !study.causes.is_empty() {
            h2 { "What stands out at the main seat from the most even spot" }
            ul { @for cause in &study.causes { li { (cause.words) } } }
        }
        h2 { "Assumed" }
        ul { @for said in &study.assumptions { li { (said) } } }
    })
}

/// How even each spot is expected to be at each seat.
fn spots(study: &Study) -> Markup {
    let order = study.most_even_first();
    let seats = order.first().map_or(&[][..], |spot| &study.spots[*spot].seats);
    html! {
        @if !seats.is_empty() {
            h2 { "How even each spot is expected to be" }
            p { "Spread over the notes in dB, and where 8 in 10 lie, at each seat." }
            table {
                thead { tr { th { } th { "spot" } @for seat in seats { th { (seat.seat) } } } }
                tbody {
                    @for (rank, spot) in order.iter().map(|spot| &study.spots[*spot]).enumerate() {
                        tr {
                            td { (rank + 1) }
                            td { (spot.name) }
                            @for seat in &spot.seats { td { (spread_in_words(seat)) } }
                        }
                    }
                }
            }
        }
    }
}

/// The best pairs for two subwoofers.
fn pairs(study: &Study) -> Markup {
    let name = |spot: usize| study.spots.get(spot).map_or("?", |spot| spot.name.as_str());
    html! {
        @if !study.pairs.is_empty() {
            h2 { "Two subwoofers" }
            p { "The most even pairs at the main seat, both playing the same; spreads as above, seat by seat." }
            ol {
                @for pair in study.pairs.iter().take(MOST_PAIRS) {
                    li {
                        (name(pair.spots[0])) " and " (name(pair.spots[1])) ": "
                        (pair.seats.iter().map(spread_in_words).collect::<Vec<_>>().join(", "))
                        "; " (pair_setting(pair))
                    }
                }
            }
        }
    }
}
