//! A small checker of HTML, for pages that we write: tags nest, attributes are quoted, links and patterns lead somewhere, and
//! nothing comes from elsewhere. Rules of nesting and of what an element needs: HTML Living Standard (WHATWG), sections 4 and 13.1.

use std::collections::BTreeSet;

/// Elements that have no end (section 13.1.2).
const VOID: [&str; 5] = ["meta", "img", "br", "hr", "link"];
/// What a paragraph must not hold (section 4.4.1: phrasing content only).
const BLOCKS: [&str; 18] = [
    "p", "div", "section", "article", "header", "main", "ul", "ol", "dl", "li", "table", "figure",
    "pre", "h1", "h2", "h3", "h4", "style",
];
/// Elements that we use, and no others.
const KNOWN: [&str; 54] = [
    "html",
    "head",
    "meta",
    "title",
    "style",
    "body",
    "header",
    "main",
    "article",
    "section",
    "div",
    "h1",
    "h2",
    "h3",
    "h4",
    "p",
    "ul",
    "ol",
    "li",
    "dl",
    "dt",
    "dd",
    "table",
    "caption",
    "thead",
    "tbody",
    "tr",
    "th",
    "td",
    "figure",
    "figcaption",
    "img",
    "a",
    "code",
    "pre",
    "span",
    "svg",
    "defs",
    "pattern",
    "rect",
    "line",
    "path",
    "circle",
    "polygon",
    "g",
    "text",
    "desc",
    "br",
    "hr",
    "em",
    "strong",
    "polyline",
    "ellipse",
    "small",
];

/// One tag.
#[derive(Debug, Clone)]
pub struct Tag {
    /// Its name.
    pub name: String,
    /// Attributes and their values, entities left as they are.
    pub attributes: Vec<(String, String)>,
    /// It ends an element.
    pub ends: bool,
    /// It ends itself, as in SVG.
    pub closed: bool,
    /// The text up to the next tag.
    pub text: String,
}

impl Tag {
    /// The value of an attribute.
    pub fn get(&self, name: &str) -> Option<&str> {
        self.attributes.iter().find(|(n, _)| n == name).map(|(_, v)| v.as_str())
    }
}

/// Takes a page apart. `Err` says what is wrong.
pub fn tags(html: &str) -> Result<Vec<Tag>, String> {
    let body = html.strip_prefix("<!DOCTYPE html>\n").ok_or("no doctype")?;
    let mut all: Vec<Tag> = Vec::new();
    let mut rest = body;
    while let Some(start) = rest.find('<') {
        let (text, tail) = rest.split_at(start);
        match all.last_mut() {
            Some(tag) => tag.text = text.to_owned(),
            None if text.trim().is_empty() => {}
            None => return Err(format!("text before the first tag: {text}")),
        }
        // A '>' may stand inside quotes.
        let mut quoted = false;
        let end = tail.char_indices().skip(1).find(|(_, c)| {
            quoted ^= *c == '"';
            *c == '>' && !quoted
        });
        let (end, _) = end.ok_or_else(|| format!("a tag without an end: {:.60}", tail))?;
        all.push(tag(&tail[1..end])?);
        rest = &tail[end + 1..];
    }
    if !rest.trim().is_empty() {
        return Err(format!("text after the last tag: {rest}"));
    }
    Ok(all)
}

fn tag(inner: &str) -> Result<Tag, String> {
    let wrong = |what: &str| Err(format!("{what} in <{inner:.120}>"));
    let ends = inner.starts_with('/');
    let closed = inner.ends_with('/');
    let inner_ = inner.trim_start_matches('/').trim_end_matches('/').trim_end();
    let (name, mut rest) = inner_.split_once([' ', '\n']).unwrap_or((inner_, ""));
    if name.is_empty() || !name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit()) {
        return wrong("no name");
    }
    let mut attributes: Vec<(String, String)> = Vec::new();
    loop {
        rest = rest.trim_start();
        if rest.is_empty() {
            break;
        }
        let Some((key, after)) = rest.split_once("=\"") else {
            return wrong("an attribute without quotes");
        };
        let Some((value, after)) = after.split_once('"') else { return wrong("an open quote") };
        if key.is_empty()
            || key.contains([' ', '<', '='])
            || attributes.iter().any(|(k, _)| k == key)
        {
            return wrong("an attribute that is none, or twice");
        }
        attributes.push((key.to_owned(), value.to_owned()));
        if !(after.is_empty() || after.starts_with([' ', '\n', '/'])) {
            return wrong("attributes that touch");
        }
        rest = after;
    }
    if ends && !attributes.is_empty() {
        return wrong("an end with attributes");
    }
    Ok(Tag { name: name.to_owned(), attributes, ends, closed, text: String::new() })
}

/// Checks that '&' starts one of the entities that we use.
fn entities(text: &str) -> Result<(), String> {
    for after in text.split('&').skip(1) {
        if !["amp;", "lt;", "gt;", "quot;"].iter().any(|e| after.starts_with(e)) {
            return Err(format!("a bare '&' before {after:.20}"));
        }
    }
    Ok(())
}

/// What an element must stand in.
fn parents(name: &str) -> &'static [&'static str] {
    match name {
        "li" => &["ul", "ol"],
        "dt" | "dd" => &["dl"],
        "tr" => &["thead", "tbody"],
        "th" | "td" => &["tr"],
        "thead" | "tbody" | "caption" => &["table"],
        "figcaption" => &["figure"],
        "head" | "body" => &["html"],
        "title" | "meta" | "style" => &["head"],
        "main" => &["body"],
        _ => &[],
    }
}

/// Checks a whole page. `Err` says the first thing that is wrong.
pub fn check(html: &str) -> Result<(), String> {
    let tags = tags(html)?;
    let mut open: Vec<String> = Vec::new();
    let (mut ids, mut used) = (BTreeSet::new(), BTreeSet::new());
    let mut level = 0;
    let count = |name: &str| tags.iter().filter(|t| t.name == name && !t.ends).count();
    for (name, want) in
        [("html", 1), ("head", 1), ("title", 1), ("body", 1), ("h1", 1), ("main", 1), ("script", 0)]
    {
        if count(name) != want {
            return Err(format!("{} of <{name}>, not {want}", count(name)));
        }
    }
    for tag in &tags {
        let name = tag.name.as_str();
        if !KNOWN.contains(&name) {
            return Err(format!("<{name}> is not known here"));
        }
        let inside = open.last().cloned().unwrap_or_default();
        if tag.ends {
            if open.pop().as_deref() != Some(name) {
                return Err(format!("</{name}> ends <{inside}>"));
            }
            continue;
        }
        let in_svg = open.iter().any(|t| t == "svg");
        if open.iter().any(|t| t == "p" || t.starts_with('h') && t.len() == 2)
            && BLOCKS.contains(&name)
        {
            return Err(format!("<{name}> in a paragraph or heading"));
        }
        let parents = parents(name);
        if !parents.is_empty() && !parents.contains(&inside.as_str()) {
            return Err(format!("<{name}> in <{inside}>"));
        }
        let only: &[&str] = match inside.as_str() {
            "ul" | "ol" => &["li"],
            "dl" => &["dt", "dd"],
            "table" => &["caption", "thead", "tbody"],
            "thead" | "tbody" => &["tr"],
            "tr" => &["th", "td"],
            _ => &[],
        };
        if !only.is_empty() && !only.contains(&name) {
            return Err(format!("<{name}> in <{inside}>"));
        }
        for (key, value) in &tag.attributes {
            entities(value)?;
            if key.starts_with("on") {
                return Err(format!("a script in {key}"));
            }
            if key == "id" && !ids.insert(value.clone()) {
                return Err(format!("id {value} twice"));
            }
            if key == "href" || key == "src" || key == "xlink:href" {
                match value.strip_prefix('#') {
                    Some(id) => drop(used.insert(id.to_owned())),
                    None if value.starts_with("data:image/png;base64,") => {}
                    None => return Err(format!("{key} leads elsewhere: {value:.60}")),
                }
            }
            if let Some(id) = value.strip_prefix("url(") {
                let id = id.strip_prefix('#').and_then(|i| i.strip_suffix(')'));
                used.insert(id.ok_or("a url() that leads elsewhere")?.to_owned());
            }
        }
        entities(&tag.text).or_else(|e| if name == "style" { Ok(()) } else { Err(e) })?;
        if name == "img" && tag.get("alt").is_none_or(|alt| alt.trim().is_empty()) {
            return Err("an <img> without alt".to_owned());
        }
        let told = tag.get("aria-hidden") == Some("true")
            || (tag.get("role") == Some("img")
                && tag.get("aria-label").is_some_and(|l| !l.is_empty()));
        if name == "svg" && !told {
            return Err("an <svg> with neither a label nor hidden".to_owned());
        }
        if let Some(heading) = name.strip_prefix('h').and_then(|n| n.parse::<u32>().ok()) {
            if heading > level + 1 {
                return Err(format!("<h{heading}> after <h{level}>: {}", tag.text));
            }
            level = heading;
        }
        if tag.closed && !in_svg {
            return Err(format!("<{name}/> outside of SVG"));
        }
        if !tag.closed && !VOID.contains(&name) {
            open.push(name.to_owned());
        }
    }
    if !open.is_empty() {
        return Err(format!("never ended: {open:?}"));
    }
    if let Some(lost) = used.difference(&ids).next() {
        return Err(format!("#{lost} is not there"));
    }
    let html_tag = tags.iter().find(|t| t.name == "html");
    if html_tag.and_then(|t| t.get("lang")) != Some("en") {
        return Err("no language".to_owned());
    }
    let charset = tags.iter().any(|t| t.name == "meta" && t.get("charset") == Some("utf-8"));
    let viewport = tags.iter().any(|t| t.get("name") == Some("viewport"));
    if !charset || !viewport {
        return Err("no charset, or no viewport".to_owned());
    }
    for word in ["http:", "https:", "@import", "javascript:", "<script", "file:"] {
        if html.contains(word) {
            return Err(format!("'{word}' in the page"));
        }
    }
    Ok(())
}

/// A page with `inner` in its body.
fn page(inner: &str) -> String {
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"a\"><title>t</title></head>\
         <body><main><h1>t</h1>{inner}</main></body></html>\n"
    )
}

#[test]
fn the_checker_passes_what_is_right() {
    let right = "<p id=\"x\">a &lt; b <a href=\"#x\">here</a></p><ul><li>1</li></ul><svg aria-hidden=\"true\"><rect width=\"1\"/></svg>\
                 <table><caption>c</caption><thead><tr><th scope=\"col\">a</th></tr></thead></table>";
    assert_eq!(check(&page(right)), Ok(()));
}

#[test]
fn the_checker_refuses_what_is_wrong() {
    for (inner, why) in [
        ("<p>open", "</main> ends <p>"),
        ("<p><ul><li>a</li></ul></p>", "in a paragraph"),
        ("<ul><p>a</p></ul>", "<p> in <ul>"),
        ("<li>a</li>", "<li> in <main>"),
        ("<img src=\"data:image/png;base64,AA\">", "without alt"),
        ("<img alt=\"a\" src=\"a.png\">", "leads elsewhere"),
        ("<script>1</script>", "of <script>"),
        ("<p>a & b</p>", "bare '&'"),
        ("<p id=\"a\">a</p><p id=\"a\">b</p>", "twice"),
        ("<p class=a>a</p>", "without quotes"),
        ("<h3>a</h3>", "<h3> after <h1>"),
        ("<svg><rect/></svg>", "neither a label"),
        ("<a href=\"#gone\">a</a>", "#gone is not there"),
        ("<p>see https://example.org</p>", "'https:'"),
        ("<p onclick=\"a\">a</p>", "a script"),
        ("<tr><td>a</td></tr>", "<tr> in <main>"),
        ("<div/>", "outside of SVG"),
        ("<blink>a</blink>", "not known"),
    ] {
        let found = check(&page(inner)).expect_err(inner);
        assert!(found.contains(why), "{inner}: {found}");
    }
}
