//! Cuts a stream of bytes into lines, without ever holding more than one honest line of it.

/// Longest line taken, in bytes, without its end. An honest one, with every channel of a car, is under 2 KiB.
pub const MAX_LINE: usize = 64 * 1024;

/// A line, or what is left of one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Line<'a> {
    /// A whole line without its end. It may be blank.
    Whole(&'a [u8]),
    /// A line longer than [`MAX_LINE`]; its bytes are let go as they come.
    TooLong,
}

/// Cuts chunks into lines at `\n` or `\r\n`.
#[derive(Clone, Debug, Default)]
pub struct Splitter {
    kept: Vec<u8>,
    skipping: bool,
}

impl Splitter {
    /// Takes the next chunk and hands on each line that ends in it.
    pub fn push(&mut self, mut chunk: &[u8], mut each: impl FnMut(Line<'_>)) {
        while let Some(end) = chunk.iter().position(|byte| *byte == b'\n') {
            let (part, rest) = (&chunk[..end], &chunk[end + 1..]);
            chunk = rest;
            if std::mem::take(&mut self.skipping) {
                continue;
            }
            if self.kept.len() + part.len() > MAX_LINE {
                each(Line::TooLong);
            } else if self.kept.is_empty() {
                each(Line::Whole(without_return(part)));
            } else {
                self.kept.extend_from_slice(part);
                each(Line::Whole(without_return(&self.kept)));
            }
            self.kept.clear();
        }
        if self.skipping {
            return;
        }
        if self.kept.len() + chunk.len() > MAX_LINE {
            each(Line::TooLong);
            self.kept.clear();
            self.skipping = true;
        } else {
            self.kept.extend_from_slice(chunk);
        }
    }

    /// The stream has ended: hands on what stands after the last line end, if anything.
    pub fn end(&mut self, mut each: impl FnMut(Line<'_>)) {
        if !std::mem::take(&mut self.skipping) && !self.kept.is_empty() {
            each(Line::Whole(without_return(&self.kept)));
        }
        self.kept.clear();
    }
}

fn without_return(line: &[u8]) -> &[u8] {
    line.strip_suffix(b"\r").unwrap_or(line)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Lines as text, `None` for one too long.
    fn cut(chunks: &[&[u8]]) -> Vec<Option<Vec<u8>>> {
        let mut splitter = Splitter::default();
        let mut lines = Vec::new();
        let mut each = |line: Line<'_>| {
            lines.push(match line {
                Line::Whole(line) => Some(line.to_vec()),
                Line::TooLong => None,
            });
        };
        for chunk in chunks {
            splitter.push(chunk, &mut each);
        }
        splitter.end(&mut each);
        lines
    }

    #[test]
    fn lines_are_cut_wherever_the_chunks_break() {
        let whole = vec![Some(b"ab".to_vec()), Some(vec![]), Some(b"c".to_vec())];
        assert_eq!(cut(&[b"ab\r\n\nc"]), whole);
        assert_eq!(cut(&[b"a", b"b\r", b"\n", b"\n", b"c", b"\n"]), whole);
    }

    #[test]
    fn ten_megabytes_without_an_end_cost_one_line() {
        let mut splitter = Splitter::default();
        let (mut long, mut good) = (0, 0);
        let mut each = |line: Line<'_>| match line {
            Line::TooLong => long += 1,
            Line::Whole(line) => good += usize::from(line == b"{}"),
        };
        splitter.push(b"{}\n", &mut each);
        for _ in 0..160 {
            splitter.push(&[b'x'; 65_536], &mut each);
        }
        splitter.push(b"x\n{}\n", &mut each);
        assert_eq!((long, good), (1, 2));
        assert!(splitter.kept.capacity() <= 2 * MAX_LINE);
    }

    #[test]
    fn the_longest_line_is_still_taken() {
        let line = vec![b'x'; MAX_LINE];
        assert_eq!(cut(&[&line, b"\n"]), [Some(line.clone())]);
        assert_eq!(cut(&[&line, b"x\n"]), [None]);
    }

    proptest! {
        #[test]
        fn chunking_changes_nothing(bytes in proptest::collection::vec(prop_oneof![Just(b'\n'), Just(b'\r'), any::<u8>()], 0..400), size in 1..40usize) {
            let chunks: Vec<&[u8]> = bytes.chunks(size).collect();
            prop_assert_eq!(cut(&chunks), cut(&[&bytes]));
        }
    }
}
