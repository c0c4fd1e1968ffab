//! The frame of every page that is written to a file, for a browser and for paper: what stands in its head, and what
//! the plainer pages share of their look. (The handset's page is served under rules of its own and brings its own
//! frame.)

use maud::{DOCTYPE, Markup, PreEscaped, html};

use crate::draw::Theme;

/// What stands in the head of a page. Nothing is fetched: style and pictures are inside.
#[derive(Debug, Clone, Copy)]
pub struct HtmlPage<'a> {
    /// In the browser's tab, and as the name of a printed file.
    pub title: &'a str,
    /// The whole style, as CSS.
    pub style: &'a str,
    /// Further things said about the page: name and content.
    pub metas: &'a [(&'a str, &'a str)],
}

impl HtmlPage<'_> {
    /// The page around its content, ready to be written.
    pub fn around(&self, body: &Markup) -> String {
        html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    @for (name, content) in self.metas { meta name=(name) content=(content); }
                    title { (self.title) }
                    style { (PreEscaped(self.style)) }
                }
                body { (body) }
            }
        }
        .into_string()
            + "\n"
    }
}

/// Type, colours and tables of a plain page on A4: `own` goes on from there.
/// The colours are the custom properties `--paper`, `--ink`, `--quiet`, `--grid` and `--shade`.
/// * `dark` - whether a screen that is set to dark shows it dark; pictures for print then need a light ground of their
///   own
pub fn plain_style(dark: bool, own: &str) -> String {
    let mut style = colours(&Theme::PRINT);
    if dark {
        style += &format!("@media screen and (prefers-color-scheme:dark){{{}}}", colours(&Theme::DARK));
    }
    style
        + "@page{size:A4;margin:14mm}\
           body{font-family:system-ui,sans-serif;font-variant-numeric:tabular-nums;color:var(--ink);background:var(--paper)}\
           table{border-collapse:collapse}th,td{text-align:left}tr{break-inside:avoid}"
        + own
}

fn colours(theme: &Theme) -> String {
    let Theme { paper, ink, quiet, grid, shade, .. } = theme;
    format!(":root{{--paper:{paper};--ink:{ink};--quiet:{quiet};--grid:{grid};--shade:{shade}}}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_title_is_text_and_a_style_is_not() {
        let page = HtmlPage { title: "a < b", style: "p>b{}", metas: &[("color-scheme", "light")] };
        let page = page.around(&html! { p { "here" } });
        assert!(page.starts_with("<!DOCTYPE html><html lang=\"en\"><head><meta charset=\"utf-8\">"), "{page}");
        assert!(
            page.contains("<meta name=\"color-scheme\" content=\"light\"><title>a &lt; b</title><style>p>b{}</style>")
        );
        assert!(page.ends_with("<body><p>here</p></body></html>\n"), "{page}");
    }

    #[test]
    fn only_a_page_that_may_be_dark_brings_the_dark_colours() {
        assert!(plain_style(true, "").contains(Theme::DARK.ink));
        assert!(!plain_style(false, "").contains(Theme::DARK.ink));
        assert!(plain_style(false, "h1{margin:0}").ends_with("h1{margin:0}"));
    }
}
