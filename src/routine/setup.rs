//! Room and kit, asked one by one where no file gave them.

use std::sync::Arc;

use crate::room::{Floor, Place, Room, suggest, walk};
use crate::routine::question::{Answer, Ask, Topic};
use crate::routine::stage::{Outcome, SetupStep, Stage};
use crate::routine::{Refusal, State};

/// Ear and cone heights that are assumed where only two distances were taped, metres (*common practice*).
const EAR_HEIGHT_M: f64 = 1.1;
const CONE_HEIGHT_M: f64 = 0.3;
const MOST_SPOTS: f64 = 30.0;

impl State {
    /// The first stage of a visit: what is not known yet, or the cautions.
    pub(super) fn first_stage(&self) -> Stage {
        if self.brief.is_placed() {
            return Stage::Safety;
        }
        if self.room.spots.is_empty() { Stage::Setup(SetupStep::SpotCount) } else { self.first_kit_stage() }
    }

    fn first_kit_stage(&self) -> Stage {
        if self.kit.rated_low_hz.is_none() {
            Stage::Setup(SetupStep::RatedLow)
        } else if self.kit.too_heavy.is_none() {
            Stage::Setup(SetupStep::TooHeavy)
        } else if self.kit.meter.is_none() {
            Stage::Setup(SetupStep::Meter)
        } else {
            Stage::Safety
        }
    }

    pub(super) fn setup_question(&self, step: SetupStep) -> (String, String, Ask) {
        let confirm = |topic, yes: &str, no: &str| Ask::Confirm { topic, yes: yes.into(), no: Some(no.into()) };
        let metres = |topic, low, high| Ask::Number { topic, unit: "m", low, high, default: None };
        match step {
            SetupStep::SpotCount => (
                "How many spots could the subwoofer stand at?".into(),
                "Corners, the middle of a wall, a third or a fifth along it: eight to twelve is a good number. Keep \
                 away from large openings. 0 has them suggested, once you have taped the room."
                    .into(),
                Ask::Number { topic: Topic::SpotCount, unit: "spots", low: 0.0, high: MOST_SPOTS, default: Some(8.0) },
            ),
            SetupStep::SpotName(at) => (
                format!("What do you call spot {}?", at + 1),
                "A name you will recognise from the floor, such as 'left corner by the window'.".into(),
                Ask::Text { topic: Topic::SpotName, default: Some(format!("spot {}", at + 1)) },
            ),
            SetupStep::Measured => (
                "Will you tape the room: its size, the seat and the spots?".into(),
                "It takes five minutes and makes the verdict surer. Without it, ears alone decide.".into(),
                confirm(Topic::RoomMeasured, "Yes, I have a tape", "No"),
            ),
            SetupStep::Size(side) => {
                // What is longer is probably feet; older files took a little more.
                let longest = if self.brief.asks_more { [20.0, 6.0] } else { [30.0, 8.0] };
                let (word, topic, high) = [
                    ("length", Topic::RoomLength, longest[0]),
                    ("width", Topic::RoomWidth, longest[0]),
                    ("height", Topic::RoomHeight, longest[1]),
                ][side.min(2)];
                (
                    format!("The room's {word}?"),
                    if side < 2 {
                        "In metres, wall to wall; a foot is 0.3048 m. A larger room, or one that is no rectangle, \
                         needs a room file."
                    } else {
                        "In metres, floor to ceiling; a foot is 0.3048 m."
                    }
                    .into(),
                    metres(topic, 1.0, high),
                )
            }
            SetupStep::More
            | SetupStep::GapWall(_)
            | SetupStep::GapEnd { .. }
            | SetupStep::NoGo(_)
            | SetupStep::Walls
            | SetupStep::Surface(_)
            | SetupStep::Lead { .. } => self.fittings_question(step),
            SetupStep::Position(place, across) => {
                let (side, topic) = if across { ("width", Topic::PlaceAcross) } else { ("length", Topic::PlaceAlong) };
                let name = match place.checked_sub(1).and_then(|spot| self.room.spots.get(spot)) {
                    Some(spot) => spot.name.clone(),
                    None => "the main seat".into(),
                };
                let [length_m, width_m] = self.taped_size();
                let high = if across { width_m } else { length_m };
                let noted = if (place, across) == (1, false) { self.seat_words() } else { String::new() };
                (
                    format!("Where is {name}, measured along the room's {side}?"),
                    format!("{noted}Always from the same corner."),
                    metres(topic, 0.0, high),
                )
            }
            SetupStep::RatedLow => (
                "How low is the subwoofer rated?".into(),
                // With a room file, this is the first question.
                format!("{}The frequency on its data sheet. Notes below it are left out.", self.seat_words()),
                Ask::Number { topic: Topic::RatedLow, unit: "Hz", low: 10.0, high: 60.0, default: Some(25.0) },
            ),
            SetupStep::TooHeavy => (
                "Can two people lift the subwoofer onto the main seat?".into(),
                "If not, it moves from spot to spot and you stay seated.".into(),
                confirm(Topic::Liftable, "Two people can lift it", "It is too heavy"),
            ),
            SetupStep::Meter => (
                "Is a sound level meter at hand?".into(),
                "For the last two or three spots it is worth more than ears.".into(),
                confirm(Topic::MeterAtHand, "Yes", "No"),
            ),
        }
    }

    pub(super) fn setup_answer(&mut self, step: SetupStep, answer: &Answer) -> Outcome {
        let next = match (step, answer) {
            // For suggestions the room has to be taped.
            (SetupStep::SpotCount, &Answer::Number(0.0)) => Stage::Setup(SetupStep::Size(0)),
            (SetupStep::SpotCount, &Answer::Number(count)) if count.fract() == 0.0 => {
                let spots = (1..=count as usize).map(|at| Place { name: format!("spot {at}"), at_m: None }).collect();
                self.change_room(|room| room.spots = spots);
                self.closed = vec![false; count as usize];
                Stage::Setup(SetupStep::SpotName(0))
            }
            (SetupStep::SpotCount, Answer::Number(_)) => {
                return Err(Refusal::Because("Half a spot cannot be visited. Type a whole number.".into()));
            }
            (SetupStep::SpotName(at), Answer::Text(name)) => {
                self.name_spot(at, name)?;
                let more = at + 1 < self.room.spots.len();
                Stage::Setup(if more { SetupStep::SpotName(at + 1) } else { SetupStep::Measured })
            }
            (SetupStep::Measured, Answer::Yes) => Stage::Setup(SetupStep::Size(0)),
            (SetupStep::Measured, Answer::No) => self.first_kit_stage(),
            (SetupStep::Size(side), &Answer::Number(metres)) => {
                self.change_room(|room| set_side(room, side, metres));
                Stage::Setup(match (side, self.brief.asks_more) {
                    (0 | 1, _) => SetupStep::Size(side + 1),
                    (_, true) => SetupStep::More,
                    (_, false) => SetupStep::Position(0, false),
                })
            }
            (SetupStep::Position(place, across), &Answer::Number(metres)) => {
                self.change_room(|room| set_coordinate(room, place, across, metres));
                if across && place > 0 {
                    self.refuse_in_the_way(place - 1)?;
                }
                if across && self.room.spots.is_empty() {
                    self.suggest_spots()?;
                    self.stage = self.first_kit_stage();
                    return Ok(());
                }
                match (across, place < self.room.spots.len()) {
                    (false, _) => Stage::Setup(SetupStep::Position(place, true)),
                    (true, true) => Stage::Setup(SetupStep::Position(place + 1, false)),
                    (true, false) => self.first_kit_stage(),
                }
            }
            (SetupStep::RatedLow, &Answer::Number(hz)) => {
                self.keep_rated_low(hz)?;
                self.first_kit_stage()
            }
            (SetupStep::TooHeavy, Answer::Yes | Answer::No) => {
                self.kit.too_heavy = Some(*answer == Answer::No);
                self.first_kit_stage()
            }
            (SetupStep::Meter, Answer::Yes | Answer::No) => {
                self.kit.meter = Some(*answer == Answer::Yes);
                self.first_kit_stage()
            }
            _ => Stage::Setup(self.fittings_answer(step, answer)?),
        };
        self.stage = next;
        Ok(())
    }

    /// What is to be said of seats where no subwoofer may stand, with a blank after each sentence.
    fn seat_words(&self) -> String {
        suggest::seats_in_the_way(&self.room).iter().map(|words| format!("{words} ")).collect()
    }

    /// A spot that stands where no subwoofer can is measured again.
    fn refuse_in_the_way(&self, spot: usize) -> Outcome {
        let of_room = self.room.spots.get(spot);
        let Some((name, at_m)) = of_room.and_then(|place| Some((&place.name, place.at_m?))) else { return Ok(()) };
        match suggest::in_the_way(&self.room, [at_m[0], at_m[1]]) {
            Some(words) => Err(Refusal::Because(format!(
                "{name} {words}. Measure it again; undo leads back to its other distance, and further."
            ))),
            None => Ok(()),
        }
    }

    /// Spots by the trade's rules, no more than a person would walk to.
    fn suggest_spots(&mut self) -> Outcome {
        let found: Vec<Place> = suggest::candidates(&self.room).into_iter().map(|candidate| candidate.place).collect();
        if found.len() < walk::FEWEST_SPOTS {
            return Err(Refusal::Because(
                "No spots are left that are free and within reach. Undo leads back to what was said of the room."
                    .into(),
            ));
        }
        let mut chosen = walk::apart_first(&found);
        chosen.sort_unstable();
        let spots: Vec<Place> = chosen.into_iter().map(|spot| found[spot].clone()).collect();
        self.closed = vec![false; spots.len()];
        self.change_room(|room| room.spots = spots);
        Ok(())
    }

    fn keep_rated_low(&mut self, rated_low_hz: f64) -> Outcome {
        self.kit.rated_low_hz = Some(rated_low_hz);
        self.choose_notes()
    }

    fn name_spot(&mut self, at: usize, name: &str) -> Outcome {
        let name = name.trim();
        if name.is_empty() || name.chars().count() > 60 {
            return Err(Refusal::Because("A spot's name has 1 to 60 characters.".into()));
        }
        if self.room.spots.iter().enumerate().any(|(other, spot)| other < at && spot.name == name) {
            return Err(Refusal::Because(format!("There is a spot called {name} already. Choose another name.")));
        }
        self.change_room(|room| name.clone_into(&mut room.spots[at].name));
        Ok(())
    }

    pub(super) fn change_room(&mut self, change: impl FnOnce(&mut Room)) {
        change(Arc::make_mut(&mut self.room));
    }

    pub(super) fn taped_size(&self) -> [f64; 2] {
        match self.room.floor {
            Some(Floor::Rectangle { length_m, width_m }) => [length_m, width_m],
            _ => [0.0, 0.0],
        }
    }
}

fn set_side(room: &mut Room, side: usize, metres: f64) {
    match (side, &mut room.floor) {
        (0, floor) => *floor = Some(Floor::Rectangle { length_m: metres, width_m: metres }),
        (1, Some(Floor::Rectangle { width_m, .. })) => *width_m = metres,
        _ => room.height_m = Some(metres),
    }
}

fn set_coordinate(room: &mut Room, place: usize, across: bool, metres: f64) {
    let (target, height_m) = match place.checked_sub(1) {
        Some(spot) => (room.spots.get_mut(spot), CONE_HEIGHT_M),
        None => (room.seats.first_mut(), EAR_HEIGHT_M),
    };
    if let Some(target) = target {
        let at_m = target.at_m.get_or_insert([0.0, 0.0, height_m]);
        at_m[usize::from(across)] = metres;
    }
}
