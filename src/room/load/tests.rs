//! Rooms as people write them, and as they should not.

use std::path::Path;

use crate::room::load::{EAR_HEIGHT_M, load};
use crate::room::plan::{Floor, Place, Room};

const PLAIN: &str = "name = \"living room\"\nsize_m = [5, 4.1]\nheight_m = 2.5\n\n[[seat]]\nname = \"sofa\"\nat_m = [3.2, 2]\n\n[[spot]]\nname = \"left\"\nat_m = [0.4, 0.4, 0.25]\n[[spot]]\nname = \"right\"\n";

#[test]
fn reads_a_room_with_everything_usual() {
    let room = Room::from_toml("room.toml", PLAIN).unwrap();
    assert_eq!(room.floor, Some(Floor::Rectangle { length_m: 5.0, width_m: 4.1 }));
    assert_eq!(room.seats, [Place { name: "sofa".into(), at_m: Some([3.2, 2.0, EAR_HEIGHT_M]) }]);
    assert_eq!(room.spots[0].at_m, Some([0.4, 0.4, 0.25]));
    assert_eq!(room.spots[1].at_m, None);
}

#[test]
fn names_alone_are_a_room() {
    let room = Room::from_toml("room.toml", "[[spot]]\nname = \"P1\"\n").unwrap();
    assert_eq!((room.floor, room.seats.len(), room.spots.len()), (None, 1, 1));
}

#[track_caller]
fn refused(text: &str, line: usize, column: usize, says: &str, advises: &str) {
    let error = Room::from_toml("room.toml", text).unwrap_err();
    assert_eq!((error.line, error.column), (line, column), "{error}");
    assert!(error.message.contains(says), "{error}");
    assert!(error.help.as_deref().unwrap_or_default().contains(advises), "{error}");
}

#[test]
fn bad_rooms_are_named_and_placed() {
    refused("size_m = [40, 13]\n", 1, 10, "are these metres?", "12.19");
    refused("size_m = [16, 12]\nheight_m = 8\n", 2, 12, "are these metres?", "2.44");
    refused("size_m = [5, 0]\n", 1, 10, "0 m", "above zero");
    refused("size_m = [5, -4]\n", 1, 10, "-4 m", "above zero");
    refused("size_m = [nan, 4]\n", 1, 10, "NaN", "above zero");
    refused("size_m = [5, 4]\nfloor_m = [[0,0],[1,0],[1,1]]\n", 2, 11, "both", "keep size_m");
    refused("floor_m = [[0,0],[4,4],[4,0],[0,4]]\n", 1, 24, "cross", "in the order");
    refused("floor_m = [[0,0],[4,0]]\n", 1, 11, "3 to 100", "in order");
    refused("size_m = [5, 4]\nheigth_m = 2.5\n", 2, 1, "unknown key", "did you mean `height_m`?");
    refused("size_m = [5, 4]\n[[seat]]\nname = \"a\"\nat_m = [7, 1]\n", 4, 8, "2.00 m outside", "from the corner");
    refused("[[spot]]\nname = \"a\"\n[[spot]]\nname = \"a\"\n", 4, 8, "two spots", "its own name");
    refused(
        "size_m=[5,4]\n[[no_go]]\ncorner_m=[0,0]\nsize_m=[1,1]\n[[spot]]\nname=\"a\"\nat_m=[0.4,0.4]\n",
        6,
        6,
        "no-go area",
        "move the spot",
    );
    let hearth = "size_m=[5,4]\n[[no_go]]\nname=\"hearth\"\ncorner_m=[0,0]\nsize_m=[1,1]\n[[spot]]\nname=\"a\"\nat_m=[0.4,0.4]\n";
    refused(hearth, 7, 6, "spot \"a\" at 0.40, 0.40 m stands in the no-go area \"hearth\"", "move the spot");
    let door = "size_m=[5,4]\n[[door]]\nhinge_m=[1,0]\nlatch_m=[1.9,0]\n[[spot]]\nname=\"a\"\nat_m=[1.4,0.4]\n";
    refused(door, 6, 6, "in the way of the door \"door 1\"", "outwards = true");
    refused("size_m=[5,4]\n[[opening]]\nfrom_m=[2,2]\nto_m=[3,2]\n", 3, 8, "not on a wall", "on one wall");
    refused("size_m=[5,4]\nwalls=[\"masonry\"]\n", 2, 7, "1 walls", "for each wall");
}

#[test]
fn sizes_that_are_none_are_named_and_placed() {
    refused("size_m = [5, 4]\nheight_m = 0\n", 2, 12, "too low to sit under", "metres");
    refused("size_m = [5, 4]\nheight_m = -2.5\n", 2, 12, "too low to sit under", "metres");
    refused("size_m = [0.5, 4]\n", 1, 10, "only 0.5 m long", "at least 1 m");
    refused("size_m = [530, 410]\n", 1, 10, "530 m long", "if that is centimetres, write 5.30");
    refused("large = true\nsize_m = [70, 4]\n", 2, 10, "70 m long", "up to 60 m");
    refused("size_m = [5, 4]\nreverberation_s = 0\n", 2, 19, "no room's", "60 dB");
    refused("size_m=[5,4]\n[[opening]]\nfrom_m=[2,0]\nto_m=[2,0]\n", 4, 6, "no width", "both ends");
    refused("size_m=[5,4]\n[[opening]]\nfrom_m=[2,0]\nto_m=[3,0]\nheight_m=0\n", 5, 10, "above zero", "door");
    refused("size_m=[5,4]\n[[no_go]]\ncorner_m=[0,0]\nsize_m=[1,-1]\n", 4, 8, "no size", "both above zero");
    refused("size_m=[5,4]\n[[no_go]]\ncorner_m=[0,0]\nsize_m=[1e9,1]\n", 4, 8, "1000000000 m long", "in metres");
    refused("size_m=[5,4]\n[[no_go]]\ncorner_m=[0,0]\nsize_m=[1,60.5]\n", 4, 8, "longer than 60 m", "in metres");
    refused("size_m=[5,4]\n[[no_go]]\ncorner_m=[6,0]\nsize_m=[1,1]\n", 3, 10, "outside the walls", "in metres");
    refused("size_m=[5,4]\n[reach]\nfrom_m=[0,0]\ncable_m=0\n", 4, 9, "no length", "metres");
    refused("size_m=[5,4]\nsubwoofers=-1\n", 2, 12, "-1 subwoofers", "1 or 2");
    refused("size_m=[5,4]\n[[door]]\nhinge_m=[1,1]\nlatch_m=[2,1]\n", 3, 9, "not on a wall", "both on one wall");
    refused("size_m=[5,4]\n[[door]]\nhinge_m=[1,0]\nlatch_m=[1,0]\n", 4, 9, "no width", "hinge");
    refused("size_m=[5,4]\n[[socket]]\nat_m=[9,0]\n", 3, 6, "4.00 m outside", "metres");
    refused("size_m=[5,4]\n[[socket]]\nat_m=[0,0]\nlead_m=-2\n", 4, 8, "no length", "for 2 m");
    refused("size_m=[5,4]\n[reach]\nfrom_m=[9,0]\ncable_m=5\n", 3, 8, "4.00 m outside", "enters the room");
}

#[test]
fn outlines_that_are_none_are_named_and_placed() {
    // A figure of eight, a wall that folds back on itself, a corner twice, a spike without floor, a corner that is no
    // number.
    refused("floor_m = [[0,0],[4,0],[1,3],[3,3]]\n", 1, 30, "cross", "in the order");
    refused("floor_m = [[0,0],[4,0],[2,0],[2,3]]\n", 1, 18, "cross", "in the order");
    refused("floor_m = [[0,0],[4,0],[4,0],[0,3]]\n", 1, 18, "the same place", "leave one of them out");
    refused("floor_m = [[0,0],[4,0.1],[4,1.1],[3.9,0.2]]\n", 1, 11, "m\u{b2} of floor", "in the order");
    refused("floor_m = [[0,0],[4,inf],[4,3]]\n", 1, 18, "not a place", "metres");
}

#[test]
fn places_where_nothing_can_be_are_named_and_placed() {
    // The notch of an L is outside, although it is inside the box around it.
    let l_shape = "floor_m=[[0,0],[6,0],[6,2.5],[3,2.5],[3,5],[0,5]]\nheight_m=2.4\n";
    refused(&format!("{l_shape}[[spot]]\nname=\"a\"\nat_m=[5,4.5]\n"), 5, 6, "2.00 m outside", "from the corner");
    refused(&format!("{l_shape}[[seat]]\nname=\"a\"\nat_m=[1,1,3]\n"), 5, 6, "3 m above the floor", "metres");
    refused(&format!("{l_shape}[[seat]]\nname=\"a\"\nat_m=[1]\n"), 5, 6, "not at a place", "[x, y]");
    refused(&format!("{l_shape}[[seat]]\nname=\"a\"\nat_m=[1,nan]\n"), 5, 6, "not at a place", "[x, y]");
    refused(&format!("{l_shape}[[seat]]\nname=\" \"\n"), 4, 6, "read out", "left corner");
    let spots: String = (0..201).map(|n| format!("[[spot]]\nname=\"{n}\"\n")).collect();
    refused(&spots, 402, 6, "more than 200 spots", "nobody visits");
}

#[test]
fn thousands_of_corners_are_refused_quickly() {
    let corners: Vec<String> = (0..5000).map(|i| format!("[{}, {}]", i % 5, i % 3)).collect();
    let text = format!("floor_m = [{}]\n", corners.join(","));
    assert!(Room::from_toml("room.toml", &text).unwrap_err().message.contains("this one 5000"));
}

#[test]
fn a_large_room_is_believed_when_said_so() {
    assert!(Room::from_toml("room.toml", "large = true\nsize_m = [40, 13]\n").is_ok());
}

#[test]
fn a_place_outside_by_a_tapes_error_is_taken() {
    assert!(Room::from_toml("r", "size_m = [7, 4]\n[[spot]]\nname = \"a\"\nat_m = [7.2, 1]\n").is_ok());
}

#[test]
fn the_example_rooms_are_well_formed() {
    for (label, text) in [
        ("living-room.toml", include_str!("../../../presets/rooms/living-room.toml")),
        ("garden-flat.toml", include_str!("../../../presets/rooms/garden-flat.toml")),
    ] {
        let room = Room::from_toml(label, text).unwrap_or_else(|error| panic!("{error}"));
        assert!(room.floor.is_some() && room.seats.len() == 2);
    }
}

#[test]
fn seats_may_have_weights_and_spots_may_not() {
    let room = |text: &str| Room::from_toml("room.toml", text);
    let two = "[[seat]]\nname = \"a\"\nweight = 2\n[[seat]]\nname = \"b\"\n[[seat]]\nname = \"c\"\nweight = 0.5\n";
    assert_eq!(room(two).unwrap().seat_weights, [2.0, 0.0, 0.5]);
    assert!(room(PLAIN).unwrap().seat_weights.is_empty());
    refused("[[spot]]\nname = \"a\"\nweight = 2\n", 3, 10, "a spot has no weight", "weights to seats");
    refused("[[seat]]\nname = \"a\"\nweight = -1\n", 3, 10, "cannot count -1 times", "from 0 to 100");
    refused("[[seat]]\nname = \"a\"\nweight = 0\n", 3, 10, "no seat counts", "above 0");
}

#[test]
fn a_missing_file_says_which() {
    let error = load(Path::new("no-such-room.toml")).unwrap_err();
    assert!(error.to_string().contains("no-such-room.toml"));
}
