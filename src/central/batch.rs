//! Lines of line protocol that go to the server together.

use std::ops::Range;

/// Most lines in a request: the makers of the write API call 5,000 the optimal size ("Optimize
/// writes to InfluxDB", InfluxDB OSS v2 documentation).
pub(super) const MAX_LINES: usize = 5_000;

/// Most bytes in a request before compression: 1 MiB is what the common reverse proxy in front of
/// such a server lets through unless told otherwise (nginx, `client_max_body_size`, default 1m).
pub(super) const MAX_BYTES: usize = 1 << 20;

/// Whole lines, back to back. This is all that a central store's task holds in memory.
#[derive(Debug, Default)]
pub(super) struct Batch {
    body: Vec<u8>,
    /// Where each line ends, its line feed included.
    ends: Vec<usize>,
}

impl Batch {
    /// Number of lines.
    pub(super) fn len(&self) -> usize {
        self.ends.len()
    }

    /// Whether there is no line.
    pub(super) fn is_empty(&self) -> bool {
        self.ends.is_empty()
    }

    /// Size in bytes.
    pub(super) fn bytes(&self) -> usize {
        self.body.len()
    }

    /// Lets `write` append one line, or none, to the body.
    pub(super) fn line(&mut self, write: impl FnOnce(&mut Vec<u8>)) {
        let before = self.body.len();
        write(&mut self.body);
        if self.body.len() > before {
            self.ends.push(self.body.len());
        }
    }

    /// Takes back the lines from `len` on.
    pub(super) fn truncate(&mut self, len: usize) {
        self.ends.truncate(len);
        self.body.truncate(self.ends.last().copied().unwrap_or(0));
    }

    /// The text of some lines.
    pub(super) fn text(&self, lines: Range<usize>) -> &[u8] {
        let start = if lines.start == 0 { 0 } else { self.ends[lines.start - 1] };
        let end = if lines.end == 0 { 0 } else { self.ends[lines.end - 1] };
        &self.body[start..end]
    }

    /// One line without its line feed.
    pub(super) fn record(&self, line: usize) -> String {
        String::from_utf8_lossy(self.text(line..line + 1)).trim_end_matches('\n').to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_found_again() {
        let mut batch = Batch::default();
        for text in ["a 1\n", "", "bb 2\n", "c 3\n"] {
            batch.line(|body| body.extend_from_slice(text.as_bytes()));
        }
        assert_eq!(batch.len(), 3);
        assert_eq!(batch.text(0..3), b"a 1\nbb 2\nc 3\n");
        assert_eq!(batch.text(1..2), b"bb 2\n");
        assert_eq!(batch.text(0..0), b"");
        assert_eq!(batch.text(2..2), b"");
        assert_eq!(batch.record(2), "c 3");
        batch.truncate(1);
        assert_eq!((batch.len(), batch.bytes()), (1, 4));
        batch.truncate(0);
        assert!(batch.is_empty() && batch.bytes() == 0);
    }
}
