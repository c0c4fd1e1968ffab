//! Response tables: measured or computed levels from spots to seats, as CSV.

use std::collections::HashMap;
use std::path::Path;

/// A table that cannot be used, and where.
#[derive(Debug, thiserror::Error)]
pub enum TableError {
    /// The file could not be read.
    #[error("the response table {label} cannot be read: {source}")]
    Unreadable {
        /// Which file.
        label: String,
        /// What the system said.
        source: std::io::Error,
    },
    /// Something in it is wrong.
    #[error("{label}:{line}:{column}: {message}")]
    Content {
        /// Which file.
        label: String,
        /// From 1.
        line: usize,
        /// From 1, in characters.
        column: usize,
        /// What is wrong and what was expected.
        message: String,
    },
}

/// What one seat hears of one spot.
#[derive(Debug, Clone, PartialEq)]
pub struct Response {
    /// Ascending.
    pub frequencies_hz: Vec<f64>,
    /// One for each frequency.
    pub levels_db: Vec<f64>,
    /// One for each frequency, for e^{+jωt}; empty where the table has none.
    pub phases_rad: Vec<f64>,
}

/// Responses from all spots to all seats of a table.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ResponseTable {
    seats: Vec<String>,
    spots: Vec<String>,
    responses: HashMap<(String, String), Response>,
}

/// More rows than this are no table of a room.
const MOST_ROWS: usize = 2_000_000;

impl ResponseTable {
    /// Reads a table from a file.
    /// # Errors
    /// Unreadable files, and everything [`ResponseTable::from_csv`] refuses.
    pub fn load(path: &Path) -> Result<Self, TableError> {
        let label = path.display().to_string();
        let text =
            std::fs::read_to_string(path).map_err(|source| TableError::Unreadable { label: label.clone(), source })?;
        Self::from_csv(&label, &text)
    }

    /// Reads a table: a header line with `seat`, `spot`, `frequency_hz`, `level_db` and optionally `phase_rad` in any
    /// order (other columns are passed over; names with commas stand in double quotes), then a row for each seat, spot
    /// and frequency. Lines that begin with `#` and empty lines count for nothing.
    /// * `label` - what to call the text in messages
    /// # Errors
    /// Missing or double columns, cells that are no numbers, frequencies that are not above zero or stand twice, no
    /// rows.
    pub fn from_csv(label: &str, text: &str) -> Result<Self, TableError> {
        let mut lines = text
            .trim_start_matches('\u{feff}')
            .lines()
            .enumerate()
            .map(|(index, line)| Line { label, number: index + 1, text: line.trim_end() })
            .filter(|line| !line.text.trim().is_empty() && !line.text.trim_start().starts_with('#'));
        let Some(header) = lines.next() else {
            return Err(
                Line { label, number: 1, text: "" }.error(0, format!("the table is empty; it begins with {EXPECTED}"))
            );
        };
        let columns = Columns::of(&header)?;
        let mut rows: HashMap<(String, String), Vec<[f64; 4]>> = HashMap::new();
        let mut table = Self::default();
        for (count, line) in lines.enumerate() {
            if count == MOST_ROWS {
                return Err(line.error(0, format!("the table has more than {MOST_ROWS} rows")));
            }
            let (key, row) = columns.row(&line)?;
            if !rows.contains_key(&key) {
                remember(&mut table.seats, &key.0);
                remember(&mut table.spots, &key.1);
            }
            rows.entry(key).or_default().push(row);
        }
        if rows.is_empty() {
            return Err(header.error(0, "the table has a header but no rows".into()));
        }
        for (key, rows) in rows {
            let response = response(label, text, &key, rows, columns.phase.is_some())?;
            table.responses.insert(key, response);
        }
        Ok(table)
    }

    /// Names of the seats, in the order in which the table has them.
    pub fn seats(&self) -> &[String] {
        &self.seats
    }

    /// Names of the spots, in the order in which the table has them.
    pub fn spots(&self) -> &[String] {
        &self.spots
    }

    /// What a seat hears of a spot, if the table has it.
    pub fn response(&self, seat: &str, spot: &str) -> Option<&Response> {
        self.responses.get(&(seat.to_owned(), spot.to_owned()))
    }

    /// Level in dB at a frequency, averaged in power over a band; see [`Response::level_db`].
    pub fn level_db(&self, seat: &str, spot: &str, frequency_hz: f64, half_width_octaves: f64) -> Option<f64> {
        self.response(seat, spot)?.level_db(frequency_hz, half_width_octaves)
    }
}

impl Response {
    /// Level in dB, the mean power over a band around a frequency.
    ///
    /// Between the table's frequencies the level runs straight over log frequency; the mean of the power is taken over
    /// log frequency. `None` if the middle of the band is outside the table; a band that sticks out is cut.
    /// * `half_width_octaves` - half the band's width; 0 for a pure tone
    pub fn level_db(&self, frequency_hz: f64, half_width_octaves: f64) -> Option<f64> {
        let middle_db = self.at(frequency_hz)?;
        if half_width_octaves.is_nan() || half_width_octaves <= 0.0 {
            return Some(middle_db);
        }
        const STEPS: usize = 17;
        let share = |step: usize| 2.0 * (step as f64 + 0.5) / STEPS as f64 - 1.0;
        let powers = (0..STEPS)
            .filter_map(|step| self.at(frequency_hz * (share(step) * half_width_octaves).exp2()))
            .map(|level_db| libm::exp10(level_db / 10.0));
        let (count, sum) = powers.fold((0_usize, 0.0), |(count, sum), power| (count + 1, sum + power));
        Some(10.0 * libm::log10(sum / count as f64))
    }

    fn at(&self, frequency_hz: f64) -> Option<f64> {
        let (first, last) = (*self.frequencies_hz.first()?, *self.frequencies_hz.last()?);
        // A frequency typed with fewer digits than the table has may lie a hair outside.
        if !(frequency_hz >= first * (1.0 - 1e-4) && frequency_hz <= last * (1.0 + 1e-4)) {
            return None;
        }
        let above = self.frequencies_hz.partition_point(|f| *f <= frequency_hz);
        if above == 0 || above == self.frequencies_hz.len() {
            return self.levels_db.get(above.min(self.levels_db.len() - 1)).copied();
        }
        let (low, high) = (self.frequencies_hz[above - 1], self.frequencies_hz[above]);
        let share = (frequency_hz / low).ln() / (high / low).ln();
        Some(self.levels_db[above - 1] * (1.0 - share) + self.levels_db[above] * share)
    }
}

/// The cells of a row; a comma within double quotes does not end one (RFC 4180).
fn cells(text: &str) -> Vec<&str> {
    let mut quoted = false;
    let ends = |c: char| {
        quoted ^= c == '"';
        c == ',' && !quoted
    };
    text.split(ends).collect()
}

fn unquoted(cell: &str) -> String {
    match cell.strip_prefix('"').and_then(|cell| cell.strip_suffix('"')) {
        Some(inside) => inside.replace("\"\"", "\""),
        None => cell.to_owned(),
    }
}

/// A name as a cell of a table, in double quotes where it needs them (RFC 4180).
pub fn quoted(name: &str) -> String {
    if name.contains(['"', ',']) || name.trim() != name {
        format!("\"{}\"", name.replace('"', "\"\""))
    } else {
        name.to_owned()
    }
}

const EXPECTED: &str = "seat,spot,frequency_hz,level_db (and phase_rad, if known)";

#[derive(Clone, Copy)]
struct Line<'a> {
    label: &'a str,
    number: usize,
    text: &'a str,
}

impl Line<'_> {
    /// An error at the cell with this position.
    fn error(&self, cell: usize, message: String) -> TableError {
        let column = cells(self.text).iter().take(cell).map(|c| c.chars().count() + 1).sum::<usize>() + 1;
        TableError::Content { label: self.label.into(), line: self.number, column, message }
    }
}

struct Columns {
    seat: usize,
    spot: usize,
    frequency: usize,
    level: usize,
    phase: Option<usize>,
    count: usize,
}

impl Columns {
    fn of(header: &Line<'_>) -> Result<Self, TableError> {
        let names: Vec<&str> = cells(header.text).into_iter().map(str::trim).collect();
        let find = |name: &str| {
            let mut places = (0..names.len()).filter(|i| names[*i] == name);
            let first = places.next();
            match places.next() {
                Some(second) => Err(header.error(second, format!("there are two columns called {name}"))),
                None => Ok(first),
            }
        };
        let need = |name: &str| {
            find(name)?.ok_or_else(|| header.error(0, format!("the column {name} is missing; expected {EXPECTED}")))
        };
        Ok(Self {
            seat: need("seat")?,
            spot: need("spot")?,
            frequency: need("frequency_hz")?,
            level: need("level_db")?,
            phase: find("phase_rad")?,
            count: names.len(),
        })
    }

    /// Seat and spot; frequency, level, phase and line number.
    fn row(&self, line: &Line<'_>) -> Result<((String, String), [f64; 4]), TableError> {
        let cells: Vec<&str> = cells(line.text).into_iter().map(str::trim).collect();
        if cells.len() != self.count {
            return Err(line.error(
                cells.len().min(self.count),
                format!("the row has {} cells, the header {}", cells.len(), self.count),
            ));
        }
        let number = |cell: usize, what: &str| match cells[cell].parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(value),
            _ => Err(line.error(cell, format!("{:?} is no {what}; expected a number", short(cells[cell])))),
        };
        let frequency_hz = number(self.frequency, "frequency in Hz")?;
        if frequency_hz <= 0.0 {
            return Err(line.error(self.frequency, format!("a frequency of {frequency_hz} Hz is not above zero")));
        }
        let level_db = number(self.level, "level in dB")?;
        if level_db.abs() > 1000.0 {
            return Err(line.error(self.level, format!("a level of {level_db} dB is no level")));
        }
        let phase_rad = self.phase.map_or(Ok(0.0), |cell| number(cell, "phase in radians"))?;
        let key = (unquoted(cells[self.seat]), unquoted(cells[self.spot]));
        Ok((key, [frequency_hz, level_db, phase_rad, line.number as f64]))
    }
}

fn short(cell: &str) -> String {
    cell.chars().take(30).collect()
}

fn remember(names: &mut Vec<String>, name: &str) {
    if !names.iter().any(|known| known == name) {
        names.push(name.to_owned());
    }
}

fn response(
    label: &str,
    text: &str,
    (seat, spot): &(String, String),
    mut rows: Vec<[f64; 4]>,
    with_phase: bool,
) -> Result<Response, TableError> {
    rows.sort_by(|a, b| a[0].total_cmp(&b[0]));
    if let Some(pair) = rows.windows(2).find(|pair| pair[0][0] == pair[1][0]) {
        let number = pair[0][3].max(pair[1][3]) as usize;
        let line = Line { label, number, text: text.lines().nth(number - 1).unwrap_or_default() };
        return Err(line.error(0, format!("seat {seat:?}, spot {spot:?} has {} Hz twice", pair[0][0])));
    }
    Ok(Response {
        frequencies_hz: rows.iter().map(|row| row[0]).collect(),
        levels_db: rows.iter().map(|row| row[1]).collect(),
        phases_rad: if with_phase { rows.iter().map(|row| row[2]).collect() } else { Vec::new() },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_tables_with_and_without_phase_and_room() {
        let text = "# measured\nroom,seat,spot,frequency_hz,level_db,phase_rad\nX,S1,P1,20,1.5,0.1\n\nX,S1,P1,40,-2,0.2\nX,S2,P1,20,0,0\n";
        let table = ResponseTable::from_csv("t.csv", text).unwrap();
        assert_eq!((table.seats(), table.spots()), (&["S1".to_owned(), "S2".to_owned()][..], &["P1".to_owned()][..]));
        assert_eq!(table.response("S1", "P1").unwrap().phases_rad, [0.1, 0.2]);
        assert_eq!(table.level_db("S1", "P1", 20.0, 0.0), Some(1.5));
        assert!((table.level_db("S1", "P1", 800.0_f64.sqrt(), 0.0).unwrap() + 0.25).abs() < 1e-12);
        assert_eq!(table.level_db("S1", "P1", 41.0, 0.0), None);
        assert_eq!(table.level_db("S1", "P9", 20.0, 0.0), None);
        let plain = ResponseTable::from_csv("t.csv", "seat,spot,frequency_hz,level_db\na,b,20,0\n").unwrap();
        assert!(plain.response("a", "b").unwrap().phases_rad.is_empty());
    }

    #[test]
    fn names_with_commas_and_quotes_survive() {
        let name = "sofa, the \"long\" end";
        let text = format!("seat,spot,frequency_hz,level_db\n{},left,20,1.5\n", quoted(name));
        let table = ResponseTable::from_csv("t.csv", &text).unwrap();
        assert_eq!(table.level_db(name, "left", 20.0, 0.0), Some(1.5));
        assert_eq!(quoted("left corner"), "left corner");
    }

    #[test]
    fn a_band_is_averaged_in_power() {
        // Half the band at 0 dB and half at 20 dB: 10 lg((1 + 100)/2) = 17.03 dB, give or take the step between them.
        let mut text = "seat,spot,frequency_hz,level_db\n".to_owned();
        for step in -200..=200 {
            text += &format!("a,b,{},{}\n", 50.0 * (f64::from(step) / 1000.0).exp2(), if step < 0 { 0 } else { 20 });
        }
        let level_db = ResponseTable::from_csv("t", &text).unwrap().level_db("a", "b", 50.0, 1.0 / 12.0).unwrap();
        assert!((level_db - 17.03).abs() < 0.3, "{level_db}");
    }

    #[track_caller]
    fn refused(text: &str, line: usize, column: usize, says: &str) {
        let error = ResponseTable::from_csv("t.csv", text).unwrap_err().to_string();
        assert!(error.starts_with(&format!("t.csv:{line}:{column}: ")) && error.contains(says), "{error}");
    }

    #[test]
    fn bad_tables_are_named_and_placed() {
        refused("", 1, 1, "empty");
        refused("seat,spot,frequency_hz\n", 1, 1, "level_db is missing");
        refused("seat,spot,frequency_hz,level_db,spot\n", 1, 33, "two columns");
        refused("seat,spot,frequency_hz,level_db\n", 1, 1, "no rows");
        refused("seat,spot,frequency_hz,level_db\na,b,20,loud\n", 2, 8, "\"loud\" is no level");
        refused("seat,spot,frequency_hz,level_db\na,b,-3,1\n", 2, 5, "not above zero");
        refused("seat,spot,frequency_hz,level_db\na,b,20,1\na,b,20.0,2\n", 3, 1, "20 Hz twice");
        refused("seat,spot,frequency_hz,level_db\na,b,20\n", 2, 8, "3 cells");
        refused("seat,spot,frequency_hz,level_db\na,b,20,nan\n", 2, 8, "no level");
    }
}
