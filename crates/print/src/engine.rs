//! The layout engine: a template of `paper/`, data, and the moment that the document is dated with, into a PDF.
//!
//! A template reads its data by `json("/data.json")`. Pictures travel in the data as text of SVG:
//! `image(bytes(data.map), format: "svg")`.

use std::sync::LazyLock;

use jiff::civil::DateTime;
use serde::Serialize;
use typst::diag::{FileError, FileResult, SourceDiagnostic};
use typst::foundations::{Bytes, Datetime, Duration, Smart};
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt, World};
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, Timestamp};

use crate::PrintError;

/// The date and time that a document is dated with: local time of the programme. The same moment and the same data give
/// the same bytes, so the caller's clock is the only one.
pub type Made = DateTime;

/// A layout: one file of `paper/`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Template(&'static str);

/// Declares the files of `paper/`: templates get a constant, all of them can be imported by the others.
macro_rules! paper {
    ($($(#[$doc:meta])* $name:ident = $file:literal;)*) => {
        impl Template {
            $($(#[$doc])* pub const $name: Template = Template($file);)*
        }
        const FILES: &[(&str, &str)] = &[$(($file, include_str!(concat!("../paper/", $file)))),*];
    };
}

paper! {
    /// Shared looks: page, type, heads, tables, boxes. Imported by every other file; prints nothing.
    STYLE = "style.typ";
    /// Round sheets.
    SHEET = "sheet.typ";
    /// The month report.
    MONTH = "month.typ";
    /// The season report.
    SEASON = "season.typ";
    /// Labels of traps and of specimens.
    LABELS = "labels.typ";
    /// The form that goes with specimens from hand to hand.
    CUSTODY = "custody.typ";
    /// The notice on the door.
    NOTICE = "notice.typ";
    /// The crews' safety sheet.
    SAFETY = "safety.typ";
    /// A page of the shared looks, for tests of the engine.
    SPECIMEN = "specimen.typ";
}

/// The typefaces, in the order in which they are tried. See `fonts/README.md`.
const FONTS: [&[u8]; 4] = [
    include_bytes!("../fonts/AtkinsonHyperlegibleNext-Regular.ttf"),
    include_bytes!("../fonts/AtkinsonHyperlegibleNext-Bold.ttf"),
    include_bytes!("../fonts/AtkinsonHyperlegibleNext-Italic.ttf"),
    include_bytes!("../fonts/DejaVuSans-subset.ttf"),
];

/// What is the same for every document.
struct Shared {
    library: LazyHash<Library>,
    book: LazyHash<FontBook>,
    fonts: Vec<Font>,
    sources: Vec<Source>,
    data: FileId,
}

static SHARED: LazyLock<Shared> = LazyLock::new(|| {
    let fonts: Vec<Font> = FONTS
        .iter()
        .flat_map(|bytes| Font::iter(Bytes::new(*bytes)))
        .collect();
    Shared {
        library: LazyHash::new(Library::builder().build()),
        book: LazyHash::new(FontBook::from_fonts(&fonts)),
        fonts,
        sources: FILES
            .iter()
            .map(|(name, text)| Source::new(file_id(name), (*text).to_owned()))
            .collect(),
        data: file_id("data.json"),
    }
});

/// The number of a file. Only names written in this crate come here, and none of them leaves its folder.
fn file_id(name: &str) -> FileId {
    #[expect(clippy::expect_used, reason = "names are literals of this crate")]
    let path = VirtualPath::new(name).expect("a plain file name");
    RootedPath::new(VirtualRoot::Project, path).intern()
}

/// The world that one document is laid out in: the files of `paper/`, the fonts, and the data.
struct Desk {
    main: FileId,
    data: Bytes,
}

impl World for Desk {
    fn library(&self) -> &LazyHash<Library> {
        &SHARED.library
    }

    fn book(&self) -> &LazyHash<FontBook> {
        &SHARED.book
    }

    fn main(&self) -> FileId {
        self.main
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        let found = SHARED.sources.iter().find(|source| source.id() == id);
        found.cloned().ok_or_else(|| no_such_file(id))
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        if id == SHARED.data {
            Ok(self.data.clone())
        } else {
            Err(no_such_file(id))
        }
    }

    fn font(&self, index: usize) -> Option<Font> {
        SHARED.fonts.get(index).cloned()
    }

    /// There is no clock: dates come with the data.
    fn today(&self, _offset: Option<Duration>) -> Option<Datetime> {
        None
    }
}

fn no_such_file(id: FileId) -> FileError {
    FileError::NotFound(id.get().vpath().get_without_slash().into())
}

/// Lays `data` out by `template` and gives the bytes of the PDF. Dated `made`, which is also the date in the file.
///
/// # Errors
/// [`PrintError::Data`] when `data` can't be written as JSON; [`PrintError::Layout`] when the template fails, which is
/// a fault of this crate.
pub fn pdf<T: Serialize>(template: Template, data: &T, made: Made) -> Result<Vec<u8>, PrintError> {
    let failed = |faults: &[SourceDiagnostic]| PrintError::Layout {
        template: template.0,
        reason: faults
            .iter()
            .map(|fault| fault.message.as_str())
            .collect::<Vec<_>>()
            .join("; "),
    };
    let desk = Desk {
        main: file_id(template.0),
        data: Bytes::new(serde_json::to_vec(data)?),
    };
    let made_up = typst::compile::<PagedDocument>(&desk);
    let document = made_up.output.map_err(|faults| failed(&faults))?;
    let options = PdfOptions {
        creator: Smart::Custom(Some("Earlywood".to_owned())),
        timestamp: timestamp(made),
        ..PdfOptions::default()
    };
    let bytes = typst_pdf::pdf(&document, &options).map_err(|faults| failed(&faults));
    // What the engine remembers of earlier documents is kept for a few more, not for ever: a server prints for months.
    typst::comemo::evict(8);
    bytes
}

/// The moment as the PDF keeps it. None for a year that a PDF can't write.
fn timestamp(made: Made) -> Option<Timestamp> {
    let part = |value: i8| u8::try_from(value).ok();
    let datetime = Datetime::from_ymd_hms(
        made.year().into(),
        part(made.month())?,
        part(made.day())?,
        part(made.hour())?,
        part(made.minute())?,
        part(made.second())?,
    )?;
    Some(Timestamp::new_utc(datetime))
}
