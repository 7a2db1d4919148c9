//! The sidecar: everything that was resolved and derived, as JSON; and plain text.

use super::{EncodeError, Format, Sink};

/// A JSON document, indented, with a newline at its end. Keys keep their order.
#[derive(Debug, Clone, Copy)]
pub struct JsonSidecar<'a> {
    /// The document.
    pub value: &'a serde_json::Value,
}

impl Format for JsonSidecar<'_> {
    fn encode(&self, sink: &mut dyn Sink) -> Result<(), EncodeError> {
        serde_json::to_writer_pretty(&mut *sink, self.value)
            .map_err(|e| EncodeError::Io(e.into()))?;
        sink.write_all(b"\n")?;
        Ok(())
    }
}

/// Plain text, as it is.
#[derive(Debug, Clone, Copy)]
pub struct Text<'a>(pub &'a str);

impl Format for Text<'_> {
    fn encode(&self, sink: &mut dyn Sink) -> Result<(), EncodeError> {
        sink.write_all(self.0.as_bytes())?;
        Ok(())
    }
}
