//! Every page as a picture, and what the keys lead to.

use std::time::{Duration, Instant};

use ratatui::buffer::Buffer;
use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyModifiers};
use ratatui::layout::Rect;
use ratatui::style::{Color, Modifier};

use crate::faces::scenes;
use crate::faces::terminal::hand::{Hand, Press};
use crate::faces::terminal::{Look, page};
use crate::view::{Action, Answer, AnswerBy, QuestionId, Rating, View};

const PLAIN: Look = Look { ascii: false, colour: false };
const ASCII: Look = Look { ascii: true, colour: false };

fn drawn_in(area: Rect, view: &View, hand: &Hand, look: Look) -> Buffer {
    let mut buffer = Buffer::empty(area);
    page::draw(&mut buffer, view, hand, None, look);
    buffer
}

fn text_of(buffer: &Buffer) -> String {
    let rows = buffer.content.chunks(usize::from(buffer.area.width));
    rows.map(|row| row.iter().map(|cell| cell.symbol()).collect::<String>().trim_end().to_string() + "\n").collect()
}

fn drawn(view: &View) -> String {
    drawn_with(view, &hand_on(view), PLAIN)
}

fn drawn_with(view: &View, hand: &Hand, look: Look) -> String {
    text_of(&drawn_in(Rect::new(0, 0, 80, 24), view, hand, look))
}

fn hand_on(view: &View) -> Hand {
    let mut hand = Hand::default();
    hand.see(view);
    hand
}

fn scenes_by_name() -> Vec<(&'static str, View)> {
    let others = [("paused", scenes::paused()), ("done", scenes::done())];
    scenes::questions().into_iter().chain(others).collect()
}

#[test]
fn every_page_looks_as_it_did() {
    for (name, view) in scenes_by_name() {
        insta::assert_snapshot!(name, drawn(&view));
    }
}

#[test]
fn without_unicode_every_page_is_ascii_and_says_the_same() {
    for (name, view) in scenes_by_name() {
        let page = drawn_with(&view, &hand_on(&view), ASCII);
        assert!(page.is_ascii(), "{name}:\n{page}");
        assert_eq!(letters(&page), letters(&drawn(&view)), "{name}");
    }
    insta::assert_snapshot!("rate-ascii", drawn_with(&scenes::rate(), &hand_on(&scenes::rate()), ASCII));
    insta::assert_snapshot!("comfort-ascii", drawn_with(&scenes::comfort(), &hand_on(&scenes::comfort()), ASCII));
}

fn letters(page: &str) -> String {
    page.chars().filter(char::is_ascii_alphanumeric).collect()
}

#[test]
fn colour_only_repeats_what_is_written() {
    let look = Look { ascii: false, colour: true };
    for (name, view) in scenes_by_name() {
        let area = Rect::new(0, 0, 80, 24);
        let (plain, coloured) =
            (drawn_in(area, &view, &hand_on(&view), PLAIN), drawn_in(area, &view, &hand_on(&view), look));
        assert_eq!(text_of(&plain), text_of(&coloured), "{name}");
        assert!(plain.content.iter().all(|cell| cell.fg == Color::Reset && cell.bg == Color::Reset), "{name}");
        assert!(coloured.content.iter().any(|cell| cell.fg != Color::Reset), "{name}");
        let weight = |buffer: &Buffer| buffer.content.iter().map(|cell| cell.modifier).collect::<Vec<Modifier>>();
        assert_eq!(weight(&plain), weight(&coloured), "{name}");
    }
}

#[test]
fn stop_stands_at_the_same_place_on_every_page_and_window() {
    for (name, view) in scenes_by_name() {
        let page = drawn(&view);
        let last = page.lines().nth(23).unwrap();
        assert!(last.starts_with("   space STOP ") || last.starts_with("   esc STOP "), "{name}: {last}");
    }
    for (columns, rows) in [(79, 24), (80, 23), (30, 8), (12, 4), (12, 1)] {
        let view = scenes::rate();
        let page = text_of(&drawn_in(Rect::new(0, 0, columns, rows), &view, &hand_on(&view), PLAIN));
        assert!(page.lines().last().unwrap().contains("space STOP"), "{columns} x {rows}:\n{page}");
    }
}

#[test]
fn a_small_window_says_what_it_needs() {
    let view = scenes::rate();
    let page = text_of(&drawn_in(Rect::new(0, 0, 40, 10), &view, &hand_on(&view), PLAIN));
    insta::assert_snapshot!("too-small", page);
}

#[test]
fn any_window_size_is_survived() {
    for (_, view) in scenes_by_name() {
        for (columns, rows) in [(0, 0), (1, 1), (5, 30), (80, 24), (81, 25), (200, 60)] {
            drawn_in(Rect::new(0, 0, columns, rows), &view, &hand_on(&view), PLAIN);
        }
    }
}

#[test]
fn long_and_strange_names_stay_within_the_page() {
    let mut view = scenes::verdict();
    let room = std::sync::Arc::make_mut(&mut view.room);
    room.spots[1].name =
        "a very long name for a spot that nobody would ever write on a sheet of paper\u{1b}[31m\t日本".into();
    view.visit = "x".repeat(300);
    view.notices = vec!["The sound device is gone: its cable may have come out. ".repeat(9)];
    view.refusal = Some("word ".repeat(200));
    let page = drawn(&view);
    insta::assert_snapshot!("crowded", page);
    assert!(!page.contains('\u{1b}'));
}

#[test]
fn notices_refusals_and_slips_are_seen() {
    let mut view = scenes::rate();
    view.notices = vec![
        "The sound device is gone: it was unplugged or switched off. Plug it in again; the note starts anew, quietly."
            .into(),
    ];
    view.refusal = Some("nothing has sounded yet, so there is nothing to rate; wait for the note".into());
    view.sound.connected = false;
    insta::assert_snapshot!("notices", drawn(&view));
}

#[test]
fn older_notices_are_a_key_away() {
    let mut view = scenes::rate();
    view.older_notices = vec!["The sound device is gone: it was unplugged. Plug it in again.".into()];
    view.notices = vec!["The sound output is back.".into()];
    let mut hand = hand_on(&view);
    assert_eq!(press(&mut hand, &view, letter('i')), Press::Nothing);
    insta::assert_snapshot!("older-notices", drawn_with(&view, &hand, PLAIN));
    assert_eq!(press(&mut hand, &view, letter('4')), Press::Nothing, "nobody rates what is covered");
    assert_eq!(press(&mut hand, &view, letter(' ')), Press::Action(Action::Stop));
    press(&mut hand, &view, letter('i'));
    assert_eq!(press(&mut hand, &view, letter('4')), answer(&view, Answer::Rating(Rating::ALL[3])));
}

fn key(code: KeyCode) -> KeyEvent {
    KeyEvent::new(code, KeyModifiers::NONE)
}

fn letter(letter: char) -> KeyEvent {
    key(KeyCode::Char(letter))
}

fn press(hand: &mut Hand, view: &View, event: KeyEvent) -> Press {
    hand.press(&event, view, Instant::now())
}

fn type_in(hand: &mut Hand, view: &View, text: &str) {
    for typed in text.chars() {
        assert_eq!(press(hand, view, letter(typed)), Press::Nothing, "{typed}");
    }
}

fn answer(view: &View, answer: Answer) -> Press {
    let question = view.question.as_ref().unwrap().id;
    Press::Action(Action::Answer { question, answer, rattles: false, seconds: None })
}

#[test]
fn digits_answer_a_rating_at_once_and_arrows_with_enter() {
    let view = scenes::rate();
    for (digit, rating) in ('1'..='7').zip(Rating::ALL) {
        assert_eq!(press(&mut hand_on(&view), &view, letter(digit)), answer(&view, Answer::Rating(rating)));
    }
    let mut hand = hand_on(&view);
    assert_eq!(press(&mut hand, &view, letter('8')), Press::Nothing);
    assert!(hand.slip.as_deref().unwrap().contains("press 1 to 7"));
    assert_eq!(press(&mut hand, &view, key(KeyCode::Enter)), Press::Nothing);
    assert!(hand.slip.is_some());
    press(&mut hand, &view, key(KeyCode::Right));
    assert_eq!(press(&mut hand, &view, key(KeyCode::Enter)), answer(&view, Answer::Rating(Rating::ALL[4])));
}

#[test]
fn arrows_nudge_a_match_and_enter_says_that_it_is_as_loud() {
    let view = scenes::matching();
    let keys = [
        (KeyCode::Up, Press::Action(Action::Nudge { up: true })),
        (KeyCode::Down, Press::Action(Action::Nudge { up: false })),
        (KeyCode::Char('m'), Press::Action(Action::AnswerBy(AnswerBy::Rating))),
        (KeyCode::Enter, answer(&view, Answer::Matched)),
        (KeyCode::Char('n'), answer(&view, Answer::No)),
    ];
    for (code, press_of) in keys {
        assert_eq!(press(&mut hand_on(&view), &view, key(code)), press_of, "{code}");
    }
    let rate = scenes::rate();
    assert_eq!(press(&mut hand_on(&rate), &rate, letter('m')), Press::Nothing, "not offered here");
    assert!(!drawn(&view).contains("-3 dB ") && !drawn(&view).contains("-3.0"), "nobody should match to a figure");
}

#[test]
fn an_answer_is_marked_as_being_written_until_it_is_taken() {
    let view = scenes::rate();
    let mut hand = hand_on(&view);
    press(&mut hand, &view, letter('2'));
    insta::assert_snapshot!("being-written", drawn_with(&view, &hand, PLAIN));
    assert_eq!(press(&mut hand, &view, letter('3')), Press::Nothing, "one answer at a time");
    hand.see(&view);
    assert!(hand.being_written().is_some(), "the same question once more proves nothing");
    let mut later = view.clone();
    later.refusal = Some("the disk is full".into());
    later.refusals = 1;
    hand.see(&later);
    assert!(hand.being_written().is_none());
    press(&mut hand, &later, letter('2'));
    let mut taken = later.clone();
    taken.taken_question = Some(QuestionId(12));
    hand.see(&taken);
    assert!(hand.being_written().is_none());
}

#[test]
fn an_answer_without_any_echo_may_be_given_again() {
    let view = scenes::rate();
    let mut hand = hand_on(&view);
    let now = Instant::now();
    hand.press(&letter('2'), &view, now);
    assert!(!hand.has_waited(now + Duration::from_secs(1)));
    assert!(hand.has_waited(now + Duration::from_secs(4)));
    assert_eq!(press(&mut hand, &view, letter('2')), answer(&view, Answer::Rating(Rating::ALL[1])));
}

#[test]
fn what_was_typed_goes_with_its_question() {
    let view = scenes::number();
    let mut hand = hand_on(&view);
    type_in(&mut hand, &view, "4.2");
    hand.see(&scenes::text());
    assert!(hand.typed.is_empty() && hand.cursor.is_none());
}

#[test]
fn every_command_has_its_key() {
    let view = scenes::rate();
    let expected = [
        (' ', Action::Stop),
        ('a', Action::Again),
        ('b', Action::Back),
        ('s', Action::Skip),
        ('u', Action::Undo),
        ('p', Action::Pause),
        ('+', Action::Louder),
        ('-', Action::Quieter),
        ('d', Action::Decide),
        ('q', Action::Leave),
    ];
    for (typed, action) in expected {
        assert_eq!(press(&mut hand_on(&view), &view, letter(typed)), Press::Action(action));
    }
    let control = |typed| KeyEvent::new(KeyCode::Char(typed), KeyModifiers::CONTROL);
    assert_eq!(press(&mut hand_on(&view), &view, key(KeyCode::Esc)), Press::Action(Action::Stop));
    assert_eq!(press(&mut hand_on(&view), &view, control('c')), Press::Action(Action::Leave));
    assert_eq!(press(&mut hand_on(&view), &view, control('z')), Press::Suspend);
    let mut hand = hand_on(&view);
    assert_eq!(press(&mut hand, &view, letter('r')), Press::Nothing);
    let expected = Action::Answer {
        question: QuestionId(12),
        answer: Answer::Rating(Rating::ALL[3]),
        rattles: true,
        seconds: None,
    };
    assert_eq!(press(&mut hand, &view, letter('4')), Press::Action(expected));
}

#[test]
fn a_pause_holds_answers_back_but_never_stop() {
    let view = scenes::paused();
    let mut hand = hand_on(&view);
    assert_eq!(press(&mut hand, &view, letter('3')), Press::Nothing);
    assert!(hand.slip.is_some());
    assert_eq!(press(&mut hand, &view, letter(' ')), Press::Action(Action::Stop));
    assert_eq!(press(&mut hand, &view, letter('p')), Press::Action(Action::Continue));
}

#[test]
fn numbers_are_typed_checked_and_fall_back() {
    let view = scenes::number();
    assert_eq!(press(&mut hand_on(&view), &view, key(KeyCode::Enter)), answer(&view, Answer::Number(5.0)));
    let mut hand = hand_on(&view);
    type_in(&mut hand, &view, "41");
    assert_eq!(press(&mut hand, &view, key(KeyCode::Enter)), Press::Nothing);
    insta::assert_snapshot!("number-out-of-range", drawn_with(&view, &hand, PLAIN));
    press(&mut hand, &view, key(KeyCode::Backspace));
    type_in(&mut hand, &view, ",25");
    assert_eq!(press(&mut hand, &view, key(KeyCode::Enter)), answer(&view, Answer::Number(4.25)));
    // While a note sounds, minus is quieter and nothing else.
    let meter = scenes::meter();
    assert_eq!(press(&mut hand_on(&meter), &meter, letter('-')), Press::Action(Action::Quieter));
}

#[test]
fn a_text_takes_letters_and_spaces_and_commands_need_control() {
    let view = scenes::text();
    let mut hand = hand_on(&view);
    type_in(&mut hand, &view, "quiet bay");
    hand.paste("\r\n, left", &view);
    assert_eq!(press(&mut hand, &view, key(KeyCode::Enter)), answer(&view, Answer::Text("quiet bay, left".into())));
    let control = KeyEvent::new(KeyCode::Char('u'), KeyModifiers::CONTROL);
    assert_eq!(press(&mut hand_on(&view), &view, control), Press::Action(Action::Undo));
    let mut sounding = view.clone();
    sounding.sound.sounding = true;
    assert_eq!(press(&mut hand_on(&sounding), &sounding, letter(' ')), Press::Action(Action::Stop));
}

#[test]
fn letting_a_key_go_is_no_press() {
    let view = scenes::comfort();
    let mut release = letter('+');
    release.kind = ratatui::crossterm::event::KeyEventKind::Release;
    assert_eq!(press(&mut hand_on(&view), &view, release), Press::Nothing);
}

fn control(typed: char) -> KeyEvent {
    KeyEvent::new(KeyCode::Char(typed), KeyModifiers::CONTROL)
}

/// Some terminals send ^H for Backspace, and ^U clears a line everywhere else.
#[test]
fn control_h_and_control_u_correct_what_was_typed() {
    for view in [scenes::number(), scenes::text()] {
        let mut hand = hand_on(&view);
        type_in(&mut hand, &view, "45");
        assert_eq!(press(&mut hand, &view, control('h')), Press::Nothing);
        assert_eq!(hand.typed, "4");
        assert_eq!(press(&mut hand, &view, control('u')), Press::Nothing);
        assert_eq!(hand.typed, "");
        assert_eq!(press(&mut hand, &view, key(KeyCode::Backspace)), Press::Nothing);
        assert_eq!(press(&mut hand, &view, control('h')), Press::Nothing);
        assert_eq!(hand.slip, None);
    }
}

#[test]
fn control_keys_do_nothing_where_nothing_is_typed() {
    for view in [scenes::rate(), scenes::number(), scenes::comfort(), scenes::matching()] {
        for typed in ('a'..='y').filter(|typed| *typed != 'c') {
            let mut hand = hand_on(&view);
            assert_eq!(press(&mut hand, &view, control(typed)), Press::Nothing, "{typed}");
            assert!(hand.slip.is_none() && !hand.rattles && !hand.notices && !hand.help, "{typed}");
        }
    }
}

#[test]
fn the_keys_are_explained_until_a_key_is_pressed() {
    let view = scenes::rate();
    let mut hand = hand_on(&view);
    assert_eq!(press(&mut hand, &view, letter('?')), Press::Nothing);
    insta::assert_snapshot!("help", drawn_with(&view, &hand, PLAIN));
    assert_eq!(press(&mut hand, &view, letter('4')), Press::Nothing, "nobody rates what is covered");
    assert_eq!(press(&mut hand, &view, letter('4')), answer(&view, Answer::Rating(Rating::ALL[3])));
    for (stop, leads_to) in
        [(key(KeyCode::Esc), Action::Stop), (letter(' '), Action::Stop), (control('c'), Action::Leave)]
    {
        let mut hand = hand_on(&view);
        press(&mut hand, &view, letter('?'));
        assert_eq!(press(&mut hand, &view, stop), Press::Action(leads_to));
    }
    let text = scenes::text();
    let mut hand = hand_on(&text);
    type_in(&mut hand, &text, "which?");
    assert_eq!(hand.typed, "which?");
}

#[test]
fn a_unit_after_the_figures_is_passed_over_and_no_command() {
    let view = scenes::number();
    let mut hand = hand_on(&view);
    type_in(&mut hand, &view, "4.2 m");
    assert_eq!((hand.typed.as_str(), &hand.slip), ("4.2", &None));
    assert!(drawn_with(&view, &hand, PLAIN).contains("esc STOP"));
    for other in ['b', 'q', 'u'] {
        assert_eq!(press(&mut hand, &view, letter(other)), Press::Nothing, "{other}");
        assert!(hand.slip.as_ref().is_some_and(|slip| slip.contains("is no figure")), "{other}");
    }
    assert!(hand.follows_figures('h', &view), "or it would open the phone's page");
    assert_eq!(press(&mut hand, &view, key(KeyCode::Enter)), answer(&view, Answer::Number(4.2)));
    // Before any figure letters are the commands at the bottom; there is no going back here.
    let mut hand = hand_on(&view);
    assert!(!view.offers.back);
    assert_eq!(press(&mut hand, &view, letter('b')), Press::Nothing);
    assert_eq!(press(&mut hand, &view, letter(' ')), Press::Action(Action::Stop));
}

#[test]
fn what_was_typed_is_kept_over_a_pause_and_goes_with_an_answer_from_elsewhere() {
    let mut sounding = scenes::number();
    sounding.sound.sounding = true;
    let mut hand = hand_on(&sounding);
    type_in(&mut hand, &sounding, "4.2");
    assert_eq!(press(&mut hand, &sounding, letter(' ')), Press::Action(Action::Stop), "while something sounds");
    let mut paused = sounding.clone();
    paused.question = None;
    paused.paused = Some("Stop was pressed.".into());
    hand.see(&paused);
    let asked_anew = |text: &str| {
        let mut view = scenes::number();
        let question = std::sync::Arc::make_mut(view.question.as_mut().unwrap());
        question.id = QuestionId(question.id.0 + 5);
        question.text.push_str(text);
        view
    };
    hand.see(&asked_anew(""));
    assert_eq!(hand.typed, "4.2");
    // An answer on the phone.
    let id = asked_anew("").question.unwrap().id;
    paused.taken_question = Some(id);
    hand.see(&paused);
    hand.see(&scenes::number());
    assert_eq!(hand.typed, "");
    let mut hand = hand_on(&sounding);
    type_in(&mut hand, &sounding, "4.2");
    hand.see(&asked_anew(" And the other one?"));
    assert_eq!(hand.typed, "");
}

#[test]
fn what_is_no_answer_is_said_in_the_same_way() {
    let view = scenes::rate();
    for (digit, said) in [('0', "there is no 0 here; press 1 to 7"), ('8', "there is no 8 here; press 1 to 7")] {
        let mut hand = hand_on(&view);
        assert_eq!(press(&mut hand, &view, letter(digit)), Press::Nothing);
        assert_eq!(hand.slip.as_deref(), Some(said));
    }
    let meter = scenes::meter();
    let mut hand = hand_on(&meter);
    assert_eq!(press(&mut hand, &meter, key(KeyCode::Enter)), Press::Nothing);
    assert_eq!(hand.slip.as_deref(), Some("Type a number first."));
}
