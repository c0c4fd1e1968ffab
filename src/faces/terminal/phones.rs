//! The page about the handset: where it is served, the code to scan, who is paired.

use std::net::SocketAddr;

use qrcode::{Color as Module, EcLevel, QrCode};
use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyEventKind};
use ratatui::style::{Color, Style};
use ratatui::text::{Line, Span};

use crate::faces::handset::{self, Handset, Interface, MOST_PHONES, Wanted};
use crate::faces::terminal::Look;
use crate::faces::terminal::asks::choice_line;
use crate::faces::terminal::styles::Styles;
use crate::faces::words;

/// Light modules around the code. Readers are content with two (the standard asks for four), and the screen has no more
/// room.
const MARGIN_MODULES: i32 = 2;
/// Columns beside the code.
const BESIDE: usize = 34;
/// Addresses that can be chosen.
const CHOICES: usize = 8;

/// The page about the handset, and whether it is open.
pub struct PhonePanel {
    handset: Handset,
    open: bool,
    choices: Vec<Interface>,
    /// It is there because of what was typed to begin with; any key goes on from it.
    greets: bool,
    /// What went wrong with the last key, or what it did.
    said: Option<String>,
}

impl PhonePanel {
    /// Closed, unless somebody has `asked` for a handset to begin with, and has yet to say where, or to scan the code.
    pub fn new(handset: Handset, asked: bool) -> Self {
        let mut panel = Self { handset, open: false, choices: Vec::new(), greets: false, said: None };
        if asked && (panel.handset.address().is_none() || panel.handset.phones().is_empty()) {
            panel.toggle();
            panel.greets = true;
        }
        panel
    }

    /// Whether it covers the page.
    pub(super) fn is_open(&self) -> bool {
        self.open
    }

    /// What the key `h` leads to, in a word or two.
    pub(super) fn hint(&self) -> String {
        match self.handset.phones().iter().filter(|phone| phone.in_touch).count() {
            0 => "phone".into(),
            1 => "1 phone here".into(),
            many => format!("{many} phones here"),
        }
    }

    /// Opens it or closes it.
    pub(super) fn toggle(&mut self) {
        self.open = !self.open;
        self.greets = false;
        self.said = None;
        if self.open {
            self.choices = handset::interfaces();
            self.choices.truncate(CHOICES);
        }
    }

    /// A key while it is open; those that stop are not among them.
    pub(super) fn press(&mut self, key: &KeyEvent) {
        if key.kind == KeyEventKind::Release {
            return;
        }
        let is_code_seen = self.greets && self.handset.address().is_some();
        match key.code {
            KeyCode::Char('h') | KeyCode::Enter => self.toggle(),
            _ if is_code_seen && self.handset.phones().is_empty() => self.toggle(),
            KeyCode::Char(digit @ '1'..='9') => {
                let number = digit as u16 - '0' as u16;
                match self.handset.address() {
                    None => self.choose(usize::from(number) - 1),
                    Some(_) => self.remove(number),
                }
            }
            _ => {}
        }
    }

    fn choose(&mut self, position: usize) {
        let Some(interface) = self.choices.get(position) else { return };
        let wanted = Wanted { ip: Some(interface.ip), port: None };
        // A phone that is paired looks for the page where it was.
        let served = handset::listen(wanted, self.handset.address_before()).and_then(|mut listening| {
            let notice = listening.notice.take();
            self.handset.serve(listening).map(|_| notice)
        });
        self.said = served.unwrap_or_else(|error| Some(error.to_string()));
    }

    fn remove(&mut self, number: u16) {
        self.said = match self.handset.remove(number) {
            Ok(true) => Some(format!("Phone {number} was removed; its page is closed.")),
            Ok(false) => None,
            Err(error) => Some(format!("Phone {number} was removed, but its file cannot be written: {error}")),
        };
    }

    /// The lines of the page, from its third row on.
    pub(super) fn lines<'a>(&self, look: Look, styles: Styles) -> Vec<Line<'a>> {
        match self.handset.address() {
            None => self.choosing(styles),
            Some(address) => self.served(address, look, styles),
        }
    }

    fn choosing<'a>(&self, styles: Styles) -> Vec<Line<'a>> {
        let mut lines = vec![
            Line::styled("On which network is the phone?", styles.strong),
            Line::styled("The page is served there and nowhere else, until the visit is left.", styles.quiet),
            Line::default(),
        ];
        for (interface, number) in self.choices.iter().zip(1..) {
            lines.push(choice_line(&number.to_string(), &interface.to_string(), styles));
        }
        lines.push(choice_line("h", "back, without a phone", styles));
        if let Some(said) = no_network(&self.choices) {
            lines.push(Line::default());
            lines.extend(words::wrapped(said, 70).into_iter().map(|line| Line::styled(line, styles.strong)));
        }
        if let Some(said) = &self.said {
            lines.push(Line::default());
            lines.extend(words::wrapped(said, 70).into_iter().map(|line| Line::styled(line, styles.strong)));
        }
        lines
    }

    fn served<'a>(&self, address: SocketAddr, look: Look, styles: Styles) -> Vec<Line<'a>> {
        let invitation = self.handset.invitation();
        // A phone that scanned an address of this machine alone would look for the page in itself.
        let can_scan = !look.ascii && !address.ip().is_loopback();
        // Without a secret it leads those who are paired back to the page.
        let page = format!("http://{address}/");
        let text = invitation.as_deref().unwrap_or(&page);
        let code = if can_scan { code(text, look) } else { Vec::new() };
        let beside = self.beside(address, invitation.as_deref(), code.is_empty(), styles);
        if code.is_empty() {
            return beside;
        }
        let mut beside = beside.into_iter();
        let mut lines: Vec<Line<'a>> = code
            .into_iter()
            .map(|mut line| {
                line.spans.push(Span::raw("  "));
                line.spans.extend(beside.next().unwrap_or_default().spans);
                line
            })
            .collect();
        lines.extend(beside);
        lines
    }

    fn beside<'a>(&self, address: SocketAddr, invitation: Option<&str>, alone: bool, styles: Styles) -> Vec<Line<'a>> {
        let wide = if alone { 70 } else { BESIDE };
        let mut lines = Vec::new();
        let mut say = |text: &str, style: Style| {
            lines.extend(words::wrapped(text, wide).into_iter().map(|line| Line::from(Span::styled(line, style))));
        };
        match invitation {
            Some(invitation) => {
                if address.ip().is_loopback() {
                    say("Only this machine's own browser can show the page. Type there", styles.strong);
                } else {
                    say("Scan this with the phone, or type", styles.strong);
                }
                let (page, secret) = invitation.split_once('#').unwrap_or((invitation, ""));
                say(page, Style::new());
                say(&format!("#{secret}"), Style::new());
                say("It pairs one phone; the next gets a code of its own.", styles.quiet);
            }
            None => {
                say(
                    &format!("{MOST_PHONES} phones are paired, as many as may be. Remove one for another."),
                    styles.strong,
                );
                say("They find the page at", Style::new());
                say(&format!("http://{address}/"), Style::new());
            }
        }
        if address.ip().is_loopback() {
            say(
                "For a phone, join its network or open a hotspot, then leave the visit and resume it with --handset and the \
                 address that this machine has there.",
                styles.quiet,
            );
        }
        if !self.handset.is_reachable() {
            say("This machine has lost that address: no phone can reach it. Join the network again.", styles.strong);
        }
        say("", Style::new());
        let phones = self.handset.phones();
        for phone in &phones {
            let state = if phone.in_touch { "in touch" } else { "out of touch" };
            lines.push(Line::from(vec![
                Span::styled(phone.number.to_string(), styles.key),
                Span::raw(format!(" removes phone {}, {state}", phone.number)),
            ]));
        }
        let mut say = |text: &str, style: Style| {
            lines.extend(words::wrapped(text, wide).into_iter().map(|line| Line::from(Span::styled(line, style))));
        };
        if phones.is_empty() {
            say("No phone is paired.", styles.quiet);
        }
        if self.handset.strangers() > 0 {
            say(
                "A phone of another visit, or a removed one, asked for the page. It has to scan this code.",
                styles.quiet,
            );
        }
        if let Some(said) = &self.said {
            say(said, styles.strong);
        }
        lines.push(Line::default());
        let (key, leads_to) = match self.greets && phones.is_empty() {
            true => ("any key", " goes on to the visit"),
            false => ("h", " back to the visit"),
        };
        lines.push(Line::from(vec![Span::styled(key, styles.key), Span::raw(leads_to)]));
        lines
    }
}

/// What to do where no phone could reach any of the addresses.
fn no_network(choices: &[Interface]) -> Option<&'static str> {
    handset::on_no_network(choices).then_some(
        "This machine is on no network, so no phone can reach it. Join the phone's network or open a hotspot, then press \
         h twice.",
    )
}

/// The code in half blocks, two rows of modules a line; nothing if the text is too long for one.
fn code<'a>(text: &str, look: Look) -> Vec<Line<'a>> {
    let Ok(code) = QrCode::with_error_correction_level(text, EcLevel::L) else { return Vec::new() };
    let (width, modules) = (code.width() as i32, code.to_colors());
    let is_light = |x: i32, y: i32| {
        let inside = (0..width).contains(&x) && (0..width).contains(&y);
        !inside || modules[(y * width + x) as usize] == Module::Light
    };
    // Blocks are the light modules: right on a dark screen, and said in colours where there are any.
    let style = match look.colour {
        true => Style::new().fg(Color::Indexed(231)).bg(Color::Indexed(16)),
        false => Style::new(),
    };
    let range = -MARGIN_MODULES..width + MARGIN_MODULES;
    range
        .clone()
        .step_by(2)
        .map(|y| {
            let row: String = range
                .clone()
                .map(|x| match (is_light(x, y), is_light(x, y + 1) && y + 1 < range.end) {
                    (true, true) => '█',
                    (true, false) => '▀',
                    (false, true) => '▄',
                    (false, false) => ' ',
                })
                .collect();
            Line::from(Span::styled(row, style))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::faces::Wires;
    use crate::faces::handset::Store;
    use crate::units::Dbfs;
    use crate::view::FaceId;

    #[test]
    fn the_code_fits_beside_its_words_and_above_the_keys() {
        let look = Look { ascii: false, colour: true };
        let longest = "http://192.168.100.200:65535/#0123456789abcdefghjkmnpqrs";
        let lines = code(longest, look);
        assert!(lines.len() <= 19, "{} rows", lines.len());
        assert!(lines.iter().all(|line| line.width() <= 40), "{} columns", lines[0].width());
    }

    #[test]
    fn a_machine_without_a_network_says_so() {
        let at = |ip: &str| Interface { name: "x".into(), ip: ip.parse().unwrap() };
        assert!(no_network(&[at("127.0.0.1")]).unwrap().contains("hotspot"));
        assert_eq!(no_network(&[at("192.168.1.20"), at("127.0.0.1")]), None);
    }

    /// What the page says of a handset that is served at an address, which is not looked for on this machine.
    fn page_at(ip: &str) -> String {
        let handset = handset_of(Store::none());
        let mut listening = handset::listen("127.0.0.1".parse().unwrap(), None).unwrap();
        listening.address.set_ip(ip.parse().unwrap());
        handset.serve(listening).unwrap();
        let look = Look { ascii: false, colour: false };
        let lines = PhonePanel::new(handset.clone(), true).lines(look, Styles::of(look));
        handset.close();
        lines.iter().map(|line| format!("{line}\n")).collect()
    }

    #[test]
    fn a_code_is_shown_where_a_phone_that_scans_it_gets_somewhere() {
        // Reserved for documentation (RFC 5737).
        let page = page_at("192.0.2.1");
        assert!(
            page.contains("Scan this with the phone") && page.contains('▀') && page.contains("192.0.2.1"),
            "{page}"
        );
        let page = page_at("127.0.0.1");
        assert!(page.contains("Only this machine's own browser") && page.contains("http://127.0.0.1:"), "{page}");
        assert!(page.contains("open a hotspot") && !page.contains("Scan") && !page.contains('▀'), "{page}");
    }

    fn handset_of(store: Store) -> Handset {
        let (_views_in, views) = crossbeam_channel::unbounded();
        let (actions, _taken) = crossbeam_channel::unbounded();
        let wires = Wires { views, actions, face: FaceId(1) };
        Handset::new(wires, store, Dbfs::new(-30.0), Box::new(|_| ())).unwrap()
    }

    #[test]
    fn a_phone_that_was_paired_finds_the_page_where_it_was_when_the_address_is_chosen_again() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::of_visit(folder.path(), &folder.path().join("attic.visit.jsonl"));
        let first = handset_of(store.clone());
        let before = first.serve(handset::listen("127.0.0.1".parse().unwrap(), None).unwrap()).unwrap();
        first.close();
        let second = handset_of(store);
        let mut panel = PhonePanel::new(second.clone(), false);
        panel.toggle();
        panel.choices = vec![Interface { name: "lo".into(), ip: before.ip() }];
        panel.press(&KeyCode::Char('1').into());
        assert_eq!((second.address(), panel.said), (Some(before), None));
        second.close();
    }

    #[test]
    fn whoever_asked_for_a_handset_sees_the_code_first_and_goes_on_by_any_key() {
        let handset = handset_of(Store::none());
        handset.serve(handset::listen("127.0.0.1".parse().unwrap(), None).unwrap()).unwrap();
        assert!(!PhonePanel::new(handset.clone(), false).is_open(), "nobody asked");
        for code in [KeyCode::Char('4'), KeyCode::Char('x'), KeyCode::Enter, KeyCode::Char('h'), KeyCode::Down] {
            let mut panel = PhonePanel::new(handset.clone(), true);
            let look = Look { ascii: false, colour: false };
            let page: String = panel.lines(look, Styles::of(look)).iter().map(|line| format!("{line}\n")).collect();
            assert!(panel.is_open() && page.contains("any key goes on to the visit"), "{page}");
            panel.press(&code.into());
            assert!(!panel.is_open(), "{code}");
            panel.toggle();
            panel.press(&KeyCode::Char('x').into());
            assert!(panel.is_open(), "opened by h, it stays");
        }
        handset.close();
    }

    #[test]
    fn whose_phone_is_paired_already_begins_with_the_visit() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::of_visit(folder.path(), &folder.path().join("attic.visit.jsonl"));
        let first = handset_of(store.clone());
        first.serve(handset::listen("127.0.0.1".parse().unwrap(), None).unwrap()).unwrap();
        first.close();
        let kept = std::fs::read_dir(folder.path().join("handset")).unwrap().next().unwrap().unwrap().path();
        let text = std::fs::read_to_string(&kept).unwrap();
        let mut file: serde_json::Value = serde_json::from_str(&text).unwrap();
        file["phones"] = serde_json::json!([{ "number": 1, "cookie_hash": "5e".repeat(32) }]);
        std::fs::write(&kept, file.to_string()).unwrap();
        let second = handset_of(store);
        second.serve(handset::listen("127.0.0.1".parse().unwrap(), None).unwrap()).unwrap();
        assert_eq!(second.phones().len(), 1);
        assert!(!PhonePanel::new(second.clone(), true).is_open());
        second.close();
    }

    #[test]
    fn the_blocks_are_the_modules_of_the_code() {
        let text = "http://127.0.0.1:4711/#0123456789abcdefghjkmnpqrs";
        let lines = code(text, Look { ascii: false, colour: false });
        let halves = |letter: char| [matches!(letter, '█' | '▀'), matches!(letter, '█' | '▄')];
        let rows: Vec<Vec<[bool; 2]>> =
            lines.iter().map(|line| line.to_string().chars().map(halves).collect()).collect();
        let margin = MARGIN_MODULES as usize;
        let wanted = QrCode::with_error_correction_level(text, EcLevel::L).unwrap();
        let (width, modules) = (wanted.width(), wanted.to_colors());
        for y in 0..width {
            for x in 0..width {
                let is_light = rows[(y + margin) / 2][x + margin][(y + margin) % 2];
                assert_eq!(is_light, modules[y * width + x] == Module::Light, "{x}, {y}");
            }
        }
    }
}
