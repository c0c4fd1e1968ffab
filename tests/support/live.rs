//! A live visit on a device without hardware, in this very process: it takes real time, and nothing is heard.

use std::path::Path;
use std::sync::Arc;

use crossbeam_channel::unbounded;
use evenbass::conductor::{Baton, Clock, Conductor, Player};
use evenbass::engine::{Engine, Outputs};
use evenbass::routine::{Brief, Event, Kit, State};
use evenbass::units::FrameCount;
use evenbass::visit::{Header, Journal, WallTime, spawn};

use super::compare::RATE;

/// Told each block that the device is handed.
pub type TakeBlock = Box<dyn FnMut(&[f32]) + Send>;

/// A visit that has not begun yet.
pub fn conductor(file: &Path, buffer: FrameCount, take: TakeBlock) -> Conductor {
    let room = evenbass::room::Room::unmeasured("garden room", &["bench"], &["window corner", "door side"]);
    let brief = Brief {
        name: "live".into(),
        seed: 7,
        minutes: Some(5.0),
        room: Some(room),
        seat: 0,
        kit: Kit { rated_low_hz: Some(20.0), too_heavy: Some(false), meter: Some(false), ..Kit::default() },
        note_set: evenbass::presets::note_set("walk-16", None).expect("an embedded preset"),
        loudness_phon: 50.0,
        blend: None,
        rehearsal: false,
        asks_more: false,
    };
    let header = Header::new("live", WallTime::now(), None, brief);
    let journal = Journal::create(file, &header).expect("a visit file");
    let (acknowledge, written) = unbounded();
    let (tell, moments) = unbounded();
    let on_moment = Box::new(move |moment| {
        let _ = tell.send(moment);
    });
    let engine = Engine::paced(RATE, 1, buffer, take, on_moment).expect("a device");
    Conductor::new(Baton {
        state: State::new(Arc::new(header.brief.clone())),
        file: file.into(),
        journal: spawn(journal, acknowledge).expect("a thread"),
        written,
        player: Player::new(engine, Outputs::one(0), Some(moments)),
        clock: Clock::live(0.0),
        device: Some("no hardware".into()),
        opened: Event::Opened {
            program: "live".into(),
            device: "no hardware".into(),
            rate_hz: RATE.hz(),
            channels: None,
        },
        notices: Vec::new(),
        suspended: Box::new(|_| {}),
        sheet: Box::new(|_, _| Err("not here".into())),
    })
}
