//! From bytes to text and from text to tables: encodings, separators, and the rows a spreadsheet would show.

use csv::{ReaderBuilder, StringRecord, Terminator};

/// A fault of the whole file: `(row, value, rule, remedy)`.
pub(super) struct FileFault {
    pub(super) row: Option<usize>,
    pub(super) value: Option<String>,
    pub(super) rule: String,
    pub(super) remedy: String,
}

impl FileFault {
    pub(super) fn new(rule: impl Into<String>, remedy: impl Into<String>) -> FileFault {
        FileFault {
            row: None,
            value: None,
            rule: rule.into(),
            remedy: remedy.into(),
        }
    }

    pub(super) fn at(mut self, row: usize) -> FileFault {
        self.row = Some(row);
        self
    }
}

/// The file as text, its byte-order mark taken off.
pub(super) fn decode(bytes: &[u8]) -> Result<&str, FileFault> {
    const AS_UTF8: &str = "save it again as \"CSV UTF-8\"";
    if bytes.starts_with(b"PK\x03\x04") {
        return Err(FileFault::new(
            "this is a spreadsheet workbook or a zip archive, not text",
            "save the sheet as \"CSV UTF-8\" and give that file",
        ));
    }
    if bytes.starts_with(&[0xFF, 0xFE]) || bytes.starts_with(&[0xFE, 0xFF]) {
        return Err(FileFault::new("the file is UTF-16 text", AS_UTF8));
    }
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    if let Some(at) = memchr::memchr(0, bytes) {
        return Err(
            FileFault::new("the file holds zero bytes: it is not text", AS_UTF8).at(line_of(bytes, at)),
        );
    }
    let text = std::str::from_utf8(bytes).map_err(|e| {
        let at = e.valid_up_to();
        let byte = bytes.get(at).copied().unwrap_or_default();
        FileFault::new(
            format!("the file is not UTF-8: byte 0x{byte:02X} stands where a letter should"),
            format!("{AS_UTF8} (it was probably saved in a Windows code page)"),
        )
        .at(line_of(bytes, at))
    })?;
    if text.trim().is_empty() {
        return Err(FileFault::new(
            "the file is empty",
            "check that the export finished",
        ));
    }
    Ok(text)
}

fn line_of(bytes: &[u8], at: usize) -> usize {
    1 + memchr::memchr_iter(b'\n', &bytes[..at.min(bytes.len())]).count()
}

/// How a table is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Style {
    pub(super) delimiter: u8,
    pub(super) terminator: u8,
}

impl Style {
    /// Finds the separator from the heading line, and the end-of-line mark (a lone CR only where there is no LF).
    pub(super) fn sniff(text: &str) -> Style {
        let has_lf = memchr::memchr(b'\n', text.as_bytes()).is_some();
        let terminator = if has_lf { b'\n' } else { b'\r' };
        let heading = text
            .split(char::from(terminator))
            .find(|l| !l.trim().is_empty())
            .unwrap_or("");
        let mut counts = [(b',', 0_usize), (b';', 0), (b'\t', 0), (b'|', 0)];
        let mut quoted = false;
        for b in heading.bytes() {
            quoted ^= b == b'"';
            if !quoted && let Some(c) = counts.iter_mut().find(|c| c.0 == b) {
                c.1 += 1;
            }
        }
        // The first of equals wins, and the comma comes first.
        let best = counts.iter().rev().max_by_key(|c| c.1).map_or(b',', |c| c.0);
        Style {
            delimiter: best,
            terminator,
        }
    }

    pub(super) fn reader<'a>(&self, text: &'a str) -> csv::Reader<&'a [u8]> {
        ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .delimiter(self.delimiter)
            .terminator(Terminator::Any(self.terminator))
            .buffer_capacity(1 << 16)
            .from_reader(text.as_bytes())
    }

    pub(super) fn note(&self) -> Option<String> {
        let name = match self.delimiter {
            b';' => "semicolons",
            b'\t' => "tabs",
            b'|' => "upright bars",
            _ => return None,
        };
        Some(format!(
            "columns are separated by {name} and were read so; numbers must still have a decimal point"
        ))
    }
}

/// A piece of a table that begins and ends between records.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Piece {
    pub(super) start: usize,
    pub(super) end: usize,
    pub(super) first_row: usize,
}

/// Cuts a table into pieces of about `size` bytes, and says which row opens a quotation that never closes.
pub(super) fn cut(text: &str, style: Style, size: usize) -> (Vec<Piece>, Option<usize>) {
    let bytes = text.as_bytes();
    let mut pieces = Vec::new();
    let mut open = Piece {
        start: 0,
        end: 0,
        first_row: 1,
    };
    let mut row = 1;
    let mut close = |end: usize, next_row: usize, last: bool| {
        if end - open.start >= size || last {
            pieces.push(Piece { end, ..open });
            open = Piece {
                start: end,
                end,
                first_row: next_row,
            };
        }
    };
    let unclosed = if memchr::memchr(b'"', bytes).is_none() {
        for at in memchr::memchr_iter(style.terminator, bytes) {
            row += 1;
            close(at + 1, row, false);
        }
        None
    } else {
        let mut quotes = Quotes::default();
        for (at, &b) in bytes.iter().enumerate() {
            if quotes.step(b, style, row) {
                row += 1;
                close(at + 1, row, false);
            }
        }
        quotes.open_since()
    };
    close(bytes.len(), row, true);
    (pieces, unclosed)
}

/// Follows quotation marks as the csv crate does: they open a quotation only at the start of a cell.
#[derive(Default)]
struct Quotes {
    state: QuoteState,
    opened: usize,
}

#[derive(Default, PartialEq)]
enum QuoteState {
    #[default]
    CellStart,
    Plain,
    Quoted,
    MaybeClosed,
}

impl Quotes {
    /// Takes one byte; true when it ends a record.
    fn step(&mut self, b: u8, style: Style, row: usize) -> bool {
        use QuoteState::{CellStart, MaybeClosed, Plain, Quoted};
        let outside = self.state != Quoted;
        if outside && b == style.terminator {
            self.state = CellStart;
            return true;
        }
        self.state = match (&self.state, b) {
            (Quoted, b'"') => MaybeClosed,
            (Quoted, _) => Quoted,
            (MaybeClosed, b'"') => Quoted,
            (CellStart, b'"') => {
                self.opened = row;
                Quoted
            }
            (_, d) if d == style.delimiter => CellStart,
            _ => Plain,
        };
        false
    }

    fn open_since(&self) -> Option<usize> {
        (self.state == QuoteState::Quoted).then_some(self.opened)
    }
}

/// Reads the records of a piece, each with the row number a spreadsheet shows. Empty rows are passed over and counted.
pub(super) fn each_record(
    text: &str,
    piece: Piece,
    style: Style,
    mut take: impl FnMut(usize, &StringRecord),
) -> usize {
    let body = &text[piece.start..piece.end];
    let mut reader = style.reader(body);
    let mut record = StringRecord::new();
    let (mut row, mut empty, mut at) = (piece.first_row, 0, 0_usize);
    while reader.read_record(&mut record).unwrap_or(false) {
        // The csv crate passes over blank lines without a word; a spreadsheet counts them.
        let blank = body.as_bytes()[at.min(body.len())..]
            .iter()
            .take_while(|&&b| b == style.terminator)
            .count();
        row += blank;
        at = reader.position().byte() as usize;
        if record.iter().all(|cell| cell.trim().is_empty()) {
            empty += 1;
        } else {
            take(row, &record);
        }
        row += 1;
    }
    empty
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn rows(text: &str, size: usize) -> Vec<(usize, Vec<String>)> {
        let style = Style::sniff(text);
        let mut all = Vec::new();
        for piece in cut(text, style, size).0 {
            each_record(text, piece, style, |row, record| {
                all.push((row, record.iter().map(|c| c.trim().to_owned()).collect()));
            });
        }
        all
    }

    #[test]
    fn rows_are_numbered_as_a_spreadsheet_numbers_them() {
        let text = "a,b\r\n1,\"two\r\nlines\"\r\n\r\n,\r\n3,4\r\n\n5,6";
        for size in [1, 5, 1000] {
            let found: Vec<(usize, String)> = rows(text, size)
                .into_iter()
                .map(|(row, cells)| (row, cells[0].clone()))
                .collect();
            let want = [(1, "a"), (2, "1"), (5, "3"), (7, "5")];
            assert_eq!(found, want.map(|(r, c)| (r, c.to_owned())), "size {size}");
        }
    }

    #[test]
    fn old_macintosh_lines_and_other_separators_are_found() {
        assert_eq!(
            rows("a;b\r1;2\r", 1)[1],
            (2, vec!["1".to_owned(), "2".to_owned()])
        );
        assert_eq!(Style::sniff("a\tb\n1,5\t2").delimiter, b'\t');
        assert_eq!(Style::sniff("only\n1;2").delimiter, b',');
        assert_eq!(Style::sniff("\"a;b;c\",d\n").delimiter, b',');
    }

    #[test]
    fn an_open_quotation_is_found() {
        assert_eq!(cut("a,b\n1,\"x\n2,y\n", Style::sniff("a,b\n"), 9).1, Some(2));
        assert_eq!(cut("a,b\n1,5\" pipe\n", Style::sniff("a,b\n"), 9).1, None);
    }

    proptest! {
        /// However small the pieces, the same records with the same numbers come out.
        #[test]
        fn pieces_change_nothing(text in "[a,\"\n\r;]{0,80}") {
            let whole = rows(&text, 1 << 20);
            for size in [1, 2, 7, 31] {
                prop_assert_eq!(&rows(&text, size), &whole);
            }
        }
    }
}
