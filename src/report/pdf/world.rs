//! What the typesetter may see: one template, one file of data, the fonts that come with the program. Nothing else of the
//! machine, so that the same job gives the same bytes everywhere.

use crate::error::{Error, Kind, Result};
use typst::diag::{FileError, FileResult};
use typst::foundations::{Bytes, Datetime, Duration};
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt, World};

/// Name that the template reads its data by.
const DATA: &str = "report.json";

/// One template and its data.
pub(super) struct Sealed {
    library: LazyHash<Library>,
    book: LazyHash<FontBook>,
    fonts: Vec<Font>,
    template: Source,
    data_id: FileId,
    data: Bytes,
}

impl Sealed {
    pub(super) fn new(template: &str, data: Vec<u8>) -> Result<Self> {
        let fonts: Vec<Font> = typst_assets::fonts()
            .flat_map(|file| Font::iter(Bytes::new(file)))
            .collect();
        Ok(Self {
            library: LazyHash::new(Library::default()),
            book: LazyHash::new(FontBook::from_fonts(&fonts)),
            fonts,
            template: Source::new(file("report.typ")?, template.to_owned()),
            data_id: file(DATA)?,
            data: Bytes::new(data),
        })
    }
}

fn file(name: &str) -> Result<FileId> {
    let path = VirtualPath::new(name).map_err(|e| {
        Error::new(
            Kind::Unavailable,
            format!("{name} cannot name a file of the report: {e:?}"),
        )
        .next("please report this")
    })?;
    Ok(RootedPath::new(VirtualRoot::Project, path).intern())
}

impl World for Sealed {
    fn library(&self) -> &LazyHash<Library> {
        &self.library
    }

    fn book(&self) -> &LazyHash<FontBook> {
        &self.book
    }

    fn main(&self) -> FileId {
        self.template.id()
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        if id == self.template.id() {
            Ok(self.template.clone())
        } else {
            Err(FileError::AccessDenied)
        }
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        if id == self.data_id {
            Ok(self.data.clone())
        } else {
            Err(FileError::AccessDenied)
        }
    }

    fn font(&self, index: usize) -> Option<Font> {
        self.fonts.get(index).cloned()
    }

    fn today(&self, _: Option<Duration>) -> Option<Datetime> {
        None
    }
}
