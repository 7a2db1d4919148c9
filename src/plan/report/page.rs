//! Writing HTML: what is opened is closed, text is escaped, pictures come along as data.

use crate::artefact::Degree;

/// Text for HTML and for attributes in double quotes.
pub(super) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// Bytes in base 64: RFC 4648, section 4.
pub(super) fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for three in bytes.chunks(3) {
        let byte = |i: usize| u32::from(three.get(i).copied().unwrap_or(0));
        let bits = byte(0) << 16 | byte(1) << 8 | byte(2);
        for i in 0..4 {
            let letter = LETTERS[(bits >> (18 - 6 * i) & 63) as usize];
            out.push(if i <= three.len() { char::from(letter) } else { '=' });
        }
    }
    out
}

/// A page that grows.
#[derive(Debug, Default)]
pub(super) struct Page {
    out: String,
    open: Vec<&'static str>,
}

impl Page {
    /// Opens an element; `attributes` as they stand in the tag.
    pub fn start(&mut self, tag: &'static str, attributes: &str) {
        self.tag(tag, attributes);
        self.out.push('\n');
        self.open.push(tag);
    }

    /// Closes the element that was opened last.
    pub fn end(&mut self) {
        if let Some(tag) = self.open.pop() {
            self.out.push_str("</");
            self.out.push_str(tag);
            self.out.push_str(">\n");
        }
    }

    fn tag(&mut self, tag: &str, attributes: &str) {
        self.out.push('<');
        self.out.push_str(tag);
        if !attributes.is_empty() {
            self.out.push(' ');
            self.out.push_str(attributes);
        }
        self.out.push('>');
    }

    /// A whole element that holds text.
    pub fn leaf(&mut self, tag: &str, attributes: &str, words: &str) {
        self.tag(tag, attributes);
        self.out.push_str(&escaped(words));
        self.out.push_str("</");
        self.out.push_str(tag);
        self.out.push_str(">\n");
    }

    /// What is HTML or SVG already.
    pub fn raw(&mut self, html: &str) {
        self.out.push_str(html);
    }

    /// A paragraph.
    pub fn line(&mut self, words: &str) {
        self.leaf("p", "", words);
    }

    /// A list of points; none of no points.
    pub fn list(&mut self, points: &[String]) {
        if points.is_empty() {
            return;
        }
        self.start("ul", "");
        for point in points {
            self.leaf("li", "", point);
        }
        self.end();
    }

    /// A table with a caption, in a part of its own that scrolls where the page is narrow. The first cell of a row names it.
    pub fn table(&mut self, caption: &str, head: &[String], rows: &[Vec<Cell>]) {
        let label = format!(
            "class=\"wide\" role=\"region\" tabindex=\"0\" aria-label=\"{}\"",
            escaped(caption)
        );
        self.start("div", &label);
        self.start("table", "");
        self.leaf("caption", "", caption);
        self.start("thead", "");
        self.start("tr", "");
        for title in head {
            self.leaf("th", "scope=\"col\"", title);
        }
        self.end();
        self.end();
        self.start("tbody", "");
        for row in rows {
            self.start("tr", "");
            for (i, cell) in row.iter().enumerate() {
                let (tag, attributes) =
                    if i == 0 { ("th", "scope=\"row\"") } else { ("td", cell.how()) };
                self.tag(tag, attributes);
                self.out.push_str(&cell.html());
                self.out.push_str(if i == 0 { "</th>\n" } else { "</td>\n" });
            }
            self.end();
        }
        self.end();
        self.end();
        self.end();
    }

    /// The whole of it; what is still open is closed.
    pub fn finish(mut self) -> String {
        while !self.open.is_empty() {
            self.end();
        }
        self.out
    }
}

/// What stands in a table.
#[derive(Debug, Clone)]
pub(super) enum Cell {
    /// Words.
    Words(String),
    /// A verdict with its hatching.
    Verdict(Degree),
}

impl From<String> for Cell {
    fn from(words: String) -> Self {
        Self::Words(words)
    }
}

impl From<&str> for Cell {
    fn from(words: &str) -> Self {
        Self::Words(words.to_owned())
    }
}

impl Cell {
    /// Attributes: short ones, a number with its unit, are kept on one line.
    fn how(&self) -> &'static str {
        match self {
            Self::Words(words) if words.chars().count() <= 14 => "class=\"keep\"",
            _ => "",
        }
    }

    fn html(&self) -> String {
        match self {
            Self::Words(words) => escaped(words),
            Self::Verdict(degree) => format!("{} {}", mark(*degree), escaped(degree.words())),
        }
    }
}

/// What a verdict is hatched with.
pub(super) fn paint(degree: Option<Degree>) -> &'static str {
    match degree {
        Some(Degree::Clean) => "#ffffff",
        Some(Degree::Noticeable) => "url(#noticeable)",
        Some(Degree::Spoils) => "url(#spoils)",
        Some(Degree::CannotSay) => "url(#cannot-say)",
        None => "#8c8c8c",
    }
}

/// A small hatched field; the words stand beside it.
pub(super) fn mark(degree: Degree) -> String {
    format!(
        "<svg class=\"mark\" viewBox=\"0 0 28 16\" width=\"28\" height=\"16\" aria-hidden=\"true\"><rect x=\"1\" y=\"1\" width=\"26\" height=\"14\" fill=\"{}\" stroke=\"#000000\" stroke-width=\"{}\"/></svg>",
        paint(Some(degree)),
        if degree == Degree::Clean { "2" } else { "1" }
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The test vectors of RFC 4648, section 10.
    #[test]
    fn base64_is_that_of_the_standard() {
        let of = |text: &str| base64(text.as_bytes());
        let all = ["", "f", "fo", "foo", "foob", "fooba", "foobar"].map(of);
        assert_eq!(all, ["", "Zg==", "Zm8=", "Zm9v", "Zm9vYg==", "Zm9vYmE=", "Zm9vYmFy"]);
        assert_eq!(base64(&[0xfb, 0xff, 0xbf]), "+/+/");
    }

    #[test]
    fn what_is_opened_is_closed_and_text_is_escaped() {
        let mut page = Page::default();
        page.start("div", "class=\"a\"");
        page.leaf("p", "", "1 < 2 & \"three\"");
        let html = page.finish();
        assert_eq!(html, "<div class=\"a\">\n<p>1 &lt; 2 &amp; &quot;three&quot;</p>\n</div>\n");
    }
}
