//! Imports point one way, down the layers of the house. This reads the code and holds it to that.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// The layers bottom up: a folder (or file) of `src/`, and what it may import. The same table stands in
/// `DEVELOPERS.md`.
const LAYERS: &[(&str, &[&str])] = &[
    ("units", &[]),
    ("random", &[]),
    ("toml_file", &[]),
    ("stats", &[]),
    ("sound_file", &["units"]),
    ("acoustics", &["units"]),
    ("signal", &["units", "acoustics"]),
    ("room", &["units", "acoustics", "random", "toml_file"]),
    ("evidence", &["units"]),
    ("judge", &["units", "acoustics", "stats", "random", "room", "evidence"]),
    ("blend", &["units", "acoustics", "stats", "random", "toml_file", "evidence"]),
    ("presets", &["units", "acoustics", "signal", "room", "toml_file", "blend"]),
    (
        "routine",
        &[
            "units",
            "acoustics",
            "stats",
            "random",
            "toml_file",
            "signal",
            "room",
            "evidence",
            "judge",
            "blend",
            "presets",
        ],
    ),
    ("visit", &["units", "evidence", "routine"]),
    ("engine", &["units", "signal"]),
    ("draw", &["units"]),
    ("floor_plan", &["room", "draw"]),
    ("html_page", &["draw"]),
    ("report", &["units", "evidence", "judge", "blend", "visit", "room", "routine", "draw", "floor_plan", "html_page"]),
    ("view", &["units", "evidence", "room", "routine", "judge", "blend"]),
    ("faces", &["units", "view", "draw", "floor_plan"]),
    ("rehearsal", &["units", "acoustics", "random", "evidence", "room", "blend", "presets", "view"]),
    ("conductor", &[ALL_ABOVE]),
    ("cli", &[ALL_ABOVE]),
];
/// Every row above may be imported.
const ALL_ABOVE: &str = "all above";

fn source() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src")
}

/// The table with `all above` spelt out.
fn table<'a>(rows: impl IntoIterator<Item = (&'a str, Vec<&'a str>)>) -> BTreeMap<&'a str, BTreeSet<&'a str>> {
    let mut table = BTreeMap::new();
    for (name, imports) in rows {
        let mut allowed: BTreeSet<&str> = imports.into_iter().collect();
        if allowed.remove(ALL_ABOVE) {
            allowed.extend(table.keys());
        }
        for below in &allowed {
            assert!(table.contains_key(below), "{name} may not import {below}, which stands below it in the table");
        }
        table.insert(name, allowed);
    }
    table
}

fn layers() -> BTreeMap<&'static str, BTreeSet<&'static str>> {
    table(LAYERS.iter().map(|(name, imports)| (*name, imports.to_vec())))
}

/// The code without comments, texts and characters, and without what is compiled for tests alone.
fn code_of(text: &str) -> String {
    without_tests(&without_texts(text))
}

fn without_texts(text: &str) -> String {
    let mut code = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let skip = if rest.starts_with("//") {
            rest.find('\n').unwrap_or(rest.len())
        } else if rest.starts_with("/*") {
            rest.find("*/").map_or(rest.len(), |end| end + 2)
        } else if let Some(hashes) = raw_text(rest) {
            let end = format!("\"{}", "#".repeat(hashes));
            let begin = hashes + 2;
            rest[begin..].find(&end).map_or(rest.len(), |at| begin + at + end.len())
        } else if first == '"' {
            quoted(rest, '"')
        } else if first == '\'' && is_character(rest) {
            quoted(rest, '\'')
        } else {
            0
        };
        if skip == 0 {
            code.push(first);
            rest = &rest[first.len_utf8()..];
        } else {
            code.push(' ');
            rest = &rest[skip..];
        }
    }
    code
}

/// How many hashes a raw text that begins here has.
fn raw_text(rest: &str) -> Option<usize> {
    let after = rest.strip_prefix('r')?;
    let hashes = after.chars().take_while(|letter| *letter == '#').count();
    after[hashes..].starts_with('"').then_some(hashes)
}

/// A character, not a lifetime.
fn is_character(rest: &str) -> bool {
    let mut letters = rest.chars().skip(1);
    letters.next() == Some('\\') || letters.next() == Some('\'')
}

fn quoted(rest: &str, quote: char) -> usize {
    let mut escaped = false;
    for (at, letter) in rest.char_indices().skip(1) {
        match letter {
            _ if escaped => escaped = false,
            '\\' => escaped = true,
            letter if letter == quote => return at + 1,
            _ => {}
        }
    }
    rest.len()
}

const TESTS_ONLY: &str = "#[cfg(test)]";

/// Cuts every item that is marked for tests; a module in a file of its own leaves nothing here either.
fn without_tests(code: &str) -> String {
    let mut kept = String::new();
    let mut rest = code;
    while let Some(at) = rest.find(TESTS_ONLY) {
        kept.push_str(&rest[..at]);
        rest = &rest[at + item_length(&rest[at..])..];
    }
    kept + rest
}

fn item_length(item: &str) -> usize {
    let mut depth = 0_usize;
    for (at, letter) in item.char_indices() {
        match letter {
            '{' => depth += 1,
            '}' => {
                depth = depth.saturating_sub(1);
                if depth == 0 {
                    return at + 1;
                }
            }
            ';' if depth == 0 => return at + 1,
            _ => {}
        }
    }
    item.len()
}

/// The files that a module declares for tests alone.
fn test_files(file: &Path, text: &str) -> Vec<PathBuf> {
    let code = without_texts(text);
    let folder = match file.file_stem().and_then(|stem| stem.to_str()) {
        Some("mod" | "lib" | "main") => file.parent().expect("a file is in a folder").to_path_buf(),
        _ => file.with_extension(""),
    };
    let marked = code.match_indices(TESTS_ONLY).map(|(at, _)| &code[at..at + item_length(&code[at..])]);
    let names = marked.filter_map(|item| item.strip_suffix(';')?.rsplit_once("mod ").map(|(_, name)| name.trim()));
    names.flat_map(|name| [folder.join(format!("{name}.rs")), folder.join(name)]).collect()
}

/// Every file of the program with its code.
fn program() -> Vec<(PathBuf, String)> {
    let mut files = Vec::new();
    let mut folders = vec![source()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|ending| ending == "rs") {
                files.push((path.clone(), fs::read_to_string(&path).unwrap()));
            }
        }
    }
    let for_tests: Vec<PathBuf> = files.iter().flat_map(|(file, text)| test_files(file, text)).collect();
    files.retain(|(file, _)| !for_tests.iter().any(|test| file.starts_with(test)));
    files.sort();
    files.into_iter().map(|(file, text)| (file, code_of(&text))).collect()
}

/// Which row of the table a file belongs to: its folder, or its own name.
fn layer_of(file: &Path) -> String {
    let inside = file.strip_prefix(source()).expect("it is in src");
    let first = inside.components().next().expect("it has a name").as_os_str().to_string_lossy().into_owned();
    first.trim_end_matches(".rs").to_owned()
}

fn identifier(text: &str) -> &str {
    let end = text.find(|letter: char| !(letter.is_alphanumeric() || letter == '_')).unwrap_or(text.len());
    &text[..end]
}

/// The top modules that the code names, after `crate::` one by one or in braces.
fn imports(code: &str) -> BTreeSet<String> {
    let mut named = BTreeSet::new();
    for (at, path) in code.match_indices("crate::") {
        let rest = code[at + path.len()..].trim_start();
        match rest.strip_prefix('{') {
            None => drop(named.insert(identifier(rest).to_owned())),
            Some(group) => {
                let (mut depth, mut first) = (0_i32, true);
                for (at, letter) in group.char_indices() {
                    if depth == 0 && first && (letter.is_alphanumeric() || letter == '_') {
                        named.insert(identifier(&group[at..]).to_owned());
                        first = false;
                    }
                    match letter {
                        '{' => depth += 1,
                        '}' if depth == 0 => break,
                        '}' => depth -= 1,
                        ',' if depth == 0 => first = true,
                        _ => {}
                    }
                }
            }
        }
    }
    named
}

#[test]
fn every_import_points_down_the_layers() {
    let layers = layers();
    let mut wrong = Vec::new();
    let mut seen = BTreeSet::new();
    for (file, code) in program() {
        let layer = layer_of(&file);
        if layer == "lib" || layer == "main" {
            continue;
        }
        let Some(allowed) = layers.get(layer.as_str()) else {
            wrong.push(format!("{} has no row in the table", file.display()));
            continue;
        };
        for import in imports(&code) {
            if import != layer && !allowed.contains(import.as_str()) {
                wrong.push(format!("{} imports {import}", file.display()));
            }
        }
        let at_the_top = file.strip_prefix(source()).unwrap().components().count() == 1
            || file.strip_prefix(source()).unwrap() == Path::new(&layer).join("mod.rs");
        if code.contains("super::super") || at_the_top && code.contains("super::") {
            wrong.push(format!("{} leaves its folder by `super`; write `crate::`", file.display()));
        }
        seen.insert(layer);
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    let missing: Vec<_> = layers.keys().filter(|layer| !seen.contains(**layer)).collect();
    assert!(missing.is_empty(), "these rows have no code: {missing:?}");
}

#[test]
fn the_table_is_the_one_that_developers_read() {
    let Ok(page) = fs::read_to_string(source().with_file_name("DEVELOPERS.md")) else { return };
    let section = page.split_once("\n## Layering").expect("a heading '## Layering'").1;
    let section = section.split("\n## ").next().unwrap_or(section);
    let rows = section.lines().filter_map(|line| {
        let mut cells = line.trim().strip_prefix('|')?.split('|');
        Some((cells.next()?.trim(), cells.next()?.trim()))
    });
    let written = table(rows.skip(2).map(|(folder, imports)| {
        let names = imports.split(',').map(|name| name.trim().trim_matches('`').trim_end_matches('/'));
        let names = names.filter(|name| !matches!(*name, "" | "nothing" | "—"));
        (folder.trim_matches('`').trim_end_matches('/'), names.collect())
    }));
    assert_eq!(written, layers(), "DEVELOPERS.md and tests/layering.rs differ");
}

#[test]
fn only_one_file_knows_the_sound_library() {
    let engine = source().join("engine");
    let home = engine.join("backend/cpal.rs");
    let program = program();
    let own = &program.iter().find(|(file, _)| *file == home).expect("the file is there").1;
    assert!(own.contains("use ::cpal::"), "the file that knows the library does not use it");
    for (file, code) in program.iter().filter(|(file, _)| *file != home) {
        if !file.starts_with(&engine) {
            assert!(!code.contains("cpal"), "{} names cpal", file.display());
        }
        assert!(!code.contains("use cpal") && !code.contains("::cpal"), "{} uses cpal", file.display());
        // Elsewhere in the engine the word is our own module, and only what that defines follows it.
        for (at, path) in code.match_indices("cpal::") {
            let name = identifier(&code[at + path.len()..]);
            assert!(own.contains(&format!("fn {name}")), "{} uses cpal::{name}", file.display());
        }
    }
}

#[test]
fn the_audio_thread_neither_locks_nor_prints() {
    let rt = source().join("engine/rt");
    let files: Vec<_> = program().into_iter().filter(|(file, _)| file.starts_with(&rt)).collect();
    assert!(files.len() > 3, "where has the audio thread's code gone?");
    for (file, code) in files {
        for banned in
            ["Mutex", "RwLock", "Condvar", "println!", "print!", "eprintln!", "eprint!", "dbg!", "std::fs", "std::io"]
        {
            assert!(!code.contains(banned), "{} names {banned}", file.display());
        }
    }
}

#[test]
fn the_reader_of_code_reads_what_is_meant() {
    let code = code_of(
        "use crate::{judge::{self, Case}, units};\n// crate::cli\nlet a = \"crate::faces\"; let b = '\"'; fn f<'a>() {}\n\
         #[cfg(test)]\nmod tests { use crate::visit; fn g() { \"}\"; } }\n#[cfg(test)]\nmod other;\nuse crate::room::Room;",
    );
    assert_eq!(imports(&code).into_iter().collect::<Vec<_>>(), ["judge", "room", "units"]);
    let tests = test_files(Path::new("src/x/mod.rs"), "#[cfg(test)]\nmod tests;\nmod kept;");
    assert_eq!(tests, [Path::new("src/x/tests.rs"), Path::new("src/x/tests")]);
}
