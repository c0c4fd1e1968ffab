//! The plan as SVG.

use maud::{Markup, html};

use crate::draw::plan::labels::Labels;
use crate::draw::plan::scale::Scale;
use crate::draw::plan::{Area, Mark, Plan, Role, Swing, outward_of, wall_letter};
use crate::draw::svg::{Anchor, LABEL, SMALL, line, path, picture, round, text, text_over, text_width};
use crate::draw::theme::Theme;

/// Room beside the walls, and above and below, for letters and distances.
const MARGINS: [f64; 2] = [64.0, 28.0];
/// Height of a line of the key.
const KEY_LINE: f64 = 14.0;

/// The names of numbered spots, in columns under a plan.
pub(in crate::draw) struct Key {
    entries: Vec<(String, bool)>,
    columns: usize,
    column_width: f64,
}

impl Key {
    /// Empty for a plan whose spots are not numbered.
    pub(in crate::draw) fn of(plan: &Plan, width: f64) -> Self {
        let name = |(index, spot): (usize, &Mark)| {
            let tapes = if plan.tapes_of_all { format!(": {}", plan.tape_signs(spot.at_m)) } else { String::new() };
            (format!("{}  {}{tapes}", index + 1, spot.name), spot.role == Role::Chosen)
        };
        let entries: Vec<(String, bool)> =
            if plan.numbered { plan.spots.iter().enumerate().map(name).collect() } else { Vec::new() };
        let widest = entries.iter().map(|(words, _)| text_width(words, SMALL)).fold(40.0, f64::max) + 12.0;
        let columns = ((width / widest) as usize).clamp(1, entries.len().max(1));
        Self { entries, columns, column_width: width / columns as f64 }
    }

    fn lines(&self) -> usize {
        self.entries.len().div_ceil(self.columns)
    }

    pub(in crate::draw) fn height(&self) -> f64 {
        KEY_LINE * self.lines() as f64
    }

    /// * `top` - upper edge of the first line
    pub(in crate::draw) fn draw(&self, top: f64, theme: &Theme) -> Markup {
        let lines = self.lines().max(1);
        html! {
            @for (index, (words, chosen)) in self.entries.iter().enumerate() {
                @let x = 8.0 + self.column_width * (index / lines) as f64;
                (text([x, top + KEY_LINE * (index % lines) as f64 + SMALL], Anchor::Start, SMALL, theme.ink, *chosen, words))
            }
        }
    }
}

/// The plan as SVG, at most `width` by `height`; `None` if the outline is not known.
pub fn svg(plan: &Plan, width: f64, height: f64, theme: &Theme) -> Option<String> {
    let key = Key::of(plan, width - 8.0);
    let scale = Scale::fitting(plan, width, height - key.height(), MARGINS)?;
    let height = scale.height();
    let mut labels = Labels::new(plan, &scale, width);
    let content = html! {
        (outline(plan, &scale, theme.paper, theme))
        @for area in &plan.no_go { (no_go(area, &scale, theme, &mut labels)) }
        (walls(plan, &scale, theme, &mut labels))
        (supplies(plan, &scale, theme, &mut labels))
        (marks(plan, &scale, theme, &mut labels))
        (metre(&scale, theme, height, &labels))
        (key.draw(height + 2.0, theme))
    };
    Some(picture(
        width,
        height + key.height() + if plan.numbered { 6.0 } else { 0.0 },
        "Plan of the room",
        theme,
        &content,
    ))
}

/// Walls with their gaps.
pub(in crate::draw) fn outline(plan: &Plan, scale: &Scale, fill: &str, theme: &Theme) -> Markup {
    let outline: Vec<[f64; 2]> = plan.corners_m.iter().map(|corner| scale.at(*corner)).collect();
    html! {
        path d=(path(&outline, true)) fill=(fill) stroke=(theme.ink) stroke-width="3" stroke-linejoin="miter" {}
        @for gap in &plan.gaps {
            @let (from, to) = (scale.at(gap.from_m), scale.at(gap.to_m));
            (line(from, to, theme.paper, 5.0))
            (line(from, to, theme.quiet, 1.0))
        }
        @for door in &plan.doors { (swing(door, plan, scale, theme)) }
    }
}

/// A door as on builders' plans: the leaf standing open, and the quarter circle in which it turns.
fn swing(door: &Swing, plan: &Plan, scale: &Scale, theme: &Theme) -> Markup {
    let Some(open_m) = door.open_m(plan) else { return html! {} };
    let (hinge, latch, square) = (scale.at(door.hinge_m), scale.at(door.latch_m), scale.at(open_m));
    let width = (latch[0] - hinge[0]).hypot(latch[1] - hinge[1]).max(1.0);
    // Outside there is little paper: a door that opens there is drawn ajar.
    let sine = if door.outwards { (0.8 * MARGINS[1] / width).min(1.0) } else { 1.0 };
    let cosine = (1.0 - sine * sine).sqrt();
    let open =
        [0, 1].map(|axis| hinge[axis] + cosine * (latch[axis] - hinge[axis]) + sine * (square[axis] - hinge[axis]));
    let radius = round(width);
    let turn = (latch[0] - hinge[0]) * (open[1] - hinge[1]) - (latch[1] - hinge[1]) * (open[0] - hinge[0]);
    let sweep = if turn > 0.0 { 1 } else { 0 };
    let [x, y] = latch.map(round);
    let arc = format!("M{x} {y}A{radius} {radius} 0 0 {sweep} {} {}", round(open[0]), round(open[1]));
    html! {
        (line(hinge, latch, theme.paper, 1.5))
        (line(hinge, open, theme.quiet, 1.5))
        path d=(arc) fill="none" stroke=(theme.quiet) stroke-width="1" stroke-dasharray="3 2" {}
    }
}

/// Where the signal's cable and power come from: on the wall, with a word.
fn supplies(plan: &Plan, scale: &Scale, theme: &Theme, labels: &mut Labels) -> Markup {
    let sockets = plan.sockets_m.iter().map(|at| (*at, "socket"));
    html! {
        @for (at, words) in sockets.chain(plan.cable_from_m.map(|at| (at, "cable"))) {
            @let [x, y] = scale.at(at);
            rect x=(round(x - 3.5)) y=(round(y - 3.5)) width="7" height="7" fill=(theme.paper) stroke=(theme.ink) stroke-width="1.2" {}
            @let (base, anchor) = labels.place([x, y], words, "", 7.0);
            (text_over(base, anchor, SMALL, (theme.quiet, theme.paper), false, words))
        }
    }
}

fn no_go(area: &Area, scale: &Scale, theme: &Theme, labels: &mut Labels) -> Markup {
    let [x, y] = scale.at([area.corner_m[0], area.corner_m[1] + area.size_m[1]]);
    let [width, height] = area.size_m.map(|metres| metres * scale.per_metre);
    let fits = text_width(&area.name, SMALL) < width && height > SMALL + 2.0;
    html! {
        rect x=(round(x)) y=(round(y)) width=(round(width)) height=(round(height)) fill=(theme.shade) stroke=(theme.grid) {}
        @if fits {
            (labels.fixed([x + width / 2.0, y + height / 2.0 + SMALL * 0.35], Anchor::Middle, SMALL, &area.name))
            (text([x + width / 2.0, y + height / 2.0 + SMALL * 0.35], Anchor::Middle, SMALL, theme.quiet, false, &area.name))
        }
    }
}

/// Letters outside the walls, and the chosen spot's distances where their tapes meet the walls.
fn walls(plan: &Plan, scale: &Scale, theme: &Theme, labels: &mut Labels) -> Markup {
    let chosen: Vec<&Mark> = plan.spots.iter().filter(|spot| spot.role == Role::Chosen).collect();
    let outward = |wall: usize| outward_of(plan, wall);
    let beyond = |at: [f64; 2], wall: usize, distance: f64| {
        let [x, y] = scale.at(at);
        let [dx, dy] = outward(wall);
        [x + dx * distance, y - dy * distance]
    };
    html! {
        @for spot in &chosen {
            @for tape in plan.tapes(spot.at_m) {
                @let words = format!("{:.2} m", tape.distance_m);
                @let at = beyond(tape.foot_m, tape.wall, 9.0);
                @let [dx, dy] = outward(tape.wall);
                @let anchor = if dx > 0.5 { Anchor::Start } else if dx < -0.5 { Anchor::End } else { Anchor::Middle };
                @let base = [at[0], at[1] - dy * LABEL * 0.45 + LABEL * 0.35];
                (line(scale.at(spot.at_m), scale.at(tape.foot_m), theme.ink, 1.0))
                (labels.fixed(base, anchor, LABEL, &words))
                (text(base, anchor, LABEL, theme.ink, true, &words))
            }
        }
        @for wall in 0..plan.corners_m.len() {
            @let (from, to) = (plan.corners_m[wall], plan.corners_m[(wall + 1) % plan.corners_m.len()]);
            @let letter = wall_letter(wall);
            @let at = [0.5, 0.62, 0.38, 0.75].iter().map(|share| {
                let point = [from[0] + (to[0] - from[0]) * share, from[1] + (to[1] - from[1]) * share];
                let [x, y] = beyond(point, wall, 13.0);
                [x, y + SMALL * 0.35]
            }).find(|at| labels.is_free(*at, Anchor::Middle, SMALL, &letter));
            @if let Some(at) = at {
                (labels.fixed(at, Anchor::Middle, SMALL, &letter))
                (text(at, Anchor::Middle, SMALL, theme.quiet, false, &letter))
            }
        }
    }
}

/// Seats and spots with their names.
pub(in crate::draw) fn marks(plan: &Plan, scale: &Scale, theme: &Theme, labels: &mut Labels) -> Markup {
    let of_role = |role| plan.spots.iter().filter(move |spot| spot.role == role);
    if plan.numbered {
        return numbered(plan, scale, theme, labels);
    }
    html! {
        @for seat in &plan.seats {
            (seat_shape(scale.at(seat.at_m), theme))
            (labelled(scale.at(seat.at_m), &seat.name, "", seat.role == Role::Chosen, theme, labels))
        }
        @for spot in of_role(Role::Chosen) {
            (chosen_shape(scale.at(spot.at_m), theme))
            (labelled(scale.at(spot.at_m), &spot.name, "", true, theme, labels))
        }
        @for spot in of_role(Role::Other) {
            @let [x, y] = scale.at(spot.at_m);
            circle cx=(round(x)) cy=(round(y)) r="5" fill=(theme.paper) stroke=(theme.ink) stroke-width="1.5" {}
            @let tapes = if plan.tapes_of_all { plan.tape_signs(spot.at_m) } else { String::new() };
            (labelled([x, y], &spot.name, &tapes, false, theme, labels))
        }
    }
}

/// The same with numbers in place of the spots' names.
fn numbered(plan: &Plan, scale: &Scale, theme: &Theme, labels: &mut Labels) -> Markup {
    html! {
        @for (index, spot) in plan.spots.iter().enumerate() {
            @let ([x, y], chosen) = (scale.at(spot.at_m), spot.role == Role::Chosen);
            @let (fill, ink) = if chosen { (theme.ink, theme.paper) } else { (theme.paper, theme.ink) };
            circle cx=(round(x)) cy=(round(y)) r=(if chosen { "9" } else { "7.5" }) fill=(fill) stroke=(theme.ink) stroke-width="1.3" {}
            (text([x, y + SMALL * 0.36], Anchor::Middle, SMALL, ink, chosen, &(index + 1).to_string()))
        }
        @for seat in &plan.seats {
            (seat_shape(scale.at(seat.at_m), theme))
            (labelled(scale.at(seat.at_m), &seat.name, "", seat.role == Role::Chosen, theme, labels))
        }
    }
}

/// A seat from above: a back and two arms.
fn seat_shape([x, y]: [f64; 2], theme: &Theme) -> Markup {
    let shape = format!("M{} {}v9a3 3 0 0 0 3 3h10a3 3 0 0 0 3 -3v-9", round(x - 8.0), round(y - 5.0));
    html! {
        path d=(shape) fill="none" stroke=(theme.ink) stroke-width="2" stroke-linecap="round" {}
        circle cx=(round(x)) cy=(round(y)) r="2.5" fill=(theme.ink) {}
    }
}

/// The chosen spot: a filled box inside a ring.
fn chosen_shape([x, y]: [f64; 2], theme: &Theme) -> Markup {
    html! {
        circle cx=(round(x)) cy=(round(y)) r="11" fill=(theme.paper) stroke=(theme.ink) stroke-width="2" {}
        rect x=(round(x - 5.5)) y=(round(y - 5.5)) width="11" height="11" fill=(theme.ink) {}
    }
}

fn labelled(at: [f64; 2], name: &str, second: &str, bold: bool, theme: &Theme, labels: &mut Labels) -> Markup {
    let (base, anchor) = labels.place(at, name, second, if bold { 15.0 } else { 10.0 });
    html! {
        (text_over(base, anchor, LABEL, (theme.ink, theme.paper), bold, name))
        @if !second.is_empty() {
            (text_over([base[0], base[1] + SMALL + 2.0], anchor, SMALL, (theme.quiet, theme.paper), false, second))
        }
    }
}

/// One metre, to scale: under the left corner, or the right one where a distance is written on the left.
fn metre(scale: &Scale, theme: &Theme, height: f64, labels: &Labels) -> Markup {
    const WORDS: f64 = 25.0;
    let y = height - 8.0;
    let taken = labels.overlap([scale.left, y - 6.0, scale.left + scale.per_metre + WORDS, y + 5.0]) > 0.0;
    let left = if taken { scale.width - scale.left - scale.per_metre - WORDS } else { scale.left };
    let right = left + scale.per_metre;
    html! {
        (line([left, y], [right, y], theme.quiet, 1.0))
        (line([left, y - 3.0], [left, y + 3.0], theme.quiet, 1.0))
        (line([right, y - 3.0], [right, y + 3.0], theme.quiet, 1.0))
        (text([right + 5.0, y + 3.0], Anchor::Start, SMALL, theme.quiet, false, "1 m"))
    }
}
