//! What else there is to say about a room that is being taped: openings, doors, what is in the way, what walls are made
//! of, cables. Each part is optional; a list comes back until there is nothing more.

use crate::room::MOST_PLACES;
use crate::room::plan::{Door, LEAD_M, NoGo, Opening, Reach, Surface, wall_letter};
use crate::routine::question::{Answer, Ask, Topic};
use crate::routine::stage::{Gap, SetupStep};
use crate::routine::{Refusal, State};

/// What the list offers, in its order; the last entry until it is noted.
const MORE: [&str; 8] = [
    "Nothing more",
    "An opening: open doorway, arch",
    "A door that opens inwards",
    "Something in the way",
    "What the walls are made of",
    "How far the cable reaches",
    "A power socket",
    "A second subwoofer",
];
const SURFACES: [(Surface, &str); 4] = [
    (Surface::Masonry, "brick, block, stone or concrete"),
    (Surface::Plasterboard, "plasterboard on a frame"),
    (Surface::Wood, "wood before a hollow, or boards on joists"),
    (Surface::Glass, "glass"),
];
const NOT_KNOWN: &str = "I do not know";
const DIFFER: &str = "the walls differ";
const FLOOR: usize = 4;
/// Narrower gaps are slips of the finger, metres.
const NARROWEST_M: f64 = 0.05;
const LONGEST_CABLE_M: f64 = 60.0;

impl State {
    pub(super) fn fittings_question(&self, step: SetupStep) -> (String, String, Ask) {
        let [length_m, width_m] = self.taped_size();
        let metres = |topic, high, default| Ask::Number { topic, unit: "m", low: 0.0, high, default };
        let choose = |topic, options: &[&str]| Ask::Choose {
            topic,
            options: options.iter().map(|option| (*option).into()).collect(),
        };
        match step {
            SetupStep::GapWall(gap) => (
                match gap {
                    Gap::Opening => "In which wall is the opening?".into(),
                    Gap::Door => "In which wall is the door?".into(),
                },
                "You measure from one corner. Walls A and D meet there.".into(),
                choose(
                    Topic::GapWall,
                    &[
                        "A: along the length, at your corner",
                        "B: across, at the far end of the length",
                        "C: along the length, on the other side",
                        "D: across, at your corner",
                    ],
                ),
            ),
            SetupStep::GapEnd { gap, wall, second } => {
                let (high, from) = if wall.is_multiple_of(2) { (length_m, "D") } else { (width_m, "A") };
                let what = match (gap, second) {
                    (Gap::Opening, false) => "Where does it begin",
                    (Gap::Opening, true) => "Where does it end",
                    (Gap::Door, false) => "Where are its hinges",
                    (Gap::Door, true) => "Where is its other side",
                };
                let text = format!("{what}, along wall {}, measured from wall {from}?", wall_letter(wall));
                (text, String::new(), metres(Topic::GapEnd, high, None))
            }
            SetupStep::NoGo(0) => (
                "What is in the way?".into(),
                "A fireplace, a cupboard, a passage: a rectangle of the floor where no subwoofer may stand.".into(),
                Ask::Text { topic: Topic::NoGoName, default: Some(self.next_no_go()) },
            ),
            SetupStep::NoGo(part) => {
                let (side, high) = if part < 3 { ("length", length_m) } else { ("width", width_m) };
                let end = if part.is_multiple_of(2) { "end" } else { "begin" };
                let text = format!("Where does it {end}, measured along the room's {side}?");
                (text, "From the same corner as everything else.".into(), metres(Topic::NoGoSide, high, None))
            }
            SetupStep::Walls => {
                let all: Vec<String> = SURFACES.iter().map(|(_, words)| format!("{words}, all four")).collect();
                let mut options: Vec<&str> = all.iter().map(String::as_str).collect();
                options.extend([DIFFER, NOT_KNOWN]);
                let why = "Hard walls let bass ring longer, light ones swallow some of it.".into();
                ("What are the walls made of?".into(), why, choose(Topic::SurfaceKind, &options))
            }
            SetupStep::Surface(at) => {
                let what = match at {
                    0..FLOOR => format!("wall {}", wall_letter(at)),
                    FLOOR => "the floor".into(),
                    _ => "the ceiling".into(),
                };
                let mut options: Vec<&str> = SURFACES.iter().map(|(_, words)| *words).collect();
                if at >= FLOOR {
                    options.push(NOT_KNOWN);
                }
                let where_is = [
                    "Along the length, at your corner.",
                    "Across, at the far end.",
                    "Along the length, on the other side.",
                ];
                let why = where_is.get(at).copied().unwrap_or(if at < FLOOR { "Across, at your corner." } else { "" });
                (format!("What is {what} made of?"), why.into(), choose(Topic::SurfaceKind, &options))
            }
            SetupStep::Lead { power, part: part @ (0 | 1) } => {
                let (side, high) = if part == 0 { ("length", length_m) } else { ("width", width_m) };
                let what = if power { "is the socket" } else { "does the cable start" };
                let text = format!("Where {what}, measured along the room's {side}?");
                (text, "From the same corner as everything else.".into(), metres(Topic::CableFrom, high, None))
            }
            SetupStep::Lead { power, .. } => {
                let (what, default) = if power { ("power lead", Some(LEAD_M)) } else { ("cable", None) };
                let why = "Along the floor and the walls, not through the air.".into();
                (format!("How long is the {what}?"), why, metres(Topic::CableLength, LONGEST_CABLE_M, default))
            }
            _ => {
                let count = MORE.len() - usize::from(self.room.fittings.subwoofers.is_some());
                ("What else is there?".into(), self.noted(), choose(Topic::RoomMore, &MORE[..count]))
            }
        }
    }

    /// The step that follows.
    pub(super) fn fittings_answer(&mut self, step: SetupStep, answer: &Answer) -> Result<SetupStep, Refusal> {
        Ok(match (step, answer) {
            (SetupStep::More, &Answer::Choice(at)) => self.more(at)?,
            (SetupStep::GapWall(gap), &Answer::Choice(wall)) => SetupStep::GapEnd { gap, wall, second: false },
            (SetupStep::GapEnd { gap, wall, second }, &Answer::Number(along_m)) => {
                self.gap_end(gap, wall, second, along_m)?;
                if second { SetupStep::More } else { SetupStep::GapEnd { gap, wall, second: true } }
            }
            (SetupStep::NoGo(0), Answer::Text(name)) => {
                let name = name.trim();
                if name.is_empty() || name.chars().count() > 60 || name.chars().any(char::is_control) {
                    return Err(Refusal::Because("What is in the way has a name of 1 to 60 characters.".into()));
                }
                let area = NoGo { name: name.into(), corner_m: [0.0; 2], size_m: [0.0; 2] };
                self.change_room(|room| room.fittings.no_go.push(area));
                SetupStep::NoGo(1)
            }
            (SetupStep::NoGo(part @ 1..=4), &Answer::Number(metres)) => {
                self.no_go_side(part, metres)?;
                if part < 4 { SetupStep::NoGo(part + 1) } else { SetupStep::More }
            }
            (SetupStep::Walls, &Answer::Choice(at)) => {
                let all = SURFACES.get(at).map_or(Vec::new(), |(surface, _)| vec![*surface; FLOOR]);
                self.change_room(|room| room.fittings.walls = all);
                SetupStep::Surface(if at == SURFACES.len() { 0 } else { FLOOR })
            }
            (SetupStep::Surface(at), &Answer::Choice(kind)) => {
                let surface = SURFACES.get(kind).map(|(surface, _)| *surface);
                self.change_room(|room| match at {
                    0..FLOOR => room.fittings.walls.extend(surface),
                    FLOOR => room.fittings.floor = surface,
                    _ => room.fittings.ceiling = surface,
                });
                if at <= FLOOR { SetupStep::Surface(at + 1) } else { SetupStep::More }
            }
            (SetupStep::Lead { power, part }, &Answer::Number(metres)) => {
                self.lead(power, part, metres)?;
                if part < 2 { SetupStep::Lead { power, part: part + 1 } } else { SetupStep::More }
            }
            _ => return Err(Refusal::WrongKind),
        })
    }

    fn more(&mut self, at: usize) -> Result<SetupStep, Refusal> {
        let fittings = &self.room.fittings;
        let count = match at {
            1 => fittings.openings.len(),
            2 => fittings.doors.len(),
            3 => fittings.no_go.len(),
            6 => fittings.sockets.len(),
            _ => 0,
        };
        if count >= MOST_PLACES {
            return Err(Refusal::Because(format!(
                "{count} of these are noted, and no more are kept. Choose something else, or the first entry to go on."
            )));
        }
        Ok(match at {
            1 => SetupStep::GapWall(Gap::Opening),
            2 => SetupStep::GapWall(Gap::Door),
            3 => SetupStep::NoGo(0),
            4 => SetupStep::Walls,
            5 => SetupStep::Lead { power: false, part: 0 },
            6 => SetupStep::Lead { power: true, part: 0 },
            7 => {
                self.change_room(|room| room.fittings.subwoofers = Some(2));
                SetupStep::More
            }
            _ => SetupStep::Position(0, false),
        })
    }

    fn gap_end(&mut self, gap: Gap, wall: usize, second: bool, along_m: f64) -> Result<(), Refusal> {
        let [length_m, width_m] = self.taped_size();
        let at_m = match wall {
            0 => [along_m, 0.0],
            1 => [length_m, along_m],
            2 => [along_m, width_m],
            _ => [0.0, along_m],
        };
        let fittings = &self.room.fittings;
        let (other_m, count) = match gap {
            Gap::Opening => (fittings.openings.last().map(|opening| opening.from_m), fittings.openings.len()),
            Gap::Door => (fittings.doors.last().map(|door| door.hinge_m), fittings.doors.len()),
        };
        if let Some(other_m) = other_m.filter(|_| second)
            && (at_m[0] - other_m[0]).hypot(at_m[1] - other_m[1]) < NARROWEST_M
        {
            return Err(Refusal::Because(
                "Both ends are at the same place. Measure to the other side of the gap.".into(),
            ));
        }
        self.change_room(|room| {
            let fittings = &mut room.fittings;
            match (gap, second) {
                (Gap::Opening, false) => {
                    let name = format!("opening {}", count + 1);
                    fittings.openings.push(Opening { name, from_m: at_m, to_m: at_m, height_m: None });
                }
                (Gap::Door, false) => {
                    let name = format!("door {}", count + 1);
                    fittings.doors.push(Door { name, hinge_m: at_m, latch_m: at_m, outwards: false });
                }
                (Gap::Opening, true) => fittings.openings.iter_mut().last().into_iter().for_each(|gap| gap.to_m = at_m),
                (Gap::Door, true) => fittings.doors.iter_mut().last().into_iter().for_each(|door| door.latch_m = at_m),
            }
        });
        Ok(())
    }

    /// * `part` - as in [`SetupStep::NoGo`], 1 to 4
    fn no_go_side(&mut self, part: usize, metres: f64) -> Result<(), Refusal> {
        let (axis, ends) = ((part - 1) / 2, part.is_multiple_of(2));
        let begin_m = self.room.fittings.no_go.last().map_or(0.0, |area| area.corner_m[axis]);
        if ends && (metres - begin_m).abs() < NARROWEST_M {
            return Err(Refusal::Because("It ends where it begins. Measure to its other side.".into()));
        }
        self.change_room(|room| {
            if let Some(area) = room.fittings.no_go.last_mut() {
                if ends {
                    // From either side, as the tape happened to lie.
                    area.corner_m[axis] = begin_m.min(metres);
                    area.size_m[axis] = (metres - begin_m).abs();
                } else {
                    area.corner_m[axis] = metres;
                }
            }
        });
        Ok(())
    }

    fn lead(&mut self, power: bool, part: usize, metres: f64) -> Result<(), Refusal> {
        if part == 2 && metres <= 0.0 {
            return Err(Refusal::Because("A cable has a length. Type it in metres.".into()));
        }
        self.change_room(|room| {
            let fittings = &mut room.fittings;
            if part == 0 {
                // Until its length is known it limits nothing.
                let start = Reach { from_m: [metres, 0.0], cable_m: f64::from(u16::MAX) };
                if power {
                    fittings.sockets.push(start)
                } else {
                    fittings.reach = Some(start)
                }
                return;
            }
            let lead = if power { fittings.sockets.last_mut() } else { fittings.reach.as_mut() };
            match (lead, part) {
                (Some(lead), 1) => lead.from_m[1] = metres,
                (Some(lead), _) => lead.cable_m = metres,
                (None, _) => {}
            }
        });
        Ok(())
    }

    fn next_no_go(&self) -> String {
        format!("no-go area {}", self.room.fittings.no_go.len() + 1)
    }

    /// What was said so far, in words.
    fn noted(&self) -> String {
        let fittings = &self.room.fittings;
        let several = |count: usize, one: &str| match count {
            0 => None,
            1 => Some(format!("1 {one}")),
            count => Some(format!("{count} {one}s")),
        };
        let surfaces = !fittings.walls.is_empty() || fittings.floor.is_some() || fittings.ceiling.is_some();
        let noted: Vec<String> = [
            several(fittings.openings.len(), "opening"),
            several(fittings.doors.len(), "door"),
            several(fittings.no_go.len(), "no-go area"),
            surfaces.then(|| "what it is made of".into()),
            fittings.reach.as_ref().map(|reach| format!("{} m of cable", reach.cable_m)),
            several(fittings.sockets.len(), "socket"),
            fittings.subwoofers.map(|count| format!("{count} subwoofers")),
        ]
        .into_iter()
        .flatten()
        .collect();
        if noted.is_empty() {
            "All of it is optional. An opening matters most: bass leaks away there.".into()
        } else {
            format!("Noted: {}.", noted.join(", "))
        }
    }
}
