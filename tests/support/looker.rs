//! Looks at every screen of the phone page: its accessibility, contrast, targets and width, at several sizes in both
//! colour schemes and in large text. With HANDSET_PICTURES set to a folder each is kept there as a picture.

use std::path::{Path, PathBuf};

use serde_json::json;

use crate::support::browser::{Looks, Phone};

/// The sizes that are looked at: the narrowest phone, a usual one, the same sideways, and the desk view.
const SIZES: [(u32, u32); 4] = [(320, 640), (390, 844), (844, 390), (1280, 800)];

/// Looks for text whose contrast axe cannot tell is left to the eye; these are the rules of WCAG 2.2, A and AA.
const AXE_OPTIONS: &str = r#"{ runOnly: { type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"] },
    rules: { "target-size": { enabled: true } }, resultTypes: ["violations"] }"#;

/// axe-core as npm brings it, at the version and hash of `tests/browser/package-lock.json`.
fn axe() -> String {
    // Beside this test program: target/debug/deps/… leads to target.
    let program = std::env::current_exe().expect("a test program has a path");
    let target = program.ancestors().find(|folder| folder.join("browser/node_modules").is_dir());
    let file = target.unwrap_or(Path::new("target")).join("browser/node_modules/axe-core/axe.min.js");
    std::fs::read_to_string(&file)
        .unwrap_or_else(|error| panic!("{}: {error}; `sh .ci/packages test` fetches it", file.display()))
}

/// One screen, looked at in every size and scheme.
pub struct Looker {
    axe: String,
    pictures: Option<PathBuf>,
    /// Every size and scheme, or the narrowest in light and the lowest in dark alone.
    all: bool,
    /// What was wrong so far.
    pub wrong: Vec<String>,
}

impl Looker {
    pub fn new() -> Self {
        let pictures = std::env::var_os("HANDSET_PICTURES").map(PathBuf::from);
        Self { axe: axe(), pictures, all: true, wrong: Vec::new() }
    }

    /// One that looks at the narrowest and the lowest size alone, unless pictures are kept.
    pub fn brief() -> Self {
        Self { all: false, ..Self::new() }
    }

    pub fn look(&mut self, phone: &Phone, screen: &str) {
        for (width, height) in SIZES {
            for dark in [true, false] {
                let is_worst = (width, dark) == (320, false) || (height, dark) == (390, true);
                if !self.all && self.pictures.is_none() && !is_worst {
                    continue;
                }
                phone.looks(Looks { width, height, dark });
                let scheme = if dark { "dark" } else { "light" };
                let here = format!("{screen} at {width} in {scheme}");
                // Two frames, so that what depends on the size has been drawn.
                phone.ask("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))");
                if let Some(folder) = &self.pictures {
                    phone.picture(&folder.join(format!("{screen}-{width}-{scheme}.png")));
                }
                self.measure(phone, &here);
                // A scheme changes contrast alone: that is looked at on one phone and on the desk.
                if dark || !self.all || width == 390 || width == 1280 {
                    self.violations(phone, &here);
                }
            }
        }
        self.look_large(phone, screen);
        phone.looks(Looks { width: 390, height: 844, dark: true });
        let errors = phone.errors();
        assert!(errors.is_empty(), "{screen}: {errors:#?}");
    }

    /// Text twice as large as usual, as a phone can be set to.
    fn look_large(&mut self, phone: &Phone, screen: &str) {
        let font_sizes = |standard: u32| json!({ "fontSizes": { "standard": standard, "fixed": standard } });
        phone.call("Page.setFontSizes", font_sizes(32));
        for (width, height) in [(320, 640), (390, 844)] {
            phone.looks(Looks { width, height, dark: true });
            phone.ask("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))");
            let size = phone.ask("getComputedStyle(document.documentElement).fontSize");
            assert_eq!(size, json!("32px"), "otherwise this looks at nothing");
            if let Some(folder) = &self.pictures {
                phone.picture(&folder.join(format!("{screen}-{width}-large.png")));
            }
            self.measure(phone, &format!("{screen} at {width} in large text"));
        }
        phone.call("Page.setFontSizes", font_sizes(16));
    }

    /// What axe does not measure: our own stricter bounds.
    fn measure(&mut self, phone: &Phone, here: &str) {
        let found = phone.ask(
            "(() => { const wrong = []; const page = document.documentElement;
               if (page.scrollWidth > innerWidth) wrong.push(`it is ${page.scrollWidth} wide`);
               for (const target of document.querySelectorAll('button, input')) {
                 const box = target.getBoundingClientRect();
                 if (box.width && (box.width < 48 || box.height < 48))
                   wrong.push(`${target.textContent || target.id} is ${box.width} x ${box.height}`);
                 if (target.scrollWidth > target.clientWidth + 1) wrong.push(`${target.textContent} is cut off`);
               }
               const stop = document.getElementById('stop'), all = [...document.querySelectorAll('#tools button')];
               if (stop) {
                 const box = stop.getBoundingClientRect();
                 if (box.bottom > innerHeight + 1 || box.top < 0) wrong.push('stop is not on the screen');
                 const area = (b) => b.width * b.height;
                 for (const tool of all) if (area(tool.getBoundingClientRect()) > area(box)) wrong.push('a tool is larger than stop');
               }
               return wrong; })()",
        );
        let found = found.as_array().expect("a list").iter().map(|wrong| format!("{here}: {wrong}"));
        self.wrong.extend(found);
    }

    fn violations(&mut self, phone: &Phone, here: &str) {
        if phone.ask("typeof axe") != json!("object") {
            phone.ask(&format!("{}; 1", self.axe));
        }
        let found = phone.ask(&format!(
            "axe.run(document, {AXE_OPTIONS}).then((result) => result.violations.map((violation) => violation.id + ': ' + \
             violation.nodes.map((node) => node.html + ' ' + node.failureSummary).join('; ')))"
        ));
        let found = found.as_array().expect("a list").iter().map(|wrong| format!("{here}: {wrong}"));
        self.wrong.extend(found);
    }
}

/// Types what a question about a number would take, and has it taken.
pub fn take_number(phone: &Phone, question: &serde_json::Value) {
    let bound = |key: &str| question[key].as_f64().expect("a number");
    let typed = question["default"].as_f64().unwrap_or(bound("low").ceil().max(3.0).min(bound("high")));
    phone.ask(&format!(
        "(() => {{ const field = document.getElementById('typed'); field.value = '{typed}'; \
         field.dispatchEvent(new Event('input')); }})()"
    ));
    phone.tap("[data-k=take]");
}
