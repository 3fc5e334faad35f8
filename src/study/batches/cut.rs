//! Texts of whole lines to batches of whole birds.

use std::borrow::Cow;
use std::collections::VecDeque;

use super::Batch;

/// Bytes of the rows of a batch, those of its last bird besides.
pub(super) const BATCH: usize = 1 << 18;

/// Cuts a text where a row is another bird's than the row before.
pub(super) struct Cutter {
    separator: u8,
    /// The column of birds.
    bird: usize,
    /// What is not yet a batch: its last bird may go on.
    text: String,
    before: u32,
}

impl Cutter {
    pub(super) fn new(separator: u8, bird: usize) -> Self {
        Self {
            separator,
            bird,
            text: String::new(),
            before: 0,
        }
    }

    /// Takes in the text that follows, of which `before` lines stand before.
    pub(super) fn take(&mut self, text: &str, before: u32, ready: &mut VecDeque<Batch>) {
        if self.text.is_empty() {
            self.before = before;
        }
        self.text.push_str(text);
        let mut start = 0;
        while let Some(end) = self.end_of_batch(start) {
            let text = self.text[start..end].to_owned();
            let lines = lines_of(&text);
            ready.push_back(Batch {
                text,
                before: self.before,
                numbers: Vec::new(),
            });
            self.before = self.before.saturating_add(lines);
            start = end;
        }
        self.text.drain(..start);
    }

    /// What is left at the end of the table.
    pub(super) fn rest(&mut self) -> Option<Batch> {
        let text = std::mem::take(&mut self.text);
        (!text.is_empty()).then_some(Batch {
            text,
            before: self.before,
            numbers: Vec::new(),
        })
    }

    /// Where the batch from `start` on ends: after enough rows, between two birds.
    fn end_of_batch(&self, start: usize) -> Option<usize> {
        let text = &self.text;
        let bytes = text.as_bytes();
        let enough = start.checked_add(BATCH).filter(|at| *at < bytes.len())?;
        let after = |at: usize| {
            let end = bytes[at..].iter().position(|byte| *byte == b'\n')?;
            Some(at + end + 1)
        };
        let first = bytes[..enough].iter().rposition(|byte| *byte == b'\n');
        let mut line = first.map_or(start, |end| end + 1).max(start);
        let mut next = after(line)?;
        let mut bird = self.bird_of(&text[line..next]);
        loop {
            (line, next) = (next, after(next)?);
            let here = self.bird_of(&text[line..next]);
            if here.is_empty() {
                // A blank line is no bird's.
                continue;
            }
            if here != bird && !bird.is_empty() {
                return Some(line);
            }
            bird = here;
        }
    }

    /// The cell of the bird in a line.
    fn bird_of<'a>(&self, line: &'a str) -> Cow<'a, str> {
        if !line.contains('"') {
            let cell = line.split(char::from(self.separator)).nth(self.bird);
            return Cow::Borrowed(cell.unwrap_or_default().trim());
        }
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(self.separator)
            .has_headers(false)
            .from_reader(line.as_bytes());
        let mut record = csv::StringRecord::new();
        let read = reader.read_record(&mut record).is_ok();
        let cell = record.get(self.bird).filter(|_| read);
        Cow::Owned(cell.unwrap_or_default().trim().to_owned())
    }
}

/// Line ends of a text.
fn lines_of(text: &str) -> u32 {
    let ends = text.bytes().filter(|byte| *byte == b'\n').count();
    u32::try_from(ends).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn batches_are_whole_birds_and_lose_no_line() {
        let row = |bird: usize, age: usize| format!("\"b,{bird}\",x,{age},{}\r\n", age * 10);
        let whole: String = (0..9000)
            .flat_map(|bird| (0..7 + bird % 5).map(move |age| row(bird, age)))
            .collect();
        let mut cutter = Cutter::new(b',', 0);
        let mut ready = VecDeque::new();
        let (mut rest, mut lines) = (whole.as_str(), 1);
        while !rest.is_empty() {
            let end = rest[rest.len().min(70_001)..].find('\n');
            let end = end.map_or(rest.len(), |end| 70_001 + end + 1);
            let (text, after) = rest.split_at(end);
            cutter.take(text, lines, &mut ready);
            lines += lines_of(text);
            rest = after;
        }
        ready.extend(cutter.rest());
        assert!(ready.len() > 3);
        let joined: String = ready.iter().map(|batch| batch.text.as_str()).collect();
        assert!(joined == whole);
        let mut before = 1;
        for batch in &ready {
            assert_eq!(batch.before, before);
            before += lines_of(&batch.text);
        }
        for pair in ready.iter().collect::<Vec<_>>().windows(2) {
            let last = cutter.bird_of(pair[0].text.lines().next_back().unwrap());
            let first = cutter.bird_of(pair[1].text.lines().next().unwrap());
            assert_ne!(last, first);
        }
    }
}
