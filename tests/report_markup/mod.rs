//! Just enough of a parser to hold pictures and pages to being well-formed, and to read what they say.

enum Piece<'a> {
    Open { name: &'a str, attributes: &'a str },
    Close(&'a str),
    Text(&'a str),
}

/// Splits markup into tags and text. Comments and the document type are left out; the contents of `script` and `style`
/// are one text.
fn pieces(markup: &str) -> Result<Vec<Piece<'_>>, String> {
    let mut found = Vec::new();
    let mut rest = markup;
    while !rest.is_empty() {
        let Some(start) = rest.find('<') else {
            found.push(Piece::Text(rest));
            break;
        };
        if start > 0 {
            found.push(Piece::Text(&rest[..start]));
        }
        rest = &rest[start..];
        let end = rest.find('>').ok_or_else(|| format!("no end of {rest:.40}"))?;
        let tag = &rest[1..end];
        rest = &rest[end + 1..];
        if tag.starts_with('!') {
            continue;
        }
        if let Some(name) = tag.strip_prefix('/') {
            found.push(Piece::Close(name));
            continue;
        }
        let name = tag.split_whitespace().next().ok_or("a tag without a name")?;
        found.push(Piece::Open { name, attributes: &tag[name.len()..] });
        if matches!(name, "script" | "style") {
            let end = rest.find(&format!("</{name}")).ok_or_else(|| format!("{name} does not end"))?;
            rest = &rest[end..];
        }
    }
    Ok(found)
}

/// Every element is closed in order, every attribute quoted and given once, every ampersand begins a reference.
/// * `void` - elements that need no end
pub fn check_markup(markup: &str, void: &[&str]) -> Result<(), String> {
    let mut open = Vec::new();
    for piece in pieces(markup)? {
        match piece {
            Piece::Open { name, attributes } => {
                check_attributes(attributes).map_err(|error| format!("<{name}{attributes}>: {error}"))?;
                if !void.contains(&name) {
                    open.push(name);
                }
            }
            Piece::Close(name) => match open.pop() {
                Some(opened) if opened == name => {}
                other => return Err(format!("</{name}> closes {other:?}")),
            },
            Piece::Text(text) => check_references(text)?,
        }
    }
    if open.is_empty() { Ok(()) } else { Err(format!("{open:?} are not closed")) }
}

fn check_attributes(attributes: &str) -> Result<(), String> {
    let mut names = Vec::new();
    let mut rest = attributes.trim();
    while !rest.is_empty() {
        let (name, after) = rest.split_once("=\"").ok_or_else(|| format!("'{rest}' has no quoted value"))?;
        let (value, after) = after.split_once('"').ok_or_else(|| format!("{name} has no end"))?;
        check_references(value)?;
        if name.contains(char::is_whitespace) || names.contains(&name) {
            return Err(format!("'{name}' is no name, or comes twice"));
        }
        names.push(name);
        rest = after.trim_start();
    }
    Ok(())
}

fn check_references(text: &str) -> Result<(), String> {
    for after in text.split('&').skip(1) {
        if !["amp;", "lt;", "gt;", "quot;"].iter().any(|reference| after.starts_with(reference)) {
            return Err(format!("a bare ampersand before '{after:.20}'"));
        }
    }
    Ok(())
}

/// What a page says: its text, a line a block.
pub fn readable(html: &str) -> String {
    const BLOCKS: [&str; 16] = [
        "p", "h1", "h2", "li", "div", "dt", "dd", "tr", "td", "th", "section", "header", "figure", "text", "title",
        "br",
    ];
    let mut said = String::new();
    for piece in pieces(html).unwrap_or_default() {
        match piece {
            Piece::Text(text) => said.push_str(text),
            Piece::Open { name, .. } | Piece::Close(name) if BLOCKS.contains(&name) => said.push('\n'),
            _ => {}
        }
    }
    let lines = said.lines().map(str::trim).filter(|line| !line.is_empty());
    lines.map(|line| line.to_owned() + "\n").collect()
}

#[test]
fn the_check_finds_what_is_wrong() {
    for good in ["<a b=\"1\">x &amp; y</a>", "<a><br><b></b></a>"] {
        check_markup(good, &["br"]).unwrap();
    }
    for bad in ["<a>", "<a></b>", "<a b=1></a>", "<a b=\"1\" b=\"2\"></a>", "<a>x & y</a>", "<a><b></a></b>", "<a"] {
        assert!(check_markup(bad, &[]).is_err(), "{bad}");
    }
}
