//! Whole visits: each tone as it was rendered, and nothing else.

use evenbass::routine::levels::ceiling_for;
use evenbass::units::Dbfs;

use crate::person::{COMFORT_DBFS, Person};
use crate::support::compare::*;
use crate::support::sound_server::{Sink, SoundServer};
use crate::{alone, file_of};

fn whole_visit(sink: Sink, options: &[&str], chosen: &[usize]) {
    let _alone = alone();
    let server = SoundServer::start();
    allowing_gaps(&format!("a visit on {}", sink.name()), || {
        let home = tempfile::tempdir().unwrap();
        let recorder = server.record(sink);
        let mut person = Person::begin(&server, home.path(), "short", sink, options);
        person.go_on_until("The visit is complete.");
        person.screen.press("q");
        assert_eq!(person.screen.end(), 0, "{}", person.screen.raw);
        let recorded = recorder.stop();
        let ceiling = ceiling_for(Dbfs::new(COMFORT_DBFS));
        below_ceiling(&recorded, ceiling);
        let recorded = channel_of(&recorded, sink.channels(), chosen);
        let tones = tones(&file_of(home.path(), "short"));
        let count = |ended: &str| tones.iter().filter(|tone| tone.ended == ended).count();
        println!("{} tones whole, {} faded", count("whole"), count("faded"));
        assert!(count("whole") >= 16 && count("faded") >= 2, "{tones:#?}");
        compare(&recorded, &tones)
    });
}

#[test]
fn what_is_heard_in_a_visit_is_what_was_rendered() {
    whole_visit(Sink::Front, &[], &[0, 1]);
}

#[test]
fn a_subwoofer_on_the_lfe_channel_is_all_that_sounds() {
    // ALSA has it sixth.
    whole_visit(Sink::Surround, &["--channels", "LFE"], &[5]);
}
