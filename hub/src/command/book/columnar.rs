//! Parquet on the command line; a program that was built without it says what to do instead.

#[cfg(feature = "parquet")]
mod built {
    use super::super::{Failure, answered, attach, runtime};
    use crate::book::{Book, Edit, Reader, parquet};
    use std::{fs::File, io::Write, path::Path};

    pub fn ready() -> Result<(), Failure> {
        Ok(())
    }

    pub fn write(reader: &Reader, id: &str, out: impl Write) -> Result<Vec<String>, Failure> {
        Ok(parquet::write(reader, id, out)?)
    }

    pub fn take_in(
        file: &Path,
        data: &Path,
        id: Option<&str>,
        edit: Edit,
        photos: &[Vec<u8>],
    ) -> Result<String, Failure> {
        let opened = File::open(file)
            .map_err(|error| Failure::Input(format!("{}: {error}", file.display())))?;
        let (book, _) = Book::open(data)?;
        Ok(runtime()?.block_on(async {
            let id = parquet::into_book(opened, &book, id).await?;
            answered(book.edit(&id, edit).await)?;
            attach(&book, &id, photos).await?;
            book.close().await.map(|()| id)
        })?)
    }
}

#[cfg(not(feature = "parquet"))]
mod built {
    use super::super::Failure;
    use crate::book::{Edit, Reader};
    use std::{io::Write, path::Path};

    pub fn ready() -> Result<(), Failure> {
        Err(Failure::Input(
            "this program was built without Parquet: build it with `--features parquet`, or use --format json, which another book takes in as well, or csv"
                .to_owned(),
        ))
    }

    pub fn write(_: &Reader, _: &str, _: impl Write) -> Result<Vec<String>, Failure> {
        ready().map(|()| Vec::new())
    }

    pub fn take_in(
        _: &Path,
        _: &Path,
        _: Option<&str>,
        _: Edit,
        _: &[Vec<u8>],
    ) -> Result<String, Failure> {
        ready().map(|()| String::new())
    }
}

pub(super) use built::{ready, take_in, write};

/// The first bytes of every Parquet file.
pub(super) const MAGIC: &str = "PAR1";
