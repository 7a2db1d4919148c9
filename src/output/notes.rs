//! The words that travel inside a picture file.

/// Program, scene and further lines of text, for the text fields of a format.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Notes {
    /// Name and version of the program.
    pub program: String,
    /// Name of the scene.
    pub scene: String,
    /// More lines: a keyword (1 to 79 Latin letters for PNG) and its text.
    pub lines: Vec<(String, String)>,
}

impl Notes {
    /// Notes of this program about a scene.
    pub fn new(scene: &str) -> Self {
        Self {
            program: concat!("gridbeat ", env!("CARGO_PKG_VERSION")).to_owned(),
            scene: scene.to_owned(),
            lines: Vec::new(),
        }
    }

    /// The same, with one more line.
    pub fn with(mut self, keyword: &str, text: &str) -> Self {
        self.lines.push((keyword.to_owned(), text.to_owned()));
        self
    }

    /// Scene and lines as one text, a line each.
    pub(super) fn description(&self) -> String {
        let mut text = format!("Scene: {}", self.scene);
        for (keyword, line) in &self.lines {
            text += &format!("\n{keyword}: {line}");
        }
        text
    }
}
