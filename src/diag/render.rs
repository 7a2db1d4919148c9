//! Diagnostics as text for a terminal or a log: pure, prints nothing.

use super::{Diagnostic, Severity};
use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};

/// All diagnostics with file name, line, excerpt, caret and hint, one after the other.
///
/// `text` is the file that the places refer to; a place outside it is left out. `colour` adds
/// terminal colours.
pub fn render(diagnostics: &[Diagnostic], file: &str, text: &str, colour: bool) -> String {
    let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
    let mut out = String::new();
    for diagnostic in diagnostics {
        let level = match diagnostic.severity {
            Severity::Error => Level::ERROR,
            Severity::Note => Level::NOTE,
        };
        let title = if diagnostic.key.is_empty() {
            diagnostic.message.clone()
        } else {
            format!("{}: {}", diagnostic.key, diagnostic.message)
        };
        let span = diagnostic.place.as_ref().and_then(|place| {
            let range = place.bytes.clone();
            let inside = range.start <= range.end
                && range.end <= text.len()
                && text.is_char_boundary(range.start)
                && text.is_char_boundary(range.end);
            inside.then_some(range)
        });
        let mut group: Group<'_> = match span {
            Some(span) => level.primary_title(title).element(
                Snippet::source(text).path(file).annotation(AnnotationKind::Primary.span(span)),
            ),
            None => Group::with_title(level.primary_title(title)),
        };
        if let Some(hint) = &diagnostic.hint {
            group = group.element(Level::HELP.message(hint.clone()));
        }
        out.push_str(&renderer.render(&[group]));
        out.push_str("\n\n");
    }
    out
}

/// One line each, for lists and tests: `line 3, lens.focal_mm: message (hint)`.
pub fn summary(diagnostic: &Diagnostic) -> String {
    let mut out = String::new();
    if let Some(place) = &diagnostic.place {
        out.push_str(&format!("line {}, ", place.line));
    }
    if !diagnostic.key.is_empty() {
        out.push_str(&format!("{}: ", diagnostic.key));
    }
    out.push_str(&diagnostic.message);
    if let Some(hint) = &diagnostic.hint {
        out.push_str(&format!(" ({hint})"));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::Place;
    use super::*;

    #[test]
    fn shows_file_line_caret_and_hint() {
        let text = "lens:\n  focal_mm: -5\n";
        let diagnostic = Diagnostic::error("lens.focal_mm", "-5 is too small; allowed: 2 to 2000")
            .hint("write a length")
            .at(Some(Place { line: 2, column: 13, bytes: 18..20 }));
        let shown = render(std::slice::from_ref(&diagnostic), "night.yaml", text, false);
        let wanted = "\
error: lens.focal_mm: -5 is too small; allowed: 2 to 2000
 --> night.yaml:2:13
  |
2 |   focal_mm: -5
  |             ^^
  |
  = help: write a length

";
        assert_eq!(shown, wanted);
        assert_eq!(
            summary(&diagnostic),
            "line 2, lens.focal_mm: -5 is too small; allowed: 2 to 2000 (write a length)"
        );
        // A place outside the text must not bring the renderer down.
        let lost = diagnostic.at(Some(Place { line: 9, column: 1, bytes: 900..901 }));
        assert!(render(&[lost], "x", text, false).starts_with("error: lens.focal_mm"));
    }
}
