//! The set-up sheet and the exports from outside.

mod report_demo;
mod report_markup;

use std::fs;
use std::path::Path;

use evenbass::draw::{Glyphs, Theme, curves, plan, spots_by_notes};
use evenbass::floor_plan;
use evenbass::report::{self, Facts, ReportError, evidence_csv, evidence_json, sheet, write};
use evenbass::room::Place;
use report_demo::{bare, blended, facts};
use report_markup::{check_markup, readable};
use serde_json::Value;

#[test]
fn the_demonstration_can_be_looked_at() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
    write(folder, "birch-lane", &facts(), true).unwrap();
    write(folder, "attic", &bare(), true).unwrap();
    write(folder, "birch-lane-blend", &blended(false), true).unwrap();
    write(folder, "birch-lane-again", &blended(true), true).unwrap();
}

#[test]
fn the_sheet_says() {
    insta::assert_snapshot!("sheet", readable(&sheet(&facts())));
    insta::assert_snapshot!("sheet-bare", readable(&sheet(&bare())));
    insta::assert_snapshot!("sheet-blend", readable(&sheet(&blended(true))));
}

#[test]
fn every_picture_is_well_formed_in_both_themes() {
    for facts in [facts(), bare()] {
        for theme in [Theme::PRINT, Theme::DARK] {
            let plan_picture = plan::svg(&floor_plan::plan(&facts.room, 0, facts.chosen), 400.0, 250.0, &theme);
            let curve_picture = curves::svg(&report::curves(&facts, &[0, 3]), 688.0, 170.0, &theme);
            let table = spots_by_notes::svg(&report::spots_by_notes(&facts), 688.0, &theme);
            for picture in plan_picture.into_iter().chain(curve_picture).chain([table]) {
                check_markup(&picture, &[]).unwrap();
            }
        }
    }
}

#[test]
fn the_pictures_as_text() {
    let facts = facts();
    let plan_picture = floor_plan::plan(&facts.room, 0, facts.chosen);
    insta::assert_snapshot!("plan-ascii", plan::text_plan(&plan_picture, 60, 20, Glyphs::Ascii));
    let table = report::spots_by_notes(&facts);
    insta::assert_snapshot!("table-ascii", spots_by_notes::text_table(&table, 80, Glyphs::Ascii));
    let curve = report::curves(&facts, &[0]);
    insta::assert_snapshot!("curve-ascii", curves::text_curve(&curve, 78, 14, Glyphs::Ascii));
    for text in [
        plan::text_plan(&plan_picture, 60, 20, Glyphs::Ascii),
        spots_by_notes::text_table(&table, 80, Glyphs::Ascii),
        curves::text_curve(&curve, 78, 14, Glyphs::Ascii),
    ] {
        assert!(text.is_ascii());
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    }
}

#[test]
fn every_line_of_the_grid_has_its_row_in_a_drawing_as_text() {
    for (worst_db, lines) in [(5.0, 5), (8.0, 7), (14.0, 11), (17.0, 13), (40.0, 13)] {
        let mut curve = report::curves(&facts(), &[0]);
        curve.curves[0].points[3].high_db = worst_db;
        let drawn = curves::text_curve(&curve, 76, 13, Glyphs::Ascii);
        let at: Vec<(usize, i32)> = drawn
            .lines()
            .enumerate()
            .filter_map(|(row, line)| match line.get(..5)?.trim() {
                "even" => Some((row, 0)),
                level => Some((row, level.parse().ok()?)),
            })
            .collect();
        assert_eq!(at.len(), lines, "{drawn}");
        let apart = at[1].0 - at[0].0;
        assert!(at.windows(2).all(|pair| pair[1].0 - pair[0].0 == apart && pair[0].1 - pair[1].1 == 3), "{drawn}");
    }
}

#[test]
fn the_sheet_is_well_formed_and_needs_nothing_from_outside() {
    for facts in [facts(), bare()] {
        let html = sheet(&facts);
        check_markup(&html, &["meta", "br"]).unwrap();
        let without_namespace = html.replace("http://www.w3.org/2000/svg", "");
        for outside in ["http:", "https:", " src=", " href=", "url(", "@import", "<link", "<iframe", " onload", "<form"]
        {
            assert!(!without_namespace.contains(outside), "{outside}");
        }
        assert_eq!(html.matches("<script").count(), 1);
        assert!(html.contains("<script type=\"application/json\" id=\"evidence\">"));
    }
}

#[test]
fn the_copy_inside_the_sheet_is_the_export() {
    let mut facts = facts();
    facts.room.spots[0].name = "</script><b>".to_owned();
    let html = sheet(&facts);
    let start = html.find("id=\"evidence\">").unwrap() + "id=\"evidence\">".len();
    let inside: Value = serde_json::from_str(&html[start..start + html[start..].find("</script>").unwrap()]).unwrap();
    let export: Value = serde_json::from_str(&evidence_json(&facts).unwrap()).unwrap();
    assert_eq!(inside, export);
    assert_eq!(inside["spots"][0]["name"], "</script><b>");
}

#[test]
fn a_rehearsal_is_called_one_and_a_visit_is_not() {
    assert!(sheet(&bare()).contains("This was a rehearsal."));
    assert!(evidence_csv(&bare()).contains("a rehearsal with a simulated listener"));
    assert!(!sheet(&facts()).to_lowercase().contains("rehearsal. "));
}

#[test]
fn the_same_facts_give_the_same_bytes() {
    let all = |facts: &Facts| (sheet(facts), evidence_csv(facts), evidence_json(facts).unwrap());
    assert_eq!(all(&facts()), all(&facts()));
}

#[test]
fn rows_of_the_csv_survive_commas_and_quotes_in_names() {
    let mut facts = facts();
    facts.evidence.truncate(2);
    facts.room.spots[1].name = "#1, \"the\" corner".to_owned();
    insta::assert_snapshot!("csv", evidence_csv(&facts));
}

fn names_in(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

#[test]
fn a_report_replaces_its_own_earlier_self_alone() {
    let folder = tempfile::tempdir().unwrap();
    let mut facts = facts();
    write(folder.path(), "a", &facts, false).unwrap();
    let three = ["a.evidence.csv", "a.evidence.json", "a.sheet.html"];
    assert_eq!(names_in(folder.path()), three);
    facts.remarks.push("One more.".to_owned());
    let written = write(folder.path(), "a", &facts, false).unwrap();
    assert!(fs::read_to_string(&written.sheet).unwrap().contains("One more."));
    assert_eq!(names_in(folder.path()), three);
    // Another visit's report stays.
    facts.brief.seed += 1;
    assert!(matches!(write(folder.path(), "a", &facts, false), Err(ReportError::Exists(_))));
}

#[test]
fn a_file_of_somebody_s_is_refused_or_kept_under_a_new_name() {
    let folder = tempfile::tempdir().unwrap();
    let csv = folder.path().join("a.evidence.csv");
    fs::write(&csv, "mine").unwrap();
    let error = write(folder.path(), "a", &facts(), false).unwrap_err();
    assert!(error.to_string().contains("--force"), "{error}");
    assert_eq!(names_in(folder.path()), ["a.evidence.csv"]);
    let written = write(folder.path(), "a", &facts(), true).unwrap();
    assert_eq!(written.set_aside.len(), 1);
    assert_eq!(fs::read_to_string(&written.set_aside[0]).unwrap(), "mine");
}

#[test]
fn a_sheet_that_somebody_wrote_into_is_not_replaced() {
    let folder = tempfile::tempdir().unwrap();
    let written = write(folder.path(), "a", &facts(), false).unwrap();
    for path in [&written.sheet, &written.csv, &written.json] {
        let whole = fs::read_to_string(path).unwrap();
        fs::write(path, whole.replacen("corner", "Corner", 1)).unwrap();
        assert!(
            matches!(write(folder.path(), "a", &facts(), false), Err(ReportError::Exists(found)) if found == *path)
        );
        fs::write(path, whole).unwrap();
    }
    write(folder.path(), "a", &facts(), false).unwrap();
}

/// The part of JSON Schema that the published schema uses. Returns the first place that does not fit.
fn check(schema: &Value, value: &Value, root: &Value, at: &str) -> Result<(), String> {
    if let Some(reference) = schema["$ref"].as_str() {
        let target = root.pointer(reference.trim_start_matches('#')).ok_or(format!("{at}: no {reference}"))?;
        return check(target, value, root, at);
    }
    let types: Vec<&str> = match &schema["type"] {
        Value::String(one) => vec![one],
        Value::Array(several) => several.iter().filter_map(Value::as_str).collect(),
        _ => vec![],
    };
    let is = |kind: &&str| match *kind {
        "object" => value.is_object(),
        "array" => value.is_array(),
        "string" => value.is_string(),
        "number" => value.is_number(),
        "integer" => value.is_u64() || value.is_i64(),
        "boolean" => value.is_boolean(),
        "null" => value.is_null(),
        _ => false,
    };
    if !types.is_empty() && !types.iter().any(is) {
        return Err(format!("{at}: {value} is not {types:?}"));
    }
    if schema["enum"].as_array().is_some_and(|choices| !choices.contains(value)) {
        return Err(format!("{at}: {value} is none of {}", schema["enum"]));
    }
    if schema.get("const").is_some_and(|only| only != value) {
        return Err(format!("{at}: {value} is not {}", schema["const"]));
    }
    for item in value.as_array().into_iter().flatten() {
        if let Some(items) = schema.get("items") {
            check(items, item, root, &format!("{at}[]"))?;
        }
    }
    if let (Some(object), Some(properties)) = (value.as_object(), schema["properties"].as_object()) {
        for name in schema["required"].as_array().into_iter().flatten().filter_map(Value::as_str) {
            object.get(name).ok_or(format!("{at}: {name} is missing"))?;
        }
        for (name, member) in object {
            let member_schema = properties.get(name).ok_or(format!("{at}: {name} is not in the schema"))?;
            check(member_schema, member, root, &format!("{at}.{name}"))?;
        }
    }
    Ok(())
}

#[test]
fn the_export_fits_the_published_schema() {
    let schema: Value = serde_json::from_str(include_str!("../docs/evidence.schema.json")).unwrap();
    let folder = tempfile::tempdir().unwrap();
    for (name, facts) in [("a", facts()), ("b", bare()), ("c", blended(false)), ("d", blended(true))] {
        let written = write(folder.path(), name, &facts, false).unwrap();
        let export: Value = serde_json::from_str(&fs::read_to_string(written.json).unwrap()).unwrap();
        check(&schema, &export, &schema, "export").unwrap();
    }
    let mut export: Value = serde_json::from_str(&evidence_json(&facts()).unwrap()).unwrap();
    export["evidence"][3]["kind"] = "guess".into();
    assert!(check(&schema, &export, &schema, "export").unwrap_err().contains("guess"));
    export["evidence"][3]["kind"] = "meter".into();
    export["notes"][0]["loud"] = 3.into();
    assert!(check(&schema, &export, &schema, "export").unwrap_err().contains("loud"));
}

#[test]
fn where_there_will_be_two_subwoofers_the_sheet_says_where_the_plan_expects_most_of_them() {
    let mut two = facts();
    two.room.fittings.subwoofers = Some(2);
    let words = "Of two subwoofers the plan expects most at";
    assert!(readable(&sheet(&two)).contains(words) && !readable(&sheet(&facts())).contains(words));
    // Where nobody could put the subwoofer down, nobody puts a second one.
    let pair = |facts: &Facts| {
        let text = readable(&sheet(facts));
        let from = text.find(words)?;
        text[from..].split(", the second one").next().map(str::to_owned)
    };
    let first = pair(&two).unwrap();
    let named = |spot: &usize| first.contains(&format!("\u{2018}{}\u{2019}", two.room.spots[*spot].name));
    let both: Vec<usize> = (0..two.room.spots.len()).filter(named).collect();
    assert_eq!(both.len(), 2, "{first}");
    let mut closed = two.clone();
    closed.out_of_reach = vec![both[0]];
    let gone = format!("\u{2018}{}\u{2019}", two.room.spots[both[0]].name);
    assert!(!pair(&closed).unwrap().contains(&gone), "{:?}", pair(&closed));
    // The time for all pairs grows with the square of the spots.
    let more =
        (0..30).map(|spot| Place { name: format!("p{spot}"), at_m: Some([0.4 + 0.1 * f64::from(spot), 0.4, 0.3]) });
    two.room.spots.extend(more);
    assert_eq!(pair(&two), None);
}
