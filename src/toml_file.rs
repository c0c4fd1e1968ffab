//! Reads TOML files that people write by hand, and shows them where something is wrong: file, line, column, what was
//! expected, and the nearest known key.

use std::fmt;
use std::fs;
use std::ops::Range;
use std::path::{Path, PathBuf};

use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};
use serde::de::DeserializeOwned;
use thiserror::Error;

/// What is wrong in a TOML text, and where.
///
/// Printed with `{}` it shows the line with the place marked. It is plain text without colour.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TomlError {
    /// The file, as the person knows it.
    pub path_label: String,
    /// Counts from 1.
    pub line: usize,
    /// Counts characters from 1.
    pub column: usize,
    /// What is wrong and what was expected.
    pub message: String,
    /// What to write instead, if that can be guessed.
    pub help: Option<String>,
    picture: String,
}

impl TomlError {
    /// An error at a place of `text`, for conditions that only the reader of the file knows, such as 'ascending'.
    ///
    /// `span` counts bytes; one that does not fit the text marks its beginning.
    pub fn at(path_label: &str, text: &str, span: Range<usize>, message: impl Into<String>) -> Self {
        Self::with_help(path_label, text, span, message.into(), None)
    }

    /// As [`TomlError::at`], with what to write instead.
    pub fn with_help(path_label: &str, text: &str, span: Range<usize>, message: String, help: Option<String>) -> Self {
        let span = if text.get(span.clone()).is_some() { span } else { 0..0 };
        let before = &text[..span.start];
        let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
        let mut parts = Group::with_title(Level::ERROR.no_name().primary_title(message.as_str())).element(
            Snippet::source(text).path(path_label).annotation(AnnotationKind::Primary.span(first_line(text, &span))),
        );
        if let Some(help) = &help {
            parts = parts.element(Level::HELP.message(help.as_str()));
        }
        Self {
            path_label: path_label.to_owned(),
            line: before.matches('\n').count() + 1,
            column: before[line_start..].chars().count() + 1,
            picture: Renderer::plain().render(&[parts]),
            message,
            help,
        }
    }
}

impl fmt::Display for TomlError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.picture)
    }
}

impl std::error::Error for TomlError {}

/// Why a TOML file could not be read.
#[derive(Debug, Error)]
pub enum TomlFileError {
    /// The file is missing, or may not be read, or is not UTF-8.
    #[error("cannot read {}: {source}", path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The file was read, but its contents are wrong.
    #[error(transparent)]
    Contents(#[from] TomlError),
}

/// Reads `text` into `T`. `path_label` is what errors call the file.
///
/// Mark structs with `#[serde(deny_unknown_fields)]`: unknown keys then come back with the nearest known one.
///
/// # Errors
/// [`TomlError`] for text that is not TOML, unknown or missing keys, and values of the wrong kind.
pub fn parse_toml<T: DeserializeOwned>(path_label: &str, text: &str) -> Result<T, TomlError> {
    toml::from_str(text).map_err(|error| explain(path_label, text, &error))
}

/// Reads a file and then its contents.
///
/// # Errors
/// [`TomlFileError`]; nothing is written or changed.
pub fn load_toml<T: DeserializeOwned>(path: &Path) -> Result<T, TomlFileError> {
    let text = read_text(path)?;
    Ok(parse_toml(&path.display().to_string(), &text)?)
}

/// The text of a file, for readers that need it beside its contents to report their own conditions.
///
/// # Errors
/// [`TomlFileError::Read`].
pub fn read_text(path: &Path) -> Result<String, TomlFileError> {
    fs::read_to_string(path).map_err(|source| TomlFileError::Read { path: path.to_owned(), source })
}

/// The known word nearest to `given`, if it is near enough to have been meant: at most a third of its letters differ,
/// but two may always.
///
/// # Example
/// ```
/// use evenbass::toml_file::nearest_word;
/// assert_eq!(nearest_word("lenght_m", ["length_m", "width_m"]), Some("length_m"));
/// assert_eq!(nearest_word("colour", ["length_m", "width_m"]), None);
/// ```
pub fn nearest_word<'a>(given: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let allowed = (given.chars().count() / 3).max(2);
    let near = known.into_iter().map(|word| (distance(given, word), word));
    near.filter(|(distance, _)| *distance <= allowed).min_by_key(|(distance, _)| *distance).map(|(_, word)| word)
}

/// How many letters must be put in, taken out or replaced to make one word of the other (Levenshtein distance).
fn distance(one: &str, other: &str) -> usize {
    let other: Vec<char> = other.chars().collect();
    let mut row: Vec<usize> = (0..=other.len()).collect();
    for (above, letter) in one.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = above + 1;
        for (column, other_letter) in other.iter().enumerate() {
            let replaced = diagonal + usize::from(letter != *other_letter);
            diagonal = row[column + 1];
            row[column + 1] = replaced.min(row[column] + 1).min(diagonal + 1);
        }
    }
    row[other.len()]
}

fn explain(path_label: &str, text: &str, error: &toml::de::Error) -> TomlError {
    let span = error.span().unwrap_or(0..0);
    let message = in_words(error.message());
    let Some((unknown, known)) = unknown_name(&message) else {
        return TomlError::with_help(path_label, text, span, message, None);
    };
    let help = match nearest_word(unknown, known.iter().copied()) {
        Some(near) => format!("did you mean `{near}`?"),
        None => format!("known here: {}", known.join(", ")),
    };
    let span = narrow(text, &span, unknown).unwrap_or(span);
    let title = match message.split_once(" field ") {
        Some(_) => format!("unknown key `{unknown}`"),
        None => format!("unknown word `{unknown}`"),
    };
    TomlError::with_help(path_label, text, span, title, Some(help))
}

/// Says kinds of values as people do.
fn in_words(message: &str) -> String {
    let mut words = message.trim_end().replace('\n', ", ");
    for (kind, word) in [
        ("expected f64", "expected a number"),
        ("expected u64", "expected a whole number"),
        ("expected u32", "expected a whole number"),
        ("expected usize", "expected a whole number"),
        ("expected i64", "expected a whole number"),
        ("missing field", "missing key"),
    ] {
        words = words.replace(kind, word);
    }
    words
}

/// Takes apart "unknown field `x`, expected one of `a`, `b`", the fixed wording of serde.
fn unknown_name(message: &str) -> Option<(&str, Vec<&str>)> {
    let rest = message.strip_prefix("unknown field `").or_else(|| message.strip_prefix("unknown variant `"))?;
    let (unknown, rest) = rest.split_once('`')?;
    Some((unknown, rest.split('`').skip(1).step_by(2).collect()))
}

/// Where inside `span` the unknown word itself stands: tagged tables are read as a whole, and their errors point at the
/// whole.
fn narrow(text: &str, span: &Range<usize>, word: &str) -> Option<Range<usize>> {
    // The header of a table and its contents are two places of the text, so the search goes on to the end.
    let from = span.start;
    let is_part = |letter: char| letter.is_alphanumeric() || letter == '_' || letter == '-';
    text.get(from..)?.match_indices(word).find_map(|(at, _)| {
        let range = from + at..from + at + word.len();
        let line_start = text[..range.start].rfind('\n').map_or(0, |newline| newline + 1);
        let whole = !text[..range.start].ends_with(is_part) && !text[range.end..].starts_with(is_part);
        (whole && !text[line_start..range.start].contains('#')).then_some(range)
    })
}

/// A mark over several lines hides the place; the first line of it is enough.
fn first_line(text: &str, span: &Range<usize>) -> Range<usize> {
    let end = text[span.clone()].find('\n').map_or(span.end, |newline| span.start + newline);
    span.start..end
}

#[cfg(test)]
mod tests {
    use serde::Deserialize;

    use super::*;

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Shelf {
        #[allow(dead_code)]
        name: String,
        #[allow(dead_code)]
        width_m: f64,
        #[allow(dead_code)]
        board: Option<Vec<Board>>,
    }

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields, tag = "kind", rename_all = "kebab-case")]
    enum Board {
        Oak {
            #[allow(dead_code)]
            depth_m: f64,
        },
    }

    fn error(text: &str) -> TomlError {
        parse_toml::<Shelf>("shelf.toml", text).unwrap_err()
    }

    #[test]
    fn an_unknown_key_is_shown_with_the_nearest_known_one() {
        let error = error("name = \"left\"\nwidht_m = 1.0\n");
        assert_eq!((error.line, error.column), (2, 1));
        assert_eq!(
            error.to_string(),
            "unknown key `widht_m`\n --> shelf.toml:2:1\n  |\n2 | widht_m = 1.0\n  | ^^^^^^^\n  |\n  = help: did you mean `width_m`?"
        );
    }

    #[test]
    fn a_key_that_resembles_none_is_shown_with_all_known_ones() {
        assert_eq!(error("colour = 1").help.unwrap(), "known here: name, width_m, board");
    }

    #[test]
    fn a_wrong_value_says_what_was_expected() {
        let error = error("name = \"left\"\nwidth_m = \"1 m\"");
        assert_eq!((error.line, error.column), (2, 11));
        assert_eq!(error.message, "invalid type: string \"1 m\", expected a number");
    }

    #[test]
    fn a_missing_key_is_named() {
        assert_eq!(error("name = \"left\"").message, "missing key `width_m`");
    }

    #[test]
    fn broken_toml_is_located() {
        let error = error("name = \"left\"\nwidth_m = = 3");
        assert_eq!(error.line, 2);
        assert!(error.to_string().contains("shelf.toml:2:"), "{error}");
    }

    #[test]
    fn the_place_inside_a_tagged_table_is_found() {
        let error = error("name = \"l\"\nwidth_m = 1.0\n[[board]]\n# no deptj_m here\nkind = \"oak\"\ndeptj_m = 1\n");
        assert_eq!((error.line, error.column), (6, 1), "{error}");
        assert_eq!(error.help.unwrap(), "did you mean `depth_m`?");
    }

    #[test]
    fn an_unknown_word_is_shown_with_the_nearest_known_one() {
        let error = error("name = \"l\"\nwidth_m = 1.0\n[[board]]\nkind = \"oka\"\n");
        assert_eq!(error.message, "unknown word `oka`");
        assert_eq!((error.line, error.help.as_deref()), (4, Some("did you mean `oak`?")));
    }

    #[test]
    fn places_beyond_the_text_do_not_panic() {
        assert_eq!(TomlError::at("a", "ä", 1..9, "wrong").column, 1);
        assert_eq!(TomlError::at("a", "", 0..0, "empty").line, 1);
        assert_eq!(TomlError::at("a", "ää = 1", 2..4, "wrong").column, 2);
    }

    #[test]
    fn distances_count_letters() {
        assert_eq!(distance("kitten", "sitting"), 3);
        assert_eq!(distance("", "abc"), 3);
        assert_eq!(distance("same", "same"), 0);
    }

    #[test]
    fn a_missing_file_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let error = load_toml::<Shelf>(&folder.path().join("none.toml")).unwrap_err().to_string();
        assert!(error.contains("none.toml"), "{error}");
    }
}
