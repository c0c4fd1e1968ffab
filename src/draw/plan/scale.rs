//! From metres in the room to places on the page.

use crate::draw::plan::Plan;

/// From metres to the page.
pub(in crate::draw) struct Scale {
    low: [f64; 2],
    /// How long a metre is on the page.
    pub(super) per_metre: f64,
    /// Free to the left of the floor.
    pub(super) left: f64,
    /// Of the whole picture.
    pub(super) width: f64,
    height: f64,
    margin_y: f64,
}

impl Scale {
    /// A plan at most `width` by `height`, in the middle of the width; `None` if the outline is not known.
    /// * `margins` - left free beside the walls, and above and below
    pub(in crate::draw) fn fitting(plan: &Plan, width: f64, height: f64, margins: [f64; 2]) -> Option<Self> {
        if !plan.is_known() {
            return None;
        }
        let (low, high) = plan.bounds();
        let size = [(high[0] - low[0]).max(0.1), (high[1] - low[1]).max(0.1)];
        let [margin_x, margin_y] = margins;
        let per_metre = ((width - 2.0 * margin_x) / size[0]).min((height - 2.0 * margin_y) / size[1]).max(1.0);
        let left = (width - size[0] * per_metre) / 2.0;
        Some(Self { low, per_metre, left, width, height: size[1] * per_metre + 2.0 * margin_y, margin_y })
    }

    /// How high the plan is on the page, with the room around it.
    pub(in crate::draw) fn height(&self) -> f64 {
        self.height
    }

    /// A place on the page, kept away from the edges of the plan.
    pub(in crate::draw) fn inwards(&self, [x, y]: [f64; 2], least: f64) -> [f64; 2] {
        let (left, right) = (self.left + least, self.width - self.left - least);
        let (top, bottom) = (self.margin_y + least, self.height - self.margin_y - least);
        [x.clamp(left, right.max(left)), y.clamp(top, bottom.max(top))]
    }

    pub(in crate::draw) fn at(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let y = self.height - self.margin_y - (y - self.low[1]) * self.per_metre;
        [self.left + (x - self.low[0]) * self.per_metre, y]
    }
}
