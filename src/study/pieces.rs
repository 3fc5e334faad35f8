//! A long table in pieces that are read side by side.
//!
//! Every line of a table is a row, so the text can be cut at any line end and a row's
//! number is still known.

use rayon::prelude::*;

/// A shorter text is read in one go; pieces are about this long. Their ends do not depend
/// on the number of threads.
const PIECE: usize = 1 << 20;

/// Some whole lines of a text.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Piece<'a> {
    pub(crate) text: &'a str,
    /// Line ends in it.
    pub(crate) lines: u32,
}

/// Cuts a text at line ends; `None` where it is short, or holds a carriage return that
/// ends a row by itself.
pub(crate) fn of_lines(text: &str) -> Option<Vec<Piece<'_>>> {
    cut(text, PIECE)
}

fn cut(text: &str, length: usize) -> Option<Vec<Piece<'_>>> {
    if text.len() <= length {
        return None;
    }
    let mut rest = text;
    let mut texts = Vec::with_capacity(text.len() / length + 1);
    while !rest.is_empty() {
        // The line end is one byte, so a cut after it is none within a letter.
        let end = rest.as_bytes()[length.min(rest.len())..]
            .iter()
            .position(|byte| *byte == b'\n')
            .map_or(rest.len(), |after| length + after + 1);
        let (piece, others) = rest.split_at(end);
        texts.push(piece);
        rest = others;
    }
    let piece = |text: &&'_ str| {
        let bytes = text.as_bytes();
        let lone = |pair: &[u8]| pair[0] == b'\r' && pair[1] != b'\n';
        let every_row_is_a_line = !bytes.windows(2).any(lone);
        every_row_is_a_line.then(|| bytes.iter().filter(|byte| **byte == b'\n').count())
    };
    let lines: Option<Vec<usize>> = texts.par_iter().map(piece).collect();
    let pieces = texts.iter().zip(lines?).map(|(text, lines)| {
        let lines = u32::try_from(lines).ok()?;
        Some(Piece { text, lines })
    });
    pieces.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_are_whole_lines() {
        let text = "bird,age\r\na,1\r\n\r\nöö,2\r\nb,3";
        for length in 1..text.len() {
            let pieces = cut(text, length).unwrap();
            let joined: String = pieces.iter().map(|piece| piece.text).collect();
            assert_eq!(joined, text);
            let (last, before) = pieces.split_last().unwrap();
            assert!(before.iter().all(|piece| piece.text.ends_with('\n')));
            assert!(!last.text.is_empty());
            assert_eq!(pieces.iter().map(|piece| piece.lines).sum::<u32>(), 4);
        }
        assert_eq!(cut(text, text.len()), None);
    }

    #[test]
    fn lines_that_may_not_be_rows_are_not_cut() {
        assert_eq!(cut("bird,age\na,1\rb,2\nc,3\n", 5), None);
    }
}
