//! The plan as the page shows it, with the spot marked that is talked about, and its distances to two walls in words.

use std::sync::Arc;

use crate::draw::plan;
use crate::draw::theme::Theme;
use crate::faces::form::Form;
use crate::floor_plan;
use crate::view::{Room, View};

/// The pictures take their colours from the page's style.
pub(super) const PAGE: Theme = Theme {
    paper: "var(--paper)",
    ink: "var(--ink)",
    quiet: "var(--quiet)",
    grid: "var(--grid)",
    shade: "var(--shade)",
    weak: "var(--weak)",
    strong: "var(--strong)",
    even: "var(--even)",
    accent: "var(--accent)",
};

/// The plan with the spot marked that is talked about: the question's, or the leader.
pub(super) fn plan(view: &View, size: [f64; 2]) -> Option<String> {
    let drawn = floor_plan::plan(&view.room, 0, marked(view));
    plan::svg(&drawn, size[0], size[1], &PAGE).map(styled_by_the_page)
}

/// What the plan shows, so that it is drawn anew only when that changes.
pub(super) fn plan_key(view: &View) -> (usize, Option<usize>) {
    (Arc::as_ptr(&view.room) as usize, marked(view))
}

fn marked(view: &View) -> Option<usize> {
    let asked = view.question.as_deref().and_then(|question| Form::of(&question.ask).spot);
    let leader = || view.ranking.as_ref()?.spots.first().filter(|spot| spot.answers > 0).map(|spot| spot.spot);
    asked.or_else(leader)
}

/// The two distances of a spot, in words; nothing where nobody measured.
pub(super) fn tape_words(room: &Room, spot: usize) -> Option<String> {
    let [x, y, _] = room.spots.get(spot)?.at_m?;
    Some(floor_plan::plan(room, 0, None).tape_words([x, y])).filter(|words| !words.is_empty())
}

/// The page allows no style inside its content; what pictures say there, its own style says for them.
pub(super) fn styled_by_the_page(svg: String) -> String {
    svg.replace(" style=\"paint-order: stroke\"", " class=\"over\"")
        .replace(" style=\"font-variant-numeric: tabular-nums\"", "")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::faces::scenes;

    #[test]
    fn pictures_hold_no_style_that_the_page_forbids() {
        let mut view = scenes::go_to();
        let room = Arc::make_mut(&mut view.room);
        room.floor = Some(crate::view::Floor::Rectangle { length_m: 5.0, width_m: 4.0 });
        for (at, spot) in room.spots.iter_mut().enumerate() {
            spot.at_m = Some([0.4 + 0.6 * at as f64, 0.5, 0.3]);
        }
        // So many spots are numbered; the seat's name is what is written over lines.
        room.seats[0].at_m = Some([3.1, 2.2, 1.1]);
        let plan = plan(&view, [310.0, 270.0]).unwrap();
        assert!(plan.contains("var(--ink)"), "{plan}");
        assert!(!plan.contains("style="), "{plan}");
        let tapes = tape_words(&view.room, marked(&view).unwrap());
        assert_eq!(tapes.as_deref(), Some("0.50 m from wall A, 1.00 m from wall D"));
    }
}
