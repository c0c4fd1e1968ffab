//! Where labels go so that they keep out of each other's way.

use maud::{Markup, html};

use crate::draw::plan::scale::Scale;
use crate::draw::plan::{Plan, Role};
use crate::draw::svg::{Anchor, LABEL, SMALL, text_width};

/// Boxes that are taken, so that labels keep out of each other's way: left, top, right, bottom.
pub(in crate::draw) struct Labels {
    taken: Vec<[f64; 4]>,
    /// The floor's bounding box on the page: labels rather stay inside.
    inside: [f64; 4],
    /// And never leave the picture.
    width: f64,
}

impl Labels {
    /// Walls, the chosen spot's tapes, seats and spots count as taken.
    pub(in crate::draw) fn new(plan: &Plan, scale: &Scale, width: f64) -> Self {
        let count = plan.corners_m.len();
        let mut lines: Vec<[[f64; 2]; 2]> =
            (0..count).map(|wall| [plan.corners_m[wall], plan.corners_m[(wall + 1) % count]]).collect();
        for spot in plan.spots.iter().filter(|spot| spot.role == Role::Chosen) {
            lines.extend(plan.tapes(spot.at_m).iter().map(|tape| [spot.at_m, tape.foot_m]));
        }
        let (low, high) = plan.bounds();
        let ([left, bottom], [right, top]) = (scale.at(low), scale.at(high));
        let mut labels = Self { taken: Vec::new(), inside: [left, top, right, bottom], width };
        for [from, to] in lines {
            let (from, to) = (scale.at(from), scale.at(to));
            let pieces = ((to[0] - from[0]).hypot(to[1] - from[1]) / 4.0).ceil().max(1.0);
            for piece in 0..=pieces as usize {
                let share = piece as f64 / pieces;
                labels.mark([0, 1].map(|axis| from[axis] + (to[axis] - from[axis]) * share), 3.0);
            }
        }
        for mark in plan.seats.iter().chain(&plan.spots) {
            labels.mark(scale.at(mark.at_m), if mark.role == Role::Chosen { 11.0 } else { 7.5 });
        }
        labels
    }

    pub(in crate::draw) fn mark(&mut self, [x, y]: [f64; 2], radius: f64) {
        // Twice, since to cover a mark is worse than to cover part of a word.
        self.taken.extend([[x - radius, y - radius, x + radius, y + radius]; 2]);
    }

    pub(in crate::draw) fn fixed(&mut self, base: [f64; 2], anchor: Anchor, size: f64, words: &str) -> Markup {
        self.taken.push(text_box(base, anchor, size, text_width(words, size), 1));
        html! {}
    }

    pub(in crate::draw) fn is_free(&self, base: [f64; 2], anchor: Anchor, size: f64, words: &str) -> bool {
        self.overlap(text_box(base, anchor, size, text_width(words, size), 1)) == 0.0
    }

    /// How much of a box is taken.
    pub(in crate::draw) fn overlap(&self, a: [f64; 4]) -> f64 {
        self.taken.iter().map(|b| shared_area(a, *b)).sum()
    }

    /// What a place for a label costs: overlaps most, leaving the picture worse than anything, leaving the floor a
    /// little.
    fn cost(&self, [left, top, right, bottom]: [f64; 4]) -> f64 {
        let area = (right - left) * (bottom - top);
        let outside = area - shared_area([left, top, right, bottom], self.inside);
        let cut = (-left).max(0.0) + (right - self.width).max(0.0);
        self.overlap([left, top, right, bottom]) + 0.2 * outside + 1e3 * cut
    }

    /// The free place nearest to a mark, or the least bad one.
    pub(in crate::draw) fn place(
        &mut self,
        [x, y]: [f64; 2],
        name: &str,
        second: &str,
        away: f64,
    ) -> ([f64; 2], Anchor) {
        let lines = if second.is_empty() { 1 } else { 2 };
        let width = text_width(name, LABEL).max(text_width(second, SMALL));
        let tall = LABEL + f64::from(lines - 1) * (SMALL + 2.0);
        let beside = y - tall / 2.0 + LABEL * 0.85;
        let around = |away: f64| {
            let below = y + away + LABEL * 0.8;
            let above = y - away - tall + LABEL;
            [
                ([x + away, beside], Anchor::Start),
                ([x - away, beside], Anchor::End),
                ([x, below], Anchor::Middle),
                ([x, above], Anchor::Middle),
                ([x + away * 0.7, below], Anchor::Start),
                ([x - away * 0.7, below], Anchor::End),
                ([x + away * 0.7, above], Anchor::Start),
                ([x - away * 0.7, above], Anchor::End),
            ]
        };
        // A little further away only where there is no room close by.
        let candidates =
            [0.0, 6.0, 14.0].into_iter().flat_map(|further| around(away + further).map(|at| (at, further)));
        let cost = |((base, anchor), further): &(([f64; 2], Anchor), f64)| {
            self.cost(text_box(*base, *anchor, LABEL, width, lines)) + 3.0 * further
        };
        let best = candidates.min_by(|a, b| cost(a).total_cmp(&cost(b)));
        let best = best.map_or(([x, y], Anchor::Start), |(at, _)| at);
        self.taken.push(text_box(best.0, best.1, LABEL, width, lines));
        best
    }
}

fn shared_area(a: [f64; 4], b: [f64; 4]) -> f64 {
    (a[2].min(b[2]) - a[0].max(b[0])).max(0.0) * (a[3].min(b[3]) - a[1].max(b[1])).max(0.0)
}

fn text_box(base: [f64; 2], anchor: Anchor, size: f64, width: f64, lines: i32) -> [f64; 4] {
    let left = match anchor {
        Anchor::Start => base[0],
        Anchor::Middle => base[0] - width / 2.0,
        Anchor::End => base[0] - width,
    };
    let bottom = base[1] + size * 0.25 + f64::from(lines - 1) * (SMALL + 2.0);
    [left, base[1] - size * 0.8, left + width, bottom]
}
