//! The first line of a visit file, and what became of the format over time.

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::routine::Brief;
use crate::visit::wall::WallTime;

/// The schema this program writes. Raised whenever an older program could misread a newer file.
pub const SCHEMA: u32 = 1;

/// The first line: who wrote the file, when, and what the visit starts from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Header {
    /// See [`SCHEMA`].
    pub schema: u32,
    /// Program name and version that began the visit.
    pub program: String,
    /// When the visit was begun.
    pub created: WallTime,
    /// Name of the time zone it was begun in, if the system knew one ('Europe/Madrid').
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone: Option<String>,
    /// What the visit starts from.
    pub brief: Brief,
}

impl Header {
    /// A header of the current schema.
    /// * `program` - name and version
    pub fn new(program: impl Into<String>, created: WallTime, zone: Option<String>, brief: Brief) -> Self {
        Self { schema: SCHEMA, program: program.into(), created, zone, brief }
    }
}

/// Turns a line of one schema into a line of the next. Called for the header (line 1) and for every event.
pub(crate) type Migration = fn(line_number: usize, line: &mut Value) -> Result<(), String>;

/// How to read older files: the first entry leads from schema 1 to schema 2, and so on; one less than [`SCHEMA`] of
/// them. Migration happens on reading only. Files are never changed by it.
pub(crate) const MIGRATIONS: &[Migration] = &[];

const _: () = assert!(MIGRATIONS.len() + 1 == SCHEMA as usize);

/// Brings a line up from `from` to the newest schema that `migrations` lead to.
pub(crate) fn migrate(migrations: &[Migration], from: u32, line_number: usize, line: &mut Value) -> Result<(), String> {
    let first = usize::try_from(from.saturating_sub(1)).unwrap_or(usize::MAX);
    migrations.iter().skip(first).try_for_each(|step| step(line_number, line))
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn a_line_is_brought_up_step_by_step_from_its_own_schema() {
        let steps: &[Migration] = &[
            |_, line| {
                line["steps"] = json!(format!("{}a", line["steps"].as_str().unwrap_or_default()));
                Ok(())
            },
            |number, line| {
                line["steps"] = json!(format!("{}b{number}", line["steps"].as_str().unwrap_or_default()));
                Ok(())
            },
        ];
        for (from, expected) in [(1, "ab7"), (2, "b7"), (3, "")] {
            let mut line = json!({ "steps": "" });
            migrate(steps, from, 7, &mut line).unwrap();
            assert_eq!(line["steps"], expected, "from schema {from}");
        }
    }
}
