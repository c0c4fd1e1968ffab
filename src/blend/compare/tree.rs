//! Which two settings are compared, and what comes after: trees over a list, as data.

use serde::{Deserialize, Serialize};

use crate::blend::compare::Side;

/// A setting that can be compared with another.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Setting {
    /// What the control is set to, in its unit.
    pub value: f64,
    /// What it is called.
    pub name: String,
    /// By how much it must be played louder, dB, to be as loud as the others where the comparison is not about
    /// loudness.
    #[serde(default)]
    pub trim_db: f64,
}

/// Which two are compared, and what comes after: as data.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Tree {
    /// Compare two settings of the tree's list.
    Compare {
        /// Position in the list; wins when nothing tells them apart, so this is the easier or the present one.
        a: usize,
        /// Position in the list.
        b: usize,
        /// What comes when A is better or nothing tells them apart.
        if_a: Box<Tree>,
        /// What comes when B is better.
        if_b: Box<Tree>,
    },
    /// Keep this one of the list.
    Keep(usize),
}

impl Tree {
    /// Where the winners so far lead: the comparison that is next, or the setting to keep.
    pub fn after(&self, winners: &[Side]) -> &Self {
        let mut at = self;
        for winner in winners {
            match (at, winner) {
                (Self::Compare { if_a, .. }, Side::A) => at = if_a,
                (Self::Compare { if_b, .. }, Side::B) => at = if_b,
                (Self::Keep(_), _) => break,
            }
        }
        at
    }

    /// Whether every position lies within a list of `settings`.
    pub fn fits(&self, settings: usize) -> bool {
        match self {
            Self::Keep(at) => *at < settings,
            Self::Compare { a, b, if_a, if_b } => {
                a != b && *a < settings && *b < settings && if_a.fits(settings) && if_b.fits(settings)
            }
        }
    }
}

/// A list of settings and the tree over them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Trial {
    /// The settings.
    pub settings: Vec<Setting>,
    /// Which are compared.
    pub tree: Tree,
}

fn compare(a: usize, b: usize, if_a: Tree, if_b: Tree) -> Tree {
    Tree::Compare { a, b, if_a: Box::new(if_a), if_b: Box::new(if_b) }
}

fn settings(values: &[f64], unit: &str) -> Vec<Setting> {
    let setting = |value: &f64| Setting { value: *value, name: format!("{value} {unit}"), trim_db: 0.0 };
    values.iter().map(setting).collect()
}

/// The phase switch (*common practice*): 0 against 90; if 0 is better, 0 against 270, else 90 against 180 degrees.
pub fn phase_by_quarters() -> Trial {
    let tree = compare(0, 1, compare(0, 3, Tree::Keep(0), Tree::Keep(3)), compare(1, 2, Tree::Keep(1), Tree::Keep(2)));
    Trial { settings: settings(&[0.0, 90.0, 180.0, 270.0], "degrees"), tree }
}

/// A contour control (*common practice*): from the extremes closer and closer to 0. The favourite of the two extremes
/// is compared with half of it, the winner's half with 0 and so on, `halvings` times.
pub fn contour_towards_zero(cut_db: f64, boost_db: f64, halvings: u32) -> Trial {
    let mut values = vec![0.0];
    let branch = |values: &mut Vec<f64>, extreme_db: f64| {
        let first = values.len();
        let parts = (0..=halvings).map(|k| extreme_db / f64::from(1 << k));
        values.extend(parts);
        // From the last halving up: against 0 at the end, each before it against its half.
        let mut tree = compare(0, values.len() - 1, Tree::Keep(0), Tree::Keep(values.len() - 1));
        for at in (first..values.len() - 1).rev() {
            tree = compare(at + 1, at, tree, Tree::Keep(at));
        }
        tree
    };
    let cut = branch(&mut values, cut_db);
    let boost = branch(&mut values, boost_db);
    let tree = compare(1, 2 + halvings as usize, cut, boost);
    Trial { settings: settings(&values, "dB"), tree }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_phase_tree_reaches_every_quarter_and_only_by_its_own_way() {
        let Trial { settings, tree } = phase_by_quarters();
        assert!(tree.fits(settings.len()) && !tree.fits(3));
        for (winners, degrees) in [
            ([Side::A, Side::A], 0.0),
            ([Side::A, Side::B], 270.0),
            ([Side::B, Side::A], 90.0),
            ([Side::B, Side::B], 180.0),
        ] {
            let Tree::Keep(at) = tree.after(&winners) else { panic!("{winners:?} ends") };
            assert_eq!(settings[*at].value, degrees);
        }
        assert!(matches!(tree.after(&[Side::B]), Tree::Compare { a: 1, b: 2, .. }));
    }

    #[test]
    fn the_contour_closes_in_on_zero() {
        let Trial { settings, tree } = contour_towards_zero(-14.0, 6.0, 2);
        let values: Vec<f64> = settings.iter().map(|setting| setting.value).collect();
        assert_eq!(values, [0.0, -14.0, -7.0, -3.5, 6.0, 3.0, 1.5]);
        assert!(tree.fits(settings.len()));
        let kept = |winners: &[Side]| match tree.after(winners) {
            Tree::Keep(at) => values[*at],
            Tree::Compare { .. } => panic!("{winners:?} ends"),
        };
        assert_eq!(kept(&[Side::A, Side::B]), -14.0);
        assert_eq!(kept(&[Side::B, Side::A, Side::B]), 3.0);
        assert_eq!(kept(&[Side::B, Side::A, Side::A, Side::A]), 0.0);
    }
}
