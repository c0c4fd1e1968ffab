//! Answers that come before all they are about has sounded, in real time.

use std::sync::Arc;
use std::time::Duration;

use evenbass::routine::Event;
use evenbass::routine::question::{Answer, Topic};
use evenbass::units::{Dbfs, FrameCount};
use evenbass::view::{Action, Ask, Question, View, Wires};
use evenbass::visit;

use crate::support::live;

/// Only keeps a broken test from hanging.
const PATIENCE: Duration = Duration::from_secs(60);

fn next(wires: &Wires) -> Arc<View> {
    let view = wires.views.recv_timeout(PATIENCE).expect("the visit goes on");
    wires.actions.send((wires.face, Action::Alive)).expect("the conductor listens");
    view
}

fn say(wires: &Wires, action: Action) {
    wires.actions.send((wires.face, action)).expect("the conductor listens");
}

fn answer(wires: &Wires, question: &Question, answer: Answer) {
    say(wires, Action::Answer { question: question.id, answer, rattles: false, seconds: None });
}

fn is_strain(question: &Question) -> bool {
    matches!(question.ask, Ask::Confirm { topic: Topic::Strain, .. })
}

/// Goes on until the first note is asked about that might strain; that question.
fn at_strain(wires: &Wires) -> Question {
    let mut answered = None;
    loop {
        let view = next(wires);
        let Some(question) = view.question.as_deref().filter(|_| view.paused.is_none()) else { continue };
        if is_strain(question) {
            return question.clone();
        }
        if let Ask::Comfort { level, .. } = question.ask
            && level < Dbfs::new(-50.0)
        {
            say(wires, Action::Louder);
        } else if answered != Some(question.id) {
            answered = Some(question.id);
            answer(wires, question, Answer::Yes);
        }
    }
}

#[test]
fn clean_counts_once_the_loudest_step_has_sounded_and_strained_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("live.visit.jsonl");
    let mut conductor = live::conductor(&file, FrameCount(1024), Box::new(|_| {}));
    let wires = conductor.face().unwrap();
    let conducting = std::thread::spawn(move || conductor.run());
    let first = at_strain(&wires);
    answer(&wires, &first, Answer::Yes);
    // It stays open, and says why it is not taken yet.
    let told = loop {
        let view = next(&wires);
        if let Some(refusal) = &view.refusal {
            assert_eq!(view.question.as_ref().map(|question| question.id), Some(first.id));
            break refusal.clone();
        }
    };
    assert!(told.contains("taken by itself"), "{told}");
    // It is taken by itself, and the next note is asked about.
    let second = loop {
        let view = next(&wires);
        let Some(question) = view.question.as_deref().filter(|question| question.id != first.id) else { continue };
        assert!(is_strain(question), "{question:?}");
        break question.clone();
    };
    answer(&wires, &second, Answer::Yes);
    answer(&wires, &second, Answer::No);
    loop {
        let view = next(&wires);
        if view.question.as_ref().is_some_and(|question| question.id != second.id) {
            break;
        }
    }
    say(&wires, Action::Leave);
    drop(wires);
    conducting.join().unwrap();

    let events: Vec<Event> = visit::read(&file).unwrap().events.into_iter().map(|event| event.stamped.event).collect();
    let answered = |id| {
        let mut answers = events.iter().filter_map(|event| match event {
            Event::Answered { question, answer, parts_begun, .. } if *question == id => Some((answer, *parts_begun)),
            _ => None,
        });
        answers.next().expect("it was answered")
    };
    let sounded: Vec<(usize, &str)> = events
        .iter()
        .filter_map(|event| match event {
            Event::Sounded { note: Some(note), ended, .. } => Some((*note, ended.as_str())),
            _ => None,
        })
        .collect();
    let (clean, steps) = answered(first.id);
    assert!(*clean == Answer::Yes && steps > 1, "{steps} steps of {sounded:?}");
    let (note, _) = sounded[0];
    assert!(sounded[..steps].iter().all(|step| *step == (note, "whole")), "{steps} steps of {sounded:?}");
    let (strained, begun) = answered(second.id);
    assert!(*strained == Answer::No && begun < steps, "{begun} steps of {sounded:?}");
    assert!(sounded[steps..].iter().all(|(_, ended)| *ended != "whole"), "what strains is cut short: {sounded:?}");
}
